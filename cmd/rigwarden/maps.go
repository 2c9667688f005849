package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/canbus"
	"github.com/rigwarden/rigwarden/drivers/modbus"
	"github.com/rigwarden/rigwarden/drivers/scpi"
	"github.com/rigwarden/rigwarden/profiles"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// wires are how all that the bench file names is reached, by role.
func (f *benchFile) wires() map[string]*drivers.Wire {
	out := f.Bench.Wires()
	if f.Thermometers != nil {
		out["thermometers"] = &f.Thermometers.Wire
	}
	if f.Insulation != nil {
		out["insulation"] = &f.Insulation.Wire
	}
	return out
}

// monitor describes the cell monitor alone, without what a temperature module
// adds to it.
func (f *benchFile) monitor() drivers.MonitorSpec {
	m := f.Bench.Monitor
	m.Temps = f.MonitorTemps()
	return m
}

// points opens a module that only measures.
func (f *benchFile) points(w *drivers.Wire, now func() drivers.Instant) (*modbus.Points, error) {
	m, err := f.registers(w)
	if err != nil {
		return nil, err
	}
	return modbus.NewPoints(modbus.Options{Address: w.Address, Map: m, Expect: w.Expect, Now: now})
}

// maps returns the digests of the files that the bench file names, by role. That
// of a signal map covers the DBC file too: the steps of its readings stand there.
func (f *benchFile) maps() map[string]string {
	out := map[string]string{}
	for role, w := range f.wires() {
		if w.Map == "" {
			continue
		}
		name, text, err := f.mapText(w)
		if err != nil {
			continue
		}
		sum := sha256.New()
		sum.Write(text)
		if w.Driver == profiles.DriverCAN {
			// What is wrong in them is told where they are opened.
			_, _ = canbus.ParseMap(name, text, func(file string) (string, []byte, error) {
				name, dbc, err := f.dbc(w)(file)
				sum.Write(dbc)
				return name, dbc, err
			})
		}
		out[role] = hex.EncodeToString(sum.Sum(nil))
	}
	return out
}

// fingerprint is the digest of the bench file and of all files that it names.
func (f *benchFile) fingerprint() string {
	sum := sha256.New()
	sum.Write(f.text)
	files := f.maps()
	for _, role := range slices.Sorted(maps.Keys(files)) {
		fmt.Fprintf(sum, "\n%s %s", role, files[role])
	}
	return hex.EncodeToString(sum.Sum(nil))
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
	m, ps := canbus.ParseMap(name, text, f.dbc(w))
	if len(ps) == 0 {
		ps = canbus.Check(m, f.monitor())
	}
	return m, tree.Error(ps)
}

// dbc finds the DBC file that a signal map names: a shipped one beside a shipped
// map, or a path seen from the map.
func (f *benchFile) dbc(w *drivers.Wire) func(file string) (name string, text []byte, err error) {
	if !strings.ContainsAny(w.Map, `/\.`) {
		spec := f.monitor()
		return canbus.ShippedDBC(spec.Cells, spec.Temps)
	}
	return func(file string) (string, []byte, error) {
		path := file
		if !filepath.IsAbs(file) {
			path = filepath.Join(filepath.Dir(f.beside(w.Map)), file)
		}
		text, err := os.ReadFile(path)
		return file, text, err
	}
}

// problems are the mistakes in the files that the bench file names.
func (f *benchFile) problems() error {
	var errs []error
	for _, d := range devicesOf(f.Bench) {
		w := f.wires()[d.role]
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
