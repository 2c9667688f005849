package drivertest

import (
	"context"
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

var monitorChecks = []Check{
	{"monitor/shape", "a reading has a value for every declared cell, temperature and bleed word", monitored(checkShape)},
	{"monitor/bleed", "exactly the cells that are told to bleed do, and halt stops them", monitored(checkBleed)},
	{"monitor/refused", "bleed commands for neighbours, missing cells or words are refused and change nothing", monitored(checkBleedRefused)},
	{"monitor/timeout", "bleeding ends by itself when nobody renews the command", monitored(checkBleedTimeout)},
}

func monitored(do func(*Fixture) error) func(*Fixture) error {
	return func(f *Fixture) error {
		if f.Set.Monitor == nil {
			return skip("there is no monitor")
		}
		return do(f)
	}
}

func (f *Fixture) monitorReading() (r drivers.MonitorReading, err error) {
	err = f.call(func(ctx context.Context) error { return f.Set.Monitor.Read(ctx, &r) })
	if err != nil {
		return r, fmt.Errorf("monitor: read: %w", err)
	}
	return r, nil
}

func checkShape(f *Fixture) error {
	if err := f.run(2 * f.period()); err != nil {
		return err
	}
	r, err := f.monitorReading()
	if err != nil {
		return err
	}
	m := &f.Bench.Monitor
	if len(r.Cells) != m.Cells || len(r.Temps) != m.Temps || len(r.Bleeding) != (m.Cells+15)/16 {
		return fmt.Errorf("monitor: %d cells, %d temperatures, %d bleed words; declared are %d, %d, %d",
			len(r.Cells), len(r.Temps), len(r.Bleeding), m.Cells, m.Temps, (m.Cells+15)/16)
	}
	if i := slices.Index(r.Cells, drivers.NoReading); i >= 0 {
		return fmt.Errorf("monitor: cell %d gives no reading", i+1)
	}
	if i := slices.Index(r.Temps, drivers.NoReading); i >= 0 {
		return fmt.Errorf("monitor: temperature %d gives no reading", i+1)
	}
	if r.Current == drivers.NoReading {
		return fmt.Errorf("monitor: its current gives no reading")
	}
	return nil
}

// bleeding demands that exactly these words are reported.
func (f *Fixture) bleeding(want []int32) error {
	if err := f.run(2 * f.period()); err != nil {
		return err
	}
	r, err := f.monitorReading()
	if err != nil {
		return err
	}
	if !slices.Equal(r.Bleeding, want) {
		return fmt.Errorf("monitor: bleeds %#x; want %#x", r.Bleeding, want)
	}
	return nil
}

func (f *Fixture) bleed(words []int32) error {
	return f.call(func(ctx context.Context) error { return f.Set.Monitor.Bleed(ctx, words) })
}

// words makes bleed words with the given cells (from 0).
func (f *Fixture) words(cells ...int) []int32 {
	w := make([]int32, (f.Bench.Monitor.Cells+15)/16)
	for _, c := range cells {
		w[c/16] |= 1 << (c % 16)
	}
	return w
}

func checkBleed(f *Fixture) error {
	m := &f.Bench.Monitor
	if m.Bleed == 0 {
		return refused("bleed without bleed resistors", f.bleed(f.words(0)), drivers.ErrRefused)
	}
	last := m.Cells - 1
	for _, w := range [][]int32{f.words(0), f.words(last), f.words(0), f.words()} {
		if err := f.bleed(w); err != nil {
			return fmt.Errorf("monitor: bleed %#x: %w", w, err)
		}
		if err := f.bleeding(w); err != nil {
			return err
		}
	}
	if err := f.bleed(f.words(last)); err != nil {
		return fmt.Errorf("monitor: bleed: %w", err)
	}
	if err := f.call(f.Set.Monitor.Halt); err != nil {
		return fmt.Errorf("monitor: halt: %w", err)
	}
	return f.bleeding(f.words())
}

func checkBleedRefused(f *Fixture) error {
	m := &f.Bench.Monitor
	if m.Bleed == 0 {
		return skip("the monitor has no bleed resistors")
	}
	if err := f.bleed(f.words(0)); err != nil {
		return fmt.Errorf("monitor: bleed: %w", err)
	}
	bad := map[string][]int32{"a word too many": append(f.words(), 0), "a word too few": f.words()[1:]}
	if room := m.Cells % 16; room != 0 {
		w := f.words()
		w[len(w)-1] = 1 << room
		bad["a cell too many"] = w
	}
	if !m.BleedNeighbours && m.Cells > 1 {
		bad["neighbours"] = f.words(0, 1)
	}
	if !m.BleedNeighbours && m.Cells > 16 {
		bad["neighbours across words"] = f.words(15, 16)
	}
	for what, w := range bad {
		if err := refused(what, f.bleed(w), drivers.ErrRefused); err != nil {
			return err
		}
	}
	return f.bleeding(f.words(0))
}

func checkBleedTimeout(f *Fixture) error {
	m := &f.Bench.Monitor
	if m.Bleed == 0 || m.BleedTimeout <= 0 {
		return skip("the monitor does not bleed, or bleeds without end")
	}
	if err := f.bleed(f.words(0)); err != nil {
		return fmt.Errorf("monitor: bleed: %w", err)
	}
	if err := f.run(m.BleedTimeout / 2); err != nil {
		return err
	}
	if err := f.bleeding(f.words(0)); err != nil {
		return fmt.Errorf("half-way to the timeout: %w", err)
	}
	if err := f.run(m.BleedTimeout + 2*f.period()); err != nil {
		return err
	}
	return f.bleeding(f.words())
}
