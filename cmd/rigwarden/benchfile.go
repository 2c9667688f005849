package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
)

// benchFile is a bench file that was read and holds no mistake.
type benchFile struct {
	name string // as messages call it
	arg  string // names it to another process of this program
	text []byte
	*profiles.Bench
}

// readBench reads the bench file at a path, or the shipped one of that name.
func readBench(arg string) (*benchFile, error) {
	f := &benchFile{name: arg, arg: arg}
	var err error
	if _, serr := os.Stat(arg); serr != nil && !strings.ContainsAny(arg, `/\.`) {
		f.name = arg + ".yaml"
		if f.text, err = profiles.LibraryBench(arg); err != nil {
			return nil, usagef("--bench %s is neither a file nor a shipped bench: %w", arg, err)
		}
	} else {
		src, err := readFile(arg)
		if err != nil {
			return nil, err
		}
		f.text = src.GetContent()
		if f.arg, err = filepath.Abs(arg); err != nil {
			return nil, usagef("%w", err)
		}
	}
	b, ps := profiles.ParseBench(f.name, f.text)
	if len(ps) > 0 {
		e := &service.Error{Kind: service.KindInvalid, What: f.name + " is no bench file", Want: "put right what is listed"}
		for _, p := range ps {
			e.Problems = append(e.Problems, service.Problem{File: p.File, Line: p.Line, Column: p.Col, What: p.What, Want: p.Right})
		}
		return nil, e
	}
	f.Bench = b
	return f, nil
}

// isVirtual says whether the bench's instruments are physics only; a file that
// mixes them with real ones was refused.
func isVirtual(b *profiles.Bench) bool { return b.Supply.Driver == profiles.DriverVirtual }

// device is where an instrument is reached.
type device struct{ role, driver, address string }

func devicesOf(b *profiles.Bench) []device {
	var out []device
	for _, in := range b.Instruments() {
		out = append(out, device{in.Role, in.Driver, in.Address})
	}
	return out
}

// distinct refuses two benches of one name, and two benches that would command
// one device: each would undo the other's halts. Within a bench one device may
// fill several roles.
func distinct(files []*benchFile) error {
	names := map[string]*benchFile{}
	devices := map[string]string{}
	for _, f := range files {
		if other, ok := names[f.Name]; ok {
			return usagef("%s and %s are both named %q; a name of its own for each bench would be right", other.name, f.name, f.Name)
		}
		names[f.Name] = f
		for _, d := range devicesOf(f.Bench) {
			if d.address == "" {
				continue // virtual: each bench has its own
			}
			key := d.driver + " " + d.address
			if other, ok := devices[key]; ok && other != f.Name {
				return usagef("benches %s and %s both name the device %s; an instrument belongs to one bench", other, f.Name, key)
			}
			devices[key] = f.Name
		}
	}
	return nil
}

// describe is a bench in a line for people.
func (f *benchFile) describe() string {
	return fmt.Sprintf("%s (%s, %d cells, %d temperatures)", f.Name, f.name, f.Monitor.Cells, f.Monitor.Temps)
}
