package bench

import (
	"errors"
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// core is what both executors share: it numbers events, steps the machine,
// writes the journal and hands actions to the executor. One goroutine calls it.
type core struct {
	door
	name    string
	m       *machine.Machine
	seq     uint64
	run     *run
	latches Latches
	hub     *hub
	latched string
	dated   drivers.Instant // the latest frame's stamp

	// carry gives a device or planner action to the executor.
	carry func(machine.Action)
	// keep gives a storage job to the executor, which calls its do and posts
	// the event it returns, if any.
	keep func(job)
	// post queues an event for the loop, behind what is already queued.
	post func(machine.Event)
}

// run is what the loop keeps of the run under way.
type run struct {
	StartRequest
	layout *drivers.Layout
	ending Ending
	// watchPlanner says that the plan balances, so that the planner sees frames.
	watchPlanner bool
	// latchLost: a trip could not be stored, so the energised mark must stay.
	// Only the goroutine that does the jobs uses it.
	latchLost bool
	broken    bool // the journal has failed; said once
	view      machine.View
}

// handle steps the machine by one event. Halts leave before anything is
// written (de-energise first, record after); everything else is written first.
func (c *core) handle(e machine.Event) {
	c.seq++
	actions := c.m.Step(e)
	for _, a := range actions {
		if h, ok := a.(machine.Halt); ok {
			c.carry(h)
		}
	}
	c.line(e.When(), e.String())
	c.act(e.When(), actions)
}

// frame is handle for a frame, without an allocation while nothing happens.
func (c *core) frame(f *drivers.Frame) {
	c.date(f)
	c.seq++
	f.Seq = c.seq
	actions := c.m.StepFrame(f.At, f)
	for _, a := range actions {
		if h, ok := a.(machine.Halt); ok {
			c.carry(h)
		}
	}
	if r := c.run; r != nil {
		if err := r.Journal.Frame(f); err != nil {
			c.broken(f.At, err)
		}
		if r.watchPlanner {
			c.m.Look(&r.view)
			r.Planner.Observe(f, &r.view)
		}
	}
	c.act(f.At, actions)
}

// date holds a frame's stamp against the loop's own clock. A stamp from another
// time would put the machine's deadlines and the guard's persistences off by as
// much: the frame is then of now, and the machine is told that a clock jumped.
func (c *core) date(f *drivers.Frame) {
	now := c.clock()
	if p := c.m.Plan(); p != nil {
		ahead, lease := f.At.Sub(now), p.Bench.Lease
		if ahead > lease/2 || ahead < -2*lease {
			f.At = now
			c.handle(machine.ClockJump{At: now, Jump: max(ahead, -ahead)})
		}
	}
	if f.At < c.dated {
		f.At = max(now, c.dated)
	}
	c.dated = f.At
}

func (c *core) act(at drivers.Instant, actions []machine.Action) {
	for _, a := range actions {
		switch a := a.(type) {
		case machine.Halt:
			c.line(at, a.String())
		case machine.Permit:
			c.keep(job{kind: jobMark, run: c.run, seq: c.seq, at: at, epoch: a.Epoch, line: a.String()})
		case machine.Record:
			c.record(at, a)
		case machine.Notify:
			c.line(at, a.String())
			c.hub.notify(c.alert(a))
		case machine.Finish:
			c.line(at, a.String())
			c.finish(at, a)
		default:
			c.line(at, a.String())
			c.carry(a)
		}
	}
}

// record stores a record, at once where it is urgent.
func (c *core) record(at drivers.Instant, a machine.Record) {
	j := job{run: c.run, seq: c.seq, at: at, epoch: a.Epoch, line: a.String(), reason: a.Text}
	switch a.Kind {
	case machine.RecordTrip:
		j.kind = jobTrip
		c.latched = a.Text
		if c.run != nil {
			c.run.ending.Trip = a.Text
		}
	case machine.RecordClear:
		j.kind = jobUrgent
		if c.run != nil {
			c.run.ending.Cleared, c.run.ending.ToZero = true, a.Span
		}
	case machine.RecordAck: // durable before the machine was told
		c.latched = ""
		c.line(at, j.line)
		return
	default:
		c.line(at, j.line)
		return
	}
	c.keep(j)
}

// line appends a line to the run's journal.
func (c *core) line(at drivers.Instant, line string) {
	if c.run == nil {
		return
	}
	if err := c.run.Journal.Line(c.seq, at, line); err != nil {
		c.broken(at, err)
	}
}

// broken tells the machine, once, that the run cannot be recorded (INV-07).
func (c *core) broken(at drivers.Instant, err error) {
	if c.run.broken {
		return
	}
	c.run.broken = true
	c.post(machine.StoreFailed{At: at, Err: err.Error()})
}

// atRisk ends a run of which more waits to be stored than may be lost (INV-07,
// INV-14).
func (c *core) atRisk(now drivers.Instant, most drivers.Span) {
	if p := c.run.Journal.Pending(); p != 0 && now.Sub(p) > most {
		c.broken(now, fmt.Errorf("the oldest unstored frame is %d ms old; at most %d ms is allowed", now.Sub(p)/drivers.Millisecond, most/drivers.Millisecond))
	}
}

// finish closes the run's record and tells the caller.
func (c *core) finish(at drivers.Instant, a machine.Finish) {
	if c.run == nil {
		return
	}
	c.run.ending.Outcome, c.run.ending.Reason, c.run.ending.At = a.Outcome, a.Reason, at
	c.keep(job{kind: jobFinish, run: c.run, seq: c.seq, at: at})
	c.run = nil
}

// begin starts a run; it is called on the loop's goroutine.
func (c *core) begin(at drivers.Instant, r StartRequest) error {
	switch {
	case c.m.Phase() == machine.PhaseLatched:
		return fmt.Errorf("%s: %w: %s", c.name, ErrLatched, c.latched)
	case c.m.Busy():
		return fmt.Errorf("%s: %w", c.name, ErrBusy)
	case r.Plan == nil || r.Journal == nil:
		return errors.New("a start needs a plan and a journal")
	}
	if err := c.m.Load(r.Plan); err != nil {
		return err
	}
	c.run = &run{StartRequest: r, layout: &r.Plan.Layout}
	for i := range r.Plan.Code {
		if r.Plan.Code[i].Op == machine.OpBleed && r.Planner != nil {
			c.run.watchPlanner = true
		}
	}
	c.seq = 0
	c.handle(machine.Start{At: at, Run: r.Run, Plan: r.PlanDigest, Who: r.Who, Epoch: c.m.Epoch()})
	return nil
}

// command carries out a person's command; it is called on the loop's goroutine.
func (c *core) command(at drivers.Instant, verb machine.Verb, who, reason string) error {
	phase := c.m.Phase()
	switch verb {
	case machine.VerbStop:
	case machine.VerbAcknowledge:
		if strings.TrimSpace(who) == "" || strings.TrimSpace(reason) == "" {
			return ErrNoReason
		}
		if phase == machine.PhaseTripped {
			return fmt.Errorf("%s: current is not yet proven zero: %w", c.name, ErrLatched)
		}
		if phase != machine.PhaseLatched {
			return fmt.Errorf("%s is %s and has nothing to acknowledge: %w", c.name, phase, ErrNotRunning)
		}
		// Record first: a latch that the store still holds must hold here too.
		// Nothing is energised, so the disk may take its time.
		if err := c.latches.ClearLatch(who, reason, at); err != nil {
			return err
		}
	case machine.VerbPause:
		if phase != machine.PhaseRunning {
			return fmt.Errorf("%s is %s; only a running run can be paused: %w", c.name, phase, ErrNotRunning)
		}
	case machine.VerbResume:
		if phase != machine.PhasePaused {
			return fmt.Errorf("%s is %s; only a paused run can be resumed: %w", c.name, phase, ErrNotRunning)
		}
	case machine.VerbConfirm:
		if !c.m.Asks() {
			return fmt.Errorf("%s is %s and asks nobody to confirm: %w", c.name, phase, ErrNotRunning)
		}
	default:
		return fmt.Errorf("unknown command %q", verb)
	}
	c.handle(machine.Operator{At: at, Verb: verb, Who: who, Reason: reason})
	return nil
}

// publish gives clients the latest picture.
func (c *core) publish(f *drivers.Frame, lease, left drivers.Span) {
	s := Status{Bench: c.name, Latched: c.latched, Lease: lease, LeaseLeft: left}
	c.m.Look(&s.View)
	if p := c.m.Plan(); p != nil {
		s.Layout, s.Module = &p.Layout, p.Module
		if f != nil && len(f.Counts) == len(p.Layout.Channels) {
			s.Frame = *f.Clone()
		}
	}
	c.hub.publish(s)
}

// forgetful stands in where nobody keeps latches: the machine still holds one
// for as long as it lives.
type forgetful struct{}

func (forgetful) SetLatch(string, drivers.Instant) error           { return nil }
func (forgetful) ClearLatch(string, string, drivers.Instant) error { return nil }

func newCore(o Options, clock func() drivers.Instant) core {
	if o.Latches == nil {
		o.Latches = forgetful{}
	}
	return core{door: newDoor(clock), name: o.Name, m: machine.New(), latches: o.Latches, hub: newHub(o.Name, o.Alert), latched: o.Latched}
}

// alert says of what a notification is. Only the loop's goroutine calls it.
func (c *core) alert(n machine.Notify) Alert {
	a := Alert{Bench: c.name, Notify: n}
	if c.run != nil {
		a.Run, a.Module = c.run.Run, c.run.Plan.Module
	}
	return a
}
