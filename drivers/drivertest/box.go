package drivertest

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

var boxChecks = []Check{
	{"box/switch", "the box closes exactly what it is told to, within its time", boxed(checkSwitch)},
	{"box/unknown", "contactors that do not exist are refused and nothing moves", boxed(checkSwitchUnknown)},
	{"box/halt", "halt opens every contactor", boxed(checkBoxHalt)},
	{"box/heartbeat", "without its heartbeat the box drops out and stays out", boxed(checkHeartbeat)},
}

func boxed(do func(*Fixture) error) func(*Fixture) error {
	return func(f *Fixture) error {
		if f.Set.Box == nil {
			return skip("there is no contactor box")
		}
		return do(f)
	}
}

const contactorBits = drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive

func (f *Fixture) switchTo(closed drivers.Contactors) error {
	err := f.call(func(ctx context.Context) error { return f.Set.Box.Switch(ctx, closed) })
	if err != nil {
		return fmt.Errorf("box: switch %#x: %w", closed, err)
	}
	return f.run(f.Bench.Box.SwitchTime + 2*f.period())
}

func (f *Fixture) boxReading() (r drivers.BoxReading, err error) {
	err = f.call(func(ctx context.Context) (err error) {
		r, err = f.Set.Box.Read(ctx)
		return err
	})
	if err != nil {
		return r, fmt.Errorf("box: read: %w", err)
	}
	return r, nil
}

// closed demands that exactly these contactors are closed by measurement.
func (f *Fixture) closed(want drivers.Contactors) error {
	r, err := f.boxReading()
	if err != nil {
		return err
	}
	if got := drivers.Contactors(r.State & contactorBits); got != want {
		return fmt.Errorf("box: contactors %#x are closed; want %#x", got, want)
	}
	return nil
}

func checkSwitch(f *Fixture) error {
	for _, c := range []drivers.Contactors{
		drivers.BoxNegative, drivers.BoxNegative | drivers.BoxPrecharge, drivers.BoxNegative | drivers.BoxPrecharge,
		drivers.BoxPrecharge, 0, drivers.BoxNegative, 0,
	} {
		if err := f.switchTo(c); err != nil {
			return err
		}
		if err := f.closed(c); err != nil {
			return err
		}
	}
	return nil
}

func checkSwitchUnknown(f *Fixture) error {
	if err := f.switchTo(drivers.BoxNegative); err != nil {
		return err
	}
	if err := refused("switch", f.switchTo(0x40|drivers.BoxPrecharge), drivers.ErrRefused); err != nil {
		return err
	}
	if err := f.run(f.Bench.Box.SwitchTime + 2*f.period()); err != nil {
		return err
	}
	return f.closed(drivers.BoxNegative)
}

func checkBoxHalt(f *Fixture) error {
	if err := f.switchTo(drivers.BoxNegative | drivers.BoxPrecharge); err != nil {
		return err
	}
	for range 2 {
		if err := f.call(f.Set.Box.Halt); err != nil {
			return fmt.Errorf("box: halt: %w", err)
		}
	}
	if err := f.run(f.Bench.Box.SwitchTime + 2*f.period()); err != nil {
		return err
	}
	return f.closed(0)
}

func checkHeartbeat(f *Fixture) error {
	box := &f.Bench.Box
	heartbeat := f.silence(box.Heartbeat)
	if heartbeat <= 0 {
		return skip("the box needs no heartbeat")
	}
	if err := f.switchTo(drivers.BoxNegative); err != nil {
		return err
	}
	if err := f.run(3 * heartbeat); err != nil {
		return err
	}
	if err := f.closed(drivers.BoxNegative); err != nil {
		return fmt.Errorf("in contact: %w", err)
	}
	f.Advance(heartbeat + box.SwitchTime + 2*f.period())
	if err := f.closed(0); err != nil {
		return fmt.Errorf("after silence: %w", err)
	}
	if err := f.run(box.SwitchTime + 2*f.period()); err != nil {
		return err
	}
	return f.closed(0)
}

// connect makes a path for current and returns the voltage connected to it. It
// precharges as everybody must: negative and precharge, wait, positive.
func (f *Fixture) connect() (drivers.Microvolts, error) {
	if f.Set.Box == nil {
		if f.Connect == nil {
			return 0, skip("nothing is connected that could take current")
		}
		if err := f.Connect(); err != nil {
			return 0, err
		}
		volts, _, _, err := f.reading(f.power(f.roles()[0]))
		return volts, err
	}
	if f.Set.Meter == nil {
		return 0, skip("without a meter the suite closes no contactor on to an article")
	}
	if err := f.switchTo(drivers.BoxNegative | drivers.BoxPrecharge); err != nil {
		return 0, err
	}
	var article, link drivers.Microvolts
	for range 200 {
		var m drivers.Reading
		err := f.call(func(ctx context.Context) (err error) { m, err = f.Set.Meter.Read(ctx); return err })
		if err != nil {
			return 0, fmt.Errorf("meter: read: %w", err)
		}
		r, err := f.boxReading()
		if err != nil {
			return 0, err
		}
		article = drivers.Microvolts(m.Voltage) * f.Bench.Meter.VoltageStep
		link = drivers.Microvolts(r.Link) * f.Bench.Box.LinkStep
		if d := article - link; d < f.Bench.Box.DifferenceMax && -d < f.Bench.Box.DifferenceMax {
			if err := f.switchTo(contactorBits); err != nil {
				return 0, err
			}
			return article, f.switchTo(drivers.BoxNegative | drivers.BoxPositive)
		}
		if err := f.run(f.period()); err != nil {
			return 0, err
		}
	}
	return 0, fmt.Errorf("precharge: the link stays at %d uV; the article has %d uV", link, article)
}
