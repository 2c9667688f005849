package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/canbus"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/modbus"
	"github.com/rigwarden/rigwarden/drivers/plugin"
	"github.com/rigwarden/rigwarden/drivers/scpi"
	"github.com/rigwarden/rigwarden/profiles"
)

// instruments are a bench's drivers, opened. Opening sends nothing that
// energises; most drivers connect with their first call.
type instruments struct {
	set drivers.Set
	// insulation is the bench's insulation monitor, nil where it has none.
	insulation *modbus.Points
	close      []func() error
	missing    map[string]error // roles whose driver could not be opened
}

// opening is what drivers are opened with.
type opening struct {
	file   *benchFile
	now    func() drivers.Instant
	alive  *host.Alive       // nil: no lease, as in a check
	notice func(text string) // told what a person should know
}

// openInstruments opens every instrument of a wired bench. What fails is in
// missing; the others are opened all the same, so that everything that is wrong
// is found at once.
func openInstruments(ctx context.Context, o opening) *instruments {
	in := &instruments{missing: map[string]error{}}
	plugins := map[string][]string{} // roles by address
	for _, d := range devicesOf(o.file.Bench) {
		if d.driver == profiles.DriverPlugin {
			plugins[d.address] = append(plugins[d.address], d.role)
			continue
		}
		if d.role == "thermometers" {
			continue // with the monitor
		}
		if err := in.open(o, d.role); err != nil {
			in.missing[d.role] = fmt.Errorf("%s: %w", d.role, err)
		}
	}
	for address, roles := range plugins {
		p, err := plugin.Open(ctx, pluginOptions(o, address, roles))
		if err != nil {
			for _, r := range roles {
				in.missing[r] = fmt.Errorf("%s: %w", r, err)
			}
			continue
		}
		in.close = append(in.close, func() error { p.Close(); return nil })
		in.add(p.Set())
	}
	if err := in.addThermometers(o); err != nil {
		in.missing["thermometers"] = fmt.Errorf("thermometers: %w", err)
	}
	return in
}

// addThermometers puts a temperature module into the monitor's readings.
func (in *instruments) addThermometers(o opening) error {
	t := o.file.Thermometers
	if t == nil || in.set.Monitor == nil {
		return nil
	}
	p, err := o.file.points(&t.Wire, o.now)
	if err != nil {
		return err
	}
	m, err := modbus.WithThermometers(in.set.Monitor, p, modbus.ThermometerOptions{
		Sensors: t.Sensors, Temps: o.file.Monitor.Temps, Step: o.file.Monitor.TempStep, Period: t.Period, MaxAge: t.MaxAge(), Now: o.now,
	})
	if err != nil {
		return errors.Join(err, p.Close())
	}
	in.set.Monitor, in.close = m, append([]func() error{m.Close, p.Close}, in.close...)
	return nil
}

// open opens the driver of one role that is not a plugin's.
func (in *instruments) open(o opening, role string) error {
	b := &o.file.Bench.Bench
	w := o.file.wires()[role]
	switch w.Driver {
	case profiles.DriverSCPI:
		return in.openSCPI(o, role, w)
	case profiles.DriverCAN:
		m, err := o.file.signals(w)
		if err != nil {
			return err
		}
		address := w.Address
		if log, ok := strings.CutPrefix(address, "log:"); ok {
			address = "log:" + o.file.beside(log)
		}
		d, err := canbus.New(canbus.Options{Address: address, Map: m, Expect: w.Expect, Now: o.now, Notice: o.notice}, o.file.monitor())
		if err != nil {
			return err
		}
		in.set.Monitor, in.close = d, append(in.close, d.Close)
	case profiles.DriverModbus:
		m, err := o.file.registers(w)
		if err != nil {
			return err
		}
		if role == "insulation" {
			p, err := o.file.points(w, o.now)
			if err == nil {
				in.insulation, in.close = p, append(in.close, p.Close)
			}
			return err
		}
		d, err := modbus.NewBox(modbus.Options{Address: w.Address, Map: m, Expect: w.Expect, Now: o.now}, b.Box)
		if err != nil {
			return err
		}
		in.set.Box, in.close = d, append(in.close, d.Close)
	default:
		return fmt.Errorf("driver %q is not one for real instruments; a bench has either virtual instruments only or none", w.Driver)
	}
	return nil
}

func (in *instruments) openSCPI(o opening, role string, w *drivers.Wire) error {
	d, err := o.file.dialect(w)
	if err != nil {
		return err
	}
	b := &o.file.Bench.Bench
	opt := scpi.Options{Role: role, Address: w.Address, Dialect: d, Expect: w.Expect, Now: o.now}
	if role == "meter" {
		m, err := scpi.NewMeter(opt, b.Meter)
		if err != nil {
			return err
		}
		in.set.Meter, in.close = m, append(in.close, m.Close)
		return nil
	}
	spec := b.Supply
	if role == "load" {
		spec = b.Load
	}
	p, err := scpi.NewPower(opt, spec)
	if err != nil {
		return err
	}
	in.close = append(in.close, p.Close)
	if role == "load" {
		in.set.Load = p
	} else {
		in.set.Supply = p
	}
	return nil
}

// hostRoles are the host's numbers of the roles.
var hostRoles = map[string]host.Role{
	"supply": host.RoleSupply, "load": host.RoleLoad, "box": host.RoleBox, "monitor": host.RoleMonitor, "meter": host.RoleMeter,
}

func pluginOptions(o opening, address string, roles []string) plugin.Options {
	b := o.file.Bench.Bench
	b.Monitor = o.file.monitor() // thermometers are put in on this side
	p := plugin.Options{Address: address, Bench: b, Now: o.now, Expect: map[host.Role]drivers.Identity{}}
	if o.alive != nil {
		p.Alive, p.Armed = o.alive.Now, o.alive.Armed
	}
	for _, r := range roles {
		p.Roles = append(p.Roles, hostRoles[r])
		p.Expect[hostRoles[r]] = b.Wires()[r].Expect
	}
	return p
}

// add takes over the devices of another set.
func (in *instruments) add(s drivers.Set) {
	if s.Supply != nil {
		in.set.Supply = s.Supply
	}
	if s.Load != nil {
		in.set.Load = s.Load
	}
	if s.Box != nil {
		in.set.Box = s.Box
	}
	if s.Monitor != nil {
		in.set.Monitor = s.Monitor
	}
	if s.Meter != nil {
		in.set.Meter = s.Meter
	}
}

// whole says why the bench cannot be held: every instrument that is missing.
func (in *instruments) whole() error {
	var errs []error
	for _, role := range []string{"monitor", "supply", "load", "box", "meter", "thermometers", "insulation"} {
		if err := in.missing[role]; err != nil {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

func (in *instruments) shut() error {
	var errs []error
	for _, c := range in.close {
		errs = append(errs, c())
	}
	return errors.Join(errs...)
}
