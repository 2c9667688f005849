package drivertest

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// instrument is a supply or load with its description.
type instrument struct {
	drivers.Power
	role Role
	spec *drivers.PowerSpec
}

func (f *Fixture) power(r Role) instrument {
	switch {
	case r == RoleSupply && f.Set.Supply != nil:
		return instrument{f.Set.Supply, r, &f.Bench.Supply}
	case r == RoleLoad && f.Set.Load != nil:
		return instrument{f.Set.Load, r, &f.Bench.Load}
	}
	return instrument{}
}

// full are the widest limits the instrument can guard.
func (p instrument) full() drivers.Protection {
	return drivers.Protection{VoltageMax: p.spec.VoltageMax, CurrentMax: p.spec.CurrentMax, CommTimeout: p.spec.CommTimeout}
}

// settles is how long a command takes at most, current's way included.
func (f *Fixture) settles(p instrument) drivers.Span {
	d := p.spec.Delay + 3*f.period()
	if p.spec.Slew > 0 {
		d += drivers.Span(int64(p.spec.CurrentMax) * int64(drivers.Second) / int64(p.spec.Slew))
	}
	return d
}

// none is what an instrument that gives no current may still show.
func (p instrument) none() drivers.Microamps {
	return drivers.Microamps(p.spec.CurrentAcc.At(0)) + 2*p.spec.CurrentStep
}

type powerCheck struct {
	name, doc string
	do        func(*Fixture, instrument) error
}

var powerChecks = []powerCheck{
	{"unarmed", "a set that switches on is refused before arming", checkUnarmed},
	{"arm-reads-back", "arming reads back what is in force, never wider than asked", checkArm},
	{"range", "setpoints outside the ranges are refused and change nothing", checkRange},
	{"set-absolute", "a setpoint is reached, and reached the same when set twice", checkSet},
	{"halt-current", "halt brings the current to zero, and it stays there", checkHaltCurrent},
	{"halt-overtakes", "halt undoes a set that was accepted just before", checkHaltOvertakes},
	{"set-off", "a set with On false is a halt", checkSetOff},
	{"own-limit", "more current than armed is refused, or trips and needs arming again", checkOwnLimit},
	{"silence", "the communication timeout switches off after silence and needs arming again", checkSilence},
	{"voltage", "the voltage bound keeps a supply from exceeding it, a load from drawing under it", checkVoltage},
}

func (f *Fixture) arm(p instrument, l drivers.Protection) (got drivers.Protection, err error) {
	err = f.call(func(ctx context.Context) (err error) {
		got, err = p.Arm(ctx, l)
		return err
	})
	if err != nil {
		err = fmt.Errorf("%s: arm: %w", p.role, err)
	}
	return got, err
}

func (f *Fixture) set(p instrument, s drivers.Setpoint) error {
	if err := f.call(func(ctx context.Context) error { return p.Set(ctx, s) }); err != nil {
		return fmt.Errorf("%s: set: %w", p.role, err)
	}
	return nil
}

// reading returns a fresh reading in base units.
func (f *Fixture) reading(p instrument) (volts drivers.Microvolts, amps drivers.Microamps, state int32, err error) {
	var r drivers.Reading
	err = f.call(func(ctx context.Context) (err error) {
		r, err = p.Read(ctx)
		return err
	})
	if err != nil {
		return 0, 0, 0, fmt.Errorf("%s: read: %w", p.role, err)
	}
	if r.Voltage == drivers.NoReading || r.Current == drivers.NoReading {
		return 0, 0, r.State, fmt.Errorf("%s: reading %+v lacks a value", p.role, r)
	}
	return drivers.Microvolts(r.Voltage) * p.spec.VoltageStep, drivers.Microamps(r.Current) * p.spec.CurrentStep, r.State, nil
}

// flowing is the setpoint that the suite lets flow.
func (f *Fixture) flowing(p instrument, volts drivers.Microvolts) drivers.Setpoint {
	s := drivers.Setpoint{On: true, Current: f.Current, Voltage: volts + volts/10}
	if s.Current == 0 {
		s.Current = p.spec.CurrentMax / 10
	}
	if p.role == RoleLoad {
		s.Voltage = volts / 2
	}
	s.Voltage = min(s.Voltage, p.spec.VoltageMax)
	return s
}

// start arms p, makes a path and lets current flow.
func (f *Fixture) start(p instrument) (drivers.Setpoint, error) {
	var none drivers.Setpoint
	volts, err := f.connect()
	if err != nil {
		return none, err
	}
	if _, err := f.arm(p, p.full()); err != nil {
		return none, err
	}
	s := f.flowing(p, volts)
	if err := f.set(p, s); err != nil {
		return none, err
	}
	if err := f.run(f.settles(p)); err != nil {
		return none, err
	}
	return s, f.flows(p, s.Current)
}

// flows demands that p gives current, and says that it is on.
func (f *Fixture) flows(p instrument, want drivers.Microamps) error {
	_, amps, state, err := f.reading(p)
	if err != nil {
		return err
	}
	// The regulation and the reading may each be off by the declared error.
	tolerance := drivers.Microamps(2*p.spec.CurrentAcc.At(int64(want))) + 2*p.spec.CurrentStep
	if amps < want-tolerance || amps > want+tolerance {
		return fmt.Errorf("%s: set to %d uA it gives %d uA; within %d uA was declared", p.role, want, amps, tolerance)
	}
	if state&drivers.PowerOn == 0 {
		return fmt.Errorf("%s: gives %d uA and its state %#x does not say on", p.role, amps, state)
	}
	return nil
}

// stays demands no current and no PowerOn now and for a while.
func (f *Fixture) stays(p instrument, bits int32) error {
	for range 5 {
		_, amps, state, err := f.reading(p)
		if err != nil {
			return err
		}
		if none := p.none(); amps > none || amps < -none {
			return fmt.Errorf("%s: gives %d uA when off; at most %d uA was declared", p.role, amps, none)
		}
		if state&drivers.PowerOn != 0 || state&bits != bits {
			return fmt.Errorf("%s: state is %#x; want off and bits %#x", p.role, state, bits)
		}
		if err := f.run(f.settles(p) / 4); err != nil {
			return err
		}
	}
	return nil
}

func checkUnarmed(f *Fixture, p instrument) error {
	err := f.set(p, drivers.Setpoint{On: true, Current: p.spec.CurrentStep, Voltage: p.spec.VoltageStep})
	if err := refused("set before arming", err, drivers.ErrRefused); err != nil {
		return err
	}
	if err := f.run(f.settles(p)); err != nil {
		return err
	}
	return f.stays(p, 0)
}

func checkArm(f *Fixture, p instrument) error {
	full := p.full()
	for _, want := range []drivers.Protection{
		full,
		{VoltageMax: full.VoltageMax/2 + p.spec.VoltageStep/3, CurrentMax: full.CurrentMax/3 + p.spec.CurrentStep/3, CommTimeout: full.CommTimeout / 2},
	} {
		got, err := f.arm(p, want)
		if err != nil {
			return err
		}
		if got.VoltageMax > want.VoltageMax || got.VoltageMax < want.VoltageMax-p.spec.VoltageStep ||
			got.CurrentMax > want.CurrentMax || got.CurrentMax < want.CurrentMax-p.spec.CurrentStep {
			return fmt.Errorf("%s: armed %+v reads back %+v; want it within a step, and not above", p.role, want, got)
		}
		if want.CommTimeout > 0 && (got.CommTimeout <= 0 || got.CommTimeout > want.CommTimeout) {
			return fmt.Errorf("%s: communication timeout %d us reads back %d us", p.role, want.CommTimeout, got.CommTimeout)
		}
	}
	// An instrument cannot guard what it cannot reach: it must not promise it.
	wide := drivers.Protection{VoltageMax: 2 * full.VoltageMax, CurrentMax: 2 * full.CurrentMax}
	var got drivers.Protection
	err := f.call(func(ctx context.Context) (err error) { got, err = p.Arm(ctx, wide); return err })
	if err != nil {
		return refused("arming beyond the ranges", err, drivers.ErrRefused)
	}
	if got.VoltageMax > full.VoltageMax || got.CurrentMax > full.CurrentMax {
		return fmt.Errorf("%s: arming beyond its ranges reads back %+v; its ranges are %+v", p.role, got, full)
	}
	return nil
}

func checkRange(f *Fixture, p instrument) error {
	if _, err := f.arm(p, p.full()); err != nil {
		return err
	}
	for _, s := range []drivers.Setpoint{
		{On: true, Current: p.spec.CurrentMax + p.spec.CurrentStep, Voltage: p.spec.VoltageMax / 2},
		{On: true, Current: -p.spec.CurrentStep, Voltage: p.spec.VoltageMax / 2},
		{On: true, Current: p.spec.CurrentStep, Voltage: p.spec.VoltageMax + p.spec.VoltageStep},
		{On: true, Current: p.spec.CurrentStep, Voltage: -p.spec.VoltageStep},
	} {
		if err := refused(fmt.Sprintf("set %+v", s), f.set(p, s), drivers.ErrRefused); err != nil {
			return err
		}
	}
	if err := f.run(f.settles(p)); err != nil {
		return err
	}
	return f.stays(p, 0)
}

func checkSet(f *Fixture, p instrument) error {
	s, err := f.start(p)
	if err != nil {
		return err
	}
	for range 2 {
		if err := f.set(p, s); err != nil {
			return err
		}
		if err := f.run(f.settles(p)); err != nil {
			return err
		}
		if err := f.flows(p, s.Current); err != nil {
			return err
		}
	}
	s.Current /= 2
	if err := f.set(p, s); err != nil {
		return err
	}
	if err := f.run(f.settles(p)); err != nil {
		return err
	}
	return f.flows(p, s.Current)
}

func checkHaltCurrent(f *Fixture, p instrument) error {
	s, err := f.start(p)
	if err != nil {
		return err
	}
	for range 2 {
		if err := f.call(p.Halt); err != nil {
			return fmt.Errorf("%s: halt: %w", p.role, err)
		}
	}
	wait := p.spec.Delay + 3*f.period()
	if p.spec.Slew > 0 {
		wait += drivers.Span(int64(s.Current) * int64(drivers.Second) / int64(p.spec.Slew))
	}
	if err := f.run(wait); err != nil {
		return err
	}
	return f.stays(p, 0)
}

func checkHaltOvertakes(f *Fixture, p instrument) error {
	volts, err := f.connect()
	if err != nil {
		return err
	}
	if _, err := f.arm(p, p.full()); err != nil {
		return err
	}
	for range 3 {
		if err := f.set(p, f.flowing(p, volts)); err != nil {
			return err
		}
	}
	if err := f.call(p.Halt); err != nil {
		return fmt.Errorf("%s: halt: %w", p.role, err)
	}
	if err := f.run(f.period()); err != nil {
		return err
	}
	return f.stays(p, 0)
}

func checkSetOff(f *Fixture, p instrument) error {
	s, err := f.start(p)
	if err != nil {
		return err
	}
	s.On = false
	if err := f.set(p, s); err != nil {
		return err
	}
	if err := f.run(f.settles(p)); err != nil {
		return err
	}
	return f.stays(p, 0)
}
