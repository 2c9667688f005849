package drivertest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

var commonChecks = []Check{
	{"identity", "every device says who it is, and says the same again", checkIdentity},
	{"beats", "every device's counter moves with time, and stands still without", checkBeats},
	{"halt-any-time", "halt works before anything else, twice, and on what is off already", checkHaltAnyTime},
	{"halt-concurrent", "halts from many goroutines at once all succeed", checkHaltConcurrent},
	{"context-done", "a call with a context that is done fails at once with ErrNoAnswer or the context's error", checkContextDone},
	{"hung", "a device that hangs gives ErrNoAnswer by the deadline", checkHung},
}

func checkIdentity(f *Fixture) error {
	for _, r := range f.roles() {
		var first, again drivers.Identity
		err := f.call(func(ctx context.Context) (err error) {
			if first, err = f.identify(ctx, r); err != nil {
				return err
			}
			f.Advance(f.period())
			again, err = f.identify(ctx, r)
			return err
		})
		switch {
		case err != nil:
			return fmt.Errorf("%s: identify: %w", r, err)
		case first.Model == "" || first.Serial == "":
			return fmt.Errorf("%s: identity %+v lacks model or serial", r, first)
		case first != again:
			return fmt.Errorf("%s: identity was %+v and then %+v", r, first, again)
		}
	}
	return nil
}

func checkBeats(f *Fixture) error {
	last := map[Role]int32{}
	for _, r := range f.roles() {
		b, err := f.beat(r)
		if err != nil {
			return err
		}
		last[r] = b
		if again, err := f.beat(r); err != nil || again < b || again > b+1 {
			return fmt.Errorf("%s: counter went from %d to %d in no time (%v)", r, b, again, err)
		}
	}
	for range 10 {
		f.Advance(2 * f.period())
		for r, b := range last {
			now, err := f.beat(r)
			if err != nil {
				return err
			}
			if now <= b {
				return fmt.Errorf("%s: counter stands at %d after two periods; it was %d", r, now, b)
			}
			last[r] = now
		}
	}
	return nil
}

func checkHaltAnyTime(f *Fixture) error {
	for range 2 {
		for _, r := range f.roles() {
			h := f.halter(r)
			if h == nil {
				continue
			}
			if err := f.call(h.Halt); err != nil {
				return fmt.Errorf("%s: halt: %w", r, err)
			}
		}
	}
	if err := f.run(2 * f.period()); err != nil {
		return err
	}
	for _, r := range f.roles() {
		if h := f.halter(r); h != nil {
			if err := f.call(h.Halt); err != nil {
				return fmt.Errorf("%s: halt later: %w", r, err)
			}
		}
	}
	return nil
}

func checkHaltConcurrent(f *Fixture) error {
	if !f.Concurrent {
		return skip("the fixture is for one goroutine")
	}
	var group sync.WaitGroup
	errs := make(chan error, 100)
	for _, r := range f.roles() {
		h := f.halter(r)
		if h == nil {
			continue
		}
		for range 8 {
			group.Go(func() {
				if err := f.call(h.Halt); err != nil {
					errs <- fmt.Errorf("%s: halt: %w", r, err)
				}
			})
			group.Go(func() {
				if _, err := f.beat(r); err != nil {
					errs <- err
				}
			})
		}
	}
	group.Wait()
	close(errs)
	return <-errs
}

func checkContextDone(f *Fixture) error {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	for _, r := range f.roles() {
		calls := map[string]func() error{
			"identify": func() error { _, err := f.identify(ctx, r); return err },
			"read":     func() error { _, err := f.read(ctx, r); return err },
		}
		if p := f.power(r); p.Power != nil {
			calls["set"] = func() error { return p.Set(ctx, drivers.Setpoint{On: true}) }
			calls["arm"] = func() error { _, err := p.Arm(ctx, p.full()); return err }
		}
		for name, do := range calls {
			err := do()
			if err == nil || !errors.Is(err, drivers.ErrNoAnswer) && !errors.Is(err, context.Canceled) {
				return fmt.Errorf("%s: %s with a cancelled context: error %v; want ErrNoAnswer or context.Canceled", r, name, err)
			}
		}
		if p := f.power(r); p.Power != nil {
			// The arming that failed must not have armed.
			err := f.call(func(ctx context.Context) error { return p.Set(ctx, drivers.Setpoint{On: true}) })
			if err := refused(string(r)+": set after an arming that was never answered", err, drivers.ErrRefused); err != nil {
				return err
			}
		}
	}
	return nil
}

func checkHung(f *Fixture) error {
	if f.Hang == nil {
		return skip("the fixture cannot hang a device")
	}
	const limit, slack = 50 * time.Millisecond, time.Second
	for _, r := range f.roles() {
		f.Hang(r)
		calls := map[string]func(context.Context) error{
			"identify": func(ctx context.Context) error { _, err := f.identify(ctx, r); return err },
			"read":     func(ctx context.Context) error { _, err := f.read(ctx, r); return err },
		}
		if h := f.halter(r); h != nil {
			calls["halt"] = h.Halt
		}
		for name, do := range calls {
			ctx, cancel := context.WithTimeout(context.Background(), limit)
			start := time.Now()
			err := do(ctx)
			took := time.Since(start)
			cancel()
			if err := refused(fmt.Sprintf("%s hangs: %s", r, name), err, drivers.ErrNoAnswer); err != nil {
				return err
			}
			if took > limit+slack {
				return fmt.Errorf("%s hangs: %s came back after %v; the deadline was %v", r, name, took, limit)
			}
		}
	}
	return nil
}
