package rehearse

import (
	"bytes"
	"fmt"

	"github.com/rigwarden/rigwarden/profiles"
)

// Quick makes the twin of the shipped practice module: most of a minute that
// visits each state of the machine.
func Quick() (*Twin, error) {
	m, err := profiles.LibraryModule("QK-01")
	if err != nil {
		return nil, err
	}
	b, err := profiles.LibraryBench("practice")
	if err != nil {
		return nil, err
	}
	p, err := profiles.LibraryProfile("quick")
	if err != nil {
		return nil, err
	}
	return Parse(File{"QK-01.yaml", m}, File{"quick.yaml", p}, File{"practice.yaml", b})
}

// brief visits every state of the machine within a quarter of an hour.
const brief = `
profile: brief
title: every state within minutes
expect_start: 93 %
steps:
  - close
  - charge: {label: first charge, current: 1 C, hold: 3.55 V/cell, taper: C/10}
  - rest: {label: rest full, for: 1 min}
  - balance:
      to: 0.3 %
      top_up: {current: C/5, hold: 3.55 V/cell, taper: C/20}
      settle: 1 min
      chunk: 5 min
  - discharge: {current: 1 C, counted: 1.5 Ah}
  - rest: {label: rest lower, for: 1 min}
  - repeat:
      label: pulses
      times: 1
      steps:
        - pulse: {label: out, discharge: 1 C, for: 10 s, use: resistance}
        - rest: {label: after out, for: 30 s}
        - pulse: {label: in, charge: 1 C, for: 10 s, use: resistance}
        - rest: {label: after in, for: 30 s}
`

// Knee makes the twin of the shipped module nearly full, on the shipped bench
// with a stronger bleed: a quarter of an hour at the knee of its curve, where a
// cell runs away fastest.
func Knee() (*Twin, error) {
	m, err := profiles.LibraryModule("KW-01")
	if err != nil {
		return nil, err
	}
	b, err := profiles.LibraryBench("quay-1")
	if err != nil {
		return nil, err
	}
	for _, edit := range [][2]string{
		{"bleed: {resistance: 6.8 Ohm, neighbours: no", "bleed: {resistance: 1 Ohm, neighbours: yes"},
		{"state_of_charge: 40 %", "state_of_charge: 95.5 %"},
		{"state_spread: 3 %", "state_spread: 0.4 %"},
		{"capacity_spread: 3 %", "capacity_spread: 1 %"},
	} {
		if !bytes.Contains(b, []byte(edit[0])) {
			return nil, fmt.Errorf("the shipped bench no longer says %q", edit[0])
		}
		b = bytes.Replace(b, []byte(edit[0]), []byte(edit[1]), 1)
	}
	return Parse(File{"KW-01.yaml", m}, File{"brief.yaml", []byte(brief)}, File{"quay-1.yaml", b})
}

// File is a file's name and text.
type File struct {
	Name string
	Text []byte
}

// Parse reads the three files and makes their twin.
func Parse(module, profile, bench File) (*Twin, error) {
	m, problems := profiles.ParseModule(module.Name, module.Text)
	if err := profiles.Error(problems); err != nil {
		return nil, err
	}
	p, problems := profiles.ParseProfile(profile.Name, profile.Text)
	if err := profiles.Error(problems); err != nil {
		return nil, err
	}
	b, problems := profiles.ParseBench(bench.Name, bench.Text)
	if err := profiles.Error(problems); err != nil {
		return nil, err
	}
	return NewTwin(m, p, b)
}
