package host

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// solo is one device that is being left alone.
type solo struct {
	s      *service
	role   Role
	halter *halter
	before uint64       // halts asked for when it began
	calls  atomic.Int32 // that have not returned
	turns  []*slot      // held
}

// anyContactor are the state bits of a box's contactors.
const anyContactor = drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive

// errHalted: a halt came while an instrument was being proven.
var errHalted = fmt.Errorf("halted meanwhile: %w", drivers.ErrRefused)

// alone reserves the bench, makes sure that nothing can flow, and hands the
// device to do. Whatever happens, the device is halted in the end.
func (s *service) alone(ctx context.Context, role Role, h *halter, open, idle bool, do func(context.Context, *solo) (drivers.Span, error)) (drivers.Span, error) {
	select {
	case s.proving <- struct{}{}:
	case <-ctx.Done():
		return 0, fmt.Errorf("another instrument is still being proven: %w", drivers.ErrNoAnswer)
	}
	defer func() { <-s.proving }()
	x := &solo{s: s, role: role, halter: h}
	var err error
	if x.before, err = s.k.reserve(ctx, h, idle); err != nil {
		return 0, err
	}
	defer s.k.release()
	defer x.end()
	if err := x.begin(ctx, open); err != nil {
		return 0, err
	}
	quiet, stop := x.untilHalted(ctx)
	took, err := do(quiet, x)
	stop()
	if h.asked.Load() != x.before {
		err = errHalted
	}
	return took, errors.Join(err, x.off())
}

// begin waits until commands under way are over, the contactors are measured
// open and both outputs off, and nobody reads the device any more.
func (x *solo) begin(ctx context.Context, open bool) error {
	s := x.s
	call, cancel := context.WithTimeout(ctx, duration(s.c.CallTimeout))
	defer cancel()
	wanted := []Role{x.role, RoleBox}
	if x.role == RoleBox {
		wanted = wanted[1:]
	}
	for _, r := range wanted {
		if err := s.slots[r].take(call, ticket{}); err != nil {
			return err
		}
		x.turns = append(x.turns, s.slots[r])
	}
	settle, cancel := context.WithTimeout(ctx, duration(settleTime(&s.c.Bench, s.c.CallTimeout)))
	defer cancel()
	// A contactor may still be on its way after the last command, and what is
	// read may have been measured up to a period before.
	since := s.c.Now().Add(s.c.Bench.Box.SwitchTime + s.c.Bench.Monitor.Period)
	if err := s.sampler.looks.await(settle, func() error { return s.deadBench(since, open) }); err != nil {
		return err
	}
	rest, cancel := context.WithTimeout(ctx, duration(2*s.c.Bench.Monitor.Period+s.c.CallTimeout))
	defer cancel()
	return s.sampler.pause(rest, x.role)
}

// deadBench says what is not measured dead, by readings begun since then.
func (s *service) deadBench(since drivers.Instant, open bool) error {
	if s.c.Set.Box == nil {
		if !open {
			return fmt.Errorf("no contactor box says that the contactors are open: %w", drivers.ErrRefused)
		}
	} else {
		switch box := s.sampler.looks.role(RoleBox); {
		case box.state == drivers.NoReading || box.moved < since:
			return fmt.Errorf("the box gives no fresh reading of its contactors: %w", drivers.ErrNoAnswer)
		case box.state&anyContactor != 0:
			return fmt.Errorf("contactors read closed (%#x); a timeout is proven behind open ones only: %w", box.state&anyContactor, drivers.ErrRefused)
		}
	}
	for _, role := range [...]Role{RoleSupply, RoleLoad} {
		if device, _, _ := s.power(role); device == nil {
			continue
		}
		switch l := s.sampler.looks.role(role); {
		case l.state == drivers.NoReading || l.moved < since:
			return fmt.Errorf("the %s gives no fresh reading of its output: %w", role, drivers.ErrNoAnswer)
		case l.state&drivers.PowerOn != 0:
			return fmt.Errorf("the %s reads on though it was told to be off: %w", role, drivers.ErrRefused)
		}
	}
	return nil
}

// untilHalted ends the context once the device has taken a halt.
func (x *solo) untilHalted(ctx context.Context) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		if x.halter.told.await(ctx, x.before+1) == nil {
			cancel(errHalted)
		}
	}()
	return ctx, func() { cancel(nil); <-done }
}

// off halts the device, so that halt is the last that it hears.
func (x *solo) off() error {
	ctx, cancel := context.WithTimeout(context.Background(), duration(x.s.c.CallTimeout))
	defer cancel()
	return x.halter.wait(ctx, x.halter.ask())
}

// end gives the device back, once no call to it is under way any more.
func (x *solo) end() {
	give := func() {
		x.s.sampler.resume(x.role)
		for _, one := range x.turns {
			one.free()
		}
	}
	if x.calls.Load() == 0 {
		give()
		return
	}
	go func() { // a driver that hangs keeps its device, and nobody waits for it
		tick := time.NewTicker(retryPause)
		defer tick.Stop()
		for x.calls.Load() > 0 {
			<-tick.C
		}
		give()
	}()
}

// call makes one call to the device.
func (x *solo) call(ctx context.Context, what string, call func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, duration(x.s.c.CallTimeout))
	x.calls.Add(1)
	err := within(ctx, cancel, call, func() { x.calls.Add(-1) })
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// sleep waits.
func (x *solo) sleep(ctx context.Context, d drivers.Span) error {
	timer := time.NewTimer(duration(d))
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// shows reads the device's state until ok is content, at most for limit.
func (x *solo) shows(ctx context.Context, limit drivers.Span, read func(context.Context) (int32, error), ok func(state int32) error) error {
	end := x.s.c.Now().Add(limit)
	for {
		state, err := read(ctx)
		if err == nil {
			if err = ok(state); err == nil {
				return nil
			}
		}
		if x.s.c.Now() >= end {
			return err
		}
		if err := x.sleep(ctx, x.s.c.Bench.Monitor.Period/readShare); err != nil {
			return err
		}
	}
}

// silence leaves the device alone and returns its state then, and how long it
// had been alone by the time it told.
func (x *solo) silence(ctx context.Context, quiet drivers.Span, read func(context.Context) (int32, error)) (state int32, took drivers.Span, err error) {
	start := x.s.c.Now()
	if err := x.sleep(ctx, quiet); err != nil {
		return 0, 0, err
	}
	for range proofReads {
		if state, err = read(ctx); err == nil {
			return state, x.s.c.Now().Sub(start), nil
		}
	}
	return 0, 0, fmt.Errorf("after %v of silence: %w", duration(quiet), err)
}

// reading makes a call of a device's read, of which the state is wanted.
func (x *solo) reading(fetch func(context.Context) (int32, error)) func(context.Context) (int32, error) {
	return func(ctx context.Context) (int32, error) {
		got := make(chan int32, 1) // a late answer must not race with the next
		err := x.call(ctx, "read", func(ctx context.Context) error {
			state, err := fetch(ctx)
			got <- state
			return err
		})
		if err != nil {
			return 0, err
		}
		return <-got, nil
	}
}

// power proves a supply's or load's communication timeout.
func (x *solo) power(ctx context.Context, device drivers.Power, spec *drivers.PowerSpec, timeout drivers.Span) (drivers.Span, error) {
	period := x.s.c.Bench.Monitor.Period
	read := x.reading(func(ctx context.Context) (int32, error) {
		r, err := device.Read(ctx)
		return r.State, err
	})
	err := x.call(ctx, "switch on at 0 A", func(ctx context.Context) error {
		return device.Set(ctx, drivers.Setpoint{On: true})
	})
	if err != nil {
		return 0, err
	}
	err = x.shows(ctx, onTime(spec.Delay, period, x.s.c.CallTimeout), read, func(state int32) error {
		if state&drivers.PowerOn == 0 {
			return fmt.Errorf("told to be on at 0 A it reads off (state %#x), so that its timeout cannot be seen: %w", state, drivers.ErrRefused)
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	state, took, err := x.silence(ctx, timeout+spec.Delay+x.s.c.Bench.SilenceMargin(timeout), read)
	switch {
	case err != nil:
		return 0, err
	case state&drivers.PowerOn != 0:
		return 0, fmt.Errorf("declared to switch off after %v of silence, still on after %v; nothing would take its current off if this host died: "+
			"mend its timeout, or take silence away from the bench file, which then needs the box's heartbeat or attended runs: %w", duration(timeout), rounded(took), drivers.ErrRefused)
	case state&drivers.PowerLeaseOut == 0:
		return 0, fmt.Errorf("off after %v of silence, but not by its communication timeout (state %#x): %w", rounded(took), state, drivers.ErrRefused)
	}
	return took, nil
}

// box proves the contactor box's heartbeat. A link that rises meanwhile shows that
// the positive pole is not open, whatever its feedback says (INV-09).
func (x *solo) box(ctx context.Context, device drivers.Box, spec *drivers.BoxSpec) (drivers.Span, error) {
	period := x.s.c.Bench.Monitor.Period
	var link atomic.Int32
	read := x.reading(func(ctx context.Context) (int32, error) {
		r, err := device.Read(ctx)
		if err == nil {
			link.Store(r.Link)
		}
		return r.State, err
	})
	if _, err := read(ctx); err != nil {
		return 0, err
	}
	was := link.Load()
	err := x.call(ctx, "close the negative contactor", func(ctx context.Context) error {
		return device.Switch(ctx, drivers.BoxNegative)
	})
	if err != nil {
		return 0, err
	}
	err = x.shows(ctx, onTime(spec.SwitchTime, period, x.s.c.CallTimeout), read, func(state int32) error {
		if state&anyContactor != drivers.BoxNegative {
			return fmt.Errorf("told to close its negative contactor alone it reads %#x: %w", state&anyContactor, drivers.ErrRefused)
		}
		return nil
	})
	if err == nil {
		err = x.bridged(spec, was, link.Load())
	}
	if err != nil {
		return 0, err
	}
	state, took, err := x.silence(ctx, spec.Heartbeat+spec.SwitchTime+x.s.c.Bench.SilenceMargin(spec.Heartbeat), read)
	switch {
	case err != nil:
		return 0, err
	case state&anyContactor != 0:
		return 0, fmt.Errorf("declared to open %v after its last heartbeat, still closed (%#x) after %v; "+
			"mend its heartbeat, or take it away from the bench file: %w", duration(spec.Heartbeat), state&anyContactor, rounded(took), drivers.ErrRefused)
	}
	return took, x.bridged(spec, was, link.Load())
}

// bridged says that the link rose by more than contactors may close on to.
func (x *solo) bridged(spec *drivers.BoxSpec, was, is int32) error {
	if was == drivers.NoReading || is == drivers.NoReading {
		return fmt.Errorf("no reading of the link's voltage shows that the positive pole is open: %w", drivers.ErrNoAnswer)
	}
	from, to := drivers.Microvolts(was)*spec.LinkStep, drivers.Microvolts(is)*spec.LinkStep
	if to-from > spec.DifferenceMax {
		return fmt.Errorf("link rose from %v to %v with only the negative contactor closed, so the positive pole is not open: "+
			"find the weld or the second path before anything is switched again: %w", from, to, drivers.ErrRefused)
	}
	return nil
}

// rounded is a measured span for people.
func rounded(d drivers.Span) time.Duration { return duration(d).Round(time.Millisecond) }
