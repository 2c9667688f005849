package bench

import (
	"context"
	"errors"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// carry sends an action on its way. A halt leaves at once over the host's pipe,
// ahead of everything that waits in a lane; the machine's epoch makes what
// still waits there void.
func (v *Live) carry(a machine.Action) {
	switch a := a.(type) {
	case machine.Halt:
		v.halt(a)
	case machine.Arm:
		v.queue(laneArm, a)
	case machine.Set:
		l := laneSupply
		if a.Direction == machine.Discharging {
			l = laneLoad
		}
		v.queue(l, a)
	case machine.SwitchTo:
		if a.Closed == 0 {
			v.openNow(a)
			return
		}
		v.closed = true
		v.queue(laneBox, a)
	case machine.BleedCells:
		if len(a.Words) == 0 { // nobody, whatever the plan
			a.Words = make([]int32, (v.spec.Monitor.Cells+15)/16)
		}
		v.queue(laneMonitor, a)
	case machine.Compute:
		v.compute(a)
	}
}

// errand is an action with the host it is meant for: one that waits while the
// host dies must not reach the next one.
type errand struct {
	action machine.Action
	host   Host
	wire   host.TripwireLimits
}

func (v *Live) queue(l lane, a machine.Action) {
	e := errand{action: a, host: v.host}
	if p := v.m.Plan(); p != nil {
		e.wire = tripwire(p)
	}
	select {
	case v.lanes[l] <- e:
	default:
		v.post(machine.Lost{At: v.now(), Device: "lane", Reason: "too many commands wait for one device"})
	}
}

func (v *Live) halt(a machine.Halt) {
	h := v.host
	err := h.Halt(a.Epoch)
	v.work.Go(func() {
		ctx, cancel := context.WithTimeout(context.Background(), wait(callTimeout))
		defer cancel()
		err := errors.Join(err, h.Halted(ctx, a.Epoch))
		v.post(done(v.now(), a.Epoch, machine.DeviceHalt, err))
	})
}

// openNow opens the contactors without waiting behind a close that hangs: the
// host lets an opening overtake, and refuses closes of epochs that are over.
func (v *Live) openNow(a machine.SwitchTo) {
	e := errand{action: a, host: v.host}
	v.work.Go(func() {
		ctx, cancel := context.WithTimeout(context.Background(), wait(callTimeout))
		defer cancel()
		v.post(v.device(ctx, e))
	})
}

// compute runs the planner on the loop's goroutine: it reads what the loop's
// frames taught it, and takes well under a frame's period.
func (v *Live) compute(a machine.Compute) {
	e := machine.Computed{GiveUp: "this bench has no balance planner"}
	if v.run != nil && v.run.Planner != nil {
		e = v.run.Planner.Compute(a)
	}
	e.At, e.Epoch = v.now(), a.Epoch
	v.post(e)
}

// drive carries one lane's actions out, in order.
func (v *Live) drive(l lane) {
	limit := wait(callTimeout)
	if l == laneArm { // the host may prove the instruments' timeouts by silence
		limit += wait(host.ArmTime(&v.spec))
	}
	for e := range v.lanes[l] {
		ctx, cancel := context.WithTimeout(context.Background(), limit)
		v.post(v.device(ctx, e))
		cancel()
	}
}

// device does one action and returns its answer.
func (v *Live) device(ctx context.Context, e errand) machine.Event {
	h := e.host
	switch a := e.action.(type) {
	case machine.Arm:
		s, l, err := h.Arm(ctx, a.Epoch, a.Supply, a.Load, e.wire)
		d := done(v.now(), a.Epoch, machine.DeviceArm, err)
		d.Supply, d.Load = s, l
		return d
	case machine.Set:
		err := h.Set(ctx, a.Epoch, a.Direction == machine.Charging, drivers.Setpoint{Current: a.Current, Voltage: a.Voltage, On: true})
		return done(v.now(), a.Epoch, machine.DeviceSet, err)
	case machine.SwitchTo:
		err := errors.Join(h.Switch(ctx, a.Epoch, a.Closed), h.Fast(ctx, a.Closed&drivers.BoxPrecharge != 0))
		return done(v.now(), a.Epoch, machine.DeviceSwitch, err)
	case machine.BleedCells:
		return done(v.now(), a.Epoch, machine.DeviceBleed, h.Bleed(ctx, a.Epoch, a.Words))
	}
	return nil
}

func done(at drivers.Instant, epoch uint64, op machine.DeviceOp, err error) machine.Done {
	d := machine.Done{At: at, Epoch: epoch, Op: op}
	if err != nil {
		d.Err = err.Error()
	}
	return d
}

// tripwire gives the host the cell maker's absolute limits.
func tripwire(p *machine.Plan) host.TripwireLimits {
	a := &p.Absolute
	return host.TripwireLimits{
		CellMax: a.CellMax, CellMin: a.CellMin, TempMax: a.TempMax, CurrentMax: a.CurrentMax,
		Silence: p.Limits.Stale,
	}
}

func wait(s drivers.Span) time.Duration { return time.Duration(s) * time.Microsecond }

// nowhere stands in for a host that has died, until another one is open.
type nowhere struct{}

var errNoHost = errors.New("the host process is gone")

func (nowhere) Arm(context.Context, uint64, drivers.Protection, drivers.Protection, host.TripwireLimits) (s, l drivers.Protection, err error) {
	return s, l, errNoHost
}
func (nowhere) Set(context.Context, uint64, bool, drivers.Setpoint) error { return errNoHost }
func (nowhere) Switch(context.Context, uint64, drivers.Contactors) error  { return errNoHost }
func (nowhere) Bleed(context.Context, uint64, []int32) error              { return errNoHost }
func (nowhere) Fast(context.Context, bool) error                          { return errNoHost }
func (nowhere) Renew(uint64, uint64, drivers.Span) error                  { return errNoHost }
func (nowhere) Halt(uint64) error                                         { return errNoHost }
func (nowhere) Halted(context.Context, uint64) error                      { return errNoHost }
func (nowhere) Frames() <-chan *drivers.Frame                             { return nil }
func (nowhere) Events() <-chan host.Event                                 { return nil }
func (nowhere) Lost() <-chan error                                        { return nil }
func (nowhere) Close(context.Context) error                               { return nil }
