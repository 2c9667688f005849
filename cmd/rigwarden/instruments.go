package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/canbus"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/modbus"
	"github.com/rigwarden/rigwarden/drivers/plugin"
	"github.com/rigwarden/rigwarden/drivers/scpi"
	"github.com/rigwarden/rigwarden/profiles"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// instruments are a bench's drivers, opened. Opening sends nothing that
// energises; most drivers connect with their first call.
type instruments struct {
	set     drivers.Set
	close   []func() error
	missing map[string]error // roles whose driver could not be opened
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
	b := &o.file.Bench.Bench
	plugins := map[string][]string{} // roles by address
	for _, d := range devicesOf(b) {
		if d.driver == profiles.DriverPlugin {
			plugins[d.address] = append(plugins[d.address], d.role)
			continue
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
	return in
}

// open opens the driver of one role that is not a plugin's.
func (in *instruments) open(o opening, role string) error {
	b := &o.file.Bench.Bench
	w := b.Wires()[role]
	switch w.Driver {
	case profiles.DriverSCPI:
		return in.openSCPI(o, role, w)
	case profiles.DriverCAN:
		m, err := o.file.signals(w)
		if err != nil {
			return err
		}
		d, err := canbus.New(canbus.Options{Address: w.Address, Map: m, Expect: w.Expect, Now: o.now, Notice: o.notice}, b.Monitor)
		if err != nil {
			return err
		}
		in.set.Monitor, in.close = d, append(in.close, d.Close)
	case profiles.DriverModbus:
		m, err := o.file.registers(w)
		if err != nil {
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
	for _, role := range []string{"monitor", "supply", "load", "box", "meter"} {
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

// maps returns the digests of the files that the bench file names, by role.
func (f *benchFile) maps() map[string]string {
	out := map[string]string{}
	for role, w := range f.Bench.Wires() {
		if w.Map == "" {
			continue
		}
		if _, text, err := f.mapText(w); err == nil {
			sum := sha256.Sum256(text)
			out[role] = hex.EncodeToString(sum[:])
		}
	}
	return out
}

// mapText is the file that a wire's map names: a shipped one, or a path seen
// from the bench file.
func (f *benchFile) mapText(w *drivers.Wire) (name string, text []byte, err error) {
	shipped := map[string]struct {
		get   func(string) ([]byte, bool)
		names func() []string
	}{
		profiles.DriverSCPI: {scpi.Shipped, scpi.Names}, profiles.DriverCAN: {canbus.Shipped, canbus.Names}, profiles.DriverModbus: {modbus.Shipped, modbus.Names},
	}[w.Driver]
	if !strings.ContainsAny(w.Map, `/\.`) {
		text, ok := shipped.get(w.Map)
		if !ok {
			return "", nil, fmt.Errorf("no shipped file is called %q; one of %s, or a path to a file of yours", w.Map, strings.Join(shipped.names(), ", "))
		}
		return w.Map + ".yaml", text, nil
	}
	path := f.beside(w.Map)
	text, err = os.ReadFile(path)
	return w.Map, text, err
}

// beside is a path as seen from the bench file.
func (f *benchFile) beside(path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(f.arg), path)
}

func (f *benchFile) dialect(w *drivers.Wire) (*scpi.Dialect, error) {
	name, text, err := f.mapText(w)
	if err != nil {
		return nil, err
	}
	d, ps := scpi.ParseDialect(name, text)
	return d, tree.Error(ps)
}

func (f *benchFile) registers(w *drivers.Wire) (*modbus.Map, error) {
	name, text, err := f.mapText(w)
	if err != nil {
		return nil, err
	}
	m, ps := modbus.ParseMap(name, text)
	return m, tree.Error(ps)
}

func (f *benchFile) signals(w *drivers.Wire) (*canbus.Map, error) {
	name, text, err := f.mapText(w)
	if err != nil {
		return nil, err
	}
	spec := &f.Bench.Monitor
	dbc := canbus.ShippedDBC(spec.Cells, spec.Temps)
	if strings.ContainsAny(w.Map, `/\.`) {
		dbc = func(file string) (string, []byte, error) {
			path := file
			if !filepath.IsAbs(file) {
				path = filepath.Join(filepath.Dir(f.beside(w.Map)), file)
			}
			text, err := os.ReadFile(path)
			return file, text, err
		}
	}
	m, ps := canbus.ParseMap(name, text, dbc)
	if len(ps) == 0 {
		ps = canbus.Check(m, *spec)
	}
	return m, tree.Error(ps)
}

// problems are the mistakes in the files that the bench file names.
func (f *benchFile) problems() error {
	var errs []error
	for _, d := range devicesOf(&f.Bench.Bench) {
		w := f.Bench.Wires()[d.role]
		var err error
		switch w.Driver {
		case profiles.DriverSCPI:
			_, err = f.dialect(w)
		case profiles.DriverCAN:
			_, err = f.signals(w)
		case profiles.DriverModbus:
			_, err = f.registers(w)
		}
		if err != nil && !slices.ContainsFunc(errs, func(e error) bool { return e.Error() == err.Error() }) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}
