package drivertest

import (
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

func checkOwnLimit(f *Fixture, p instrument) error {
	volts, err := f.connect()
	if err != nil {
		return err
	}
	s := f.flowing(p, volts)
	limits := p.full()
	limits.CurrentMax = s.Current / 2
	if _, err := f.arm(p, limits); err != nil {
		return err
	}
	if err := f.set(p, s); err != nil {
		return refused("set over the armed limit", err, drivers.ErrRefused)
	}
	if err := f.run(f.settles(p)); err != nil {
		return err
	}
	if err := f.stays(p, drivers.PowerTripped); err != nil {
		return fmt.Errorf("over the armed limit: %w", err)
	}
	if err := refused("set after a trip", f.set(p, s), drivers.ErrRefused); err != nil {
		return err
	}
	return f.again(p, s)
}

// again demands that arming brings an instrument back, and nothing by itself.
func (f *Fixture) again(p instrument, s drivers.Setpoint) error {
	if _, err := f.arm(p, p.full()); err != nil {
		return err
	}
	if err := f.run(f.settles(p)); err != nil {
		return err
	}
	if err := f.stays(p, 0); err != nil {
		return fmt.Errorf("after arming again: %w", err)
	}
	if err := f.set(p, s); err != nil {
		return err
	}
	if err := f.run(f.settles(p)); err != nil {
		return err
	}
	return f.flows(p, s.Current)
}

func checkSilence(f *Fixture, p instrument) error {
	timeout := f.silence(p.spec.CommTimeout)
	if timeout <= 0 {
		return skip("the %s has no communication timeout", p.role)
	}
	s, err := f.start(p)
	if err != nil {
		return err
	}
	// In touch for three times the timeout, current flows.
	if err := f.run(3 * timeout); err != nil {
		return err
	}
	if err := f.flows(p, s.Current); err != nil {
		return fmt.Errorf("in contact: %w", err)
	}
	f.Advance(timeout + f.settles(p))
	if err := f.stays(p, drivers.PowerLeaseOut); err != nil {
		return fmt.Errorf("after silence: %w", err)
	}
	if err := refused("set after silence", f.set(p, s), drivers.ErrLease); err != nil {
		return err
	}
	if f.Set.Box != nil && f.silence(f.Bench.Box.Heartbeat) > 0 {
		// The box has dropped out too: make the path anew.
		if _, err := f.connect(); err != nil && !errors.Is(err, ErrSkip) {
			return err
		}
	}
	return f.again(p, s)
}

func checkVoltage(f *Fixture, p instrument) error {
	volts, err := f.connect()
	if err != nil {
		return err
	}
	if _, err := f.arm(p, p.full()); err != nil {
		return err
	}
	s := f.flowing(p, volts)
	// On the wrong side of what is connected: nothing can flow.
	s.Voltage = volts * 9 / 10
	if p.role == RoleLoad {
		s.Voltage = min(volts*11/10, p.spec.VoltageMax)
	}
	if err := f.set(p, s); err != nil {
		return err
	}
	if err := f.run(f.settles(p)); err != nil {
		return err
	}
	_, amps, state, err := f.reading(p)
	if err != nil {
		return err
	}
	if amps > p.none() {
		return fmt.Errorf("%s: bound to %d uV with %d uV connected, it gives %d uA", p.role, s.Voltage, volts, amps)
	}
	if state&(drivers.PowerOn|drivers.PowerVoltage) != drivers.PowerOn|drivers.PowerVoltage {
		return fmt.Errorf("%s: held by its voltage bound, its state %#x does not say so", p.role, state)
	}
	return nil
}
