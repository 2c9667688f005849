//go:build unix

package bench_test

import (
	"fmt"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
)

// dayProfile takes about a day: charge, rest, pulses and discharge, three times.
const dayProfile = `
profile: day
title: a day of everything
expect_start: 40 %
steps:
  - close
  - repeat:
      label: day
      times: 3
      steps:
        - charge: {current: C/2, hold: 3.46 V/cell, taper: C/20}
        - rest: 1 h
        - discharge: {label: to half, current: C/2, for: 1 h}
        - rest: {label: at half, for: 1 h}
        - pulse: {label: out, discharge: 1 C, for: 10 s, use: resistance}
        - rest: {label: after out, for: 10 min}
        - pulse: {label: in, charge: 1 C, for: 10 s, use: resistance}
        - rest: {label: after in, for: 10 min}
        - discharge: {label: to the end, current: C/3, cell_end: 2.80 V/cell}
        - rest: {label: empty, for: 90 min}
`

// daySetup is the shipped module and bench with as many cells. Where these are
// more than the shipped ones, every eighth has a thermometer, and the taps are so
// exact that their sum still tells of one that is wrong.
func daySetup(t testing.TB, cells int) setup {
	if cells == 24 {
		return newSetup(t, shippedModule(t), shippedBench(t), dayProfile)
	}
	var sensors []string
	for k := 4; k <= cells; k += 8 {
		sensors = append(sensors, fmt.Sprint(k))
	}
	volts := min(4*cells, 2000)
	m := shippedModule(t,
		"series: 24", fmt.Sprintf("series: %d", cells),
		"cell_max: 3.60", "cell_max: 3.51", "cell_min: 2.55", "cell_min: 2.65",
		"3 degC to 42 degC", "5 degC to 40 degC", "pause_above: 38", "pause_above: 36",
		"[2, 6, 11, 14, 19, 23]", "["+strings.Join(sensors, ", ")+"]")
	b := shippedBench(t,
		"cells: 24", fmt.Sprintf("cells: %d", cells),
		"step: 0.1 mV, accuracy: 0.5 mV", "step: 0.02 mV, accuracy: 0.05 mV", "0.005 % + 2 mV", "0.001 % + 2 mV", "47 kOhm", "1 MOhm", "close_within: 1 V", "close_within: 4 V",
		"temperatures: 6", fmt.Sprintf("temperatures: %d", len(sensors)),
		"max: 100 V", fmt.Sprintf("max: %d V", volts),
		"power_max: 5 kW", fmt.Sprintf("power_max: %d kW", volts*60/1000),
		"power_max: 6 kW", fmt.Sprintf("power_max: %d kW", volts*60/1000))
	return newSetup(t, m, b, dayProfile)
}

// BenchmarkDay runs about a day of a module on one processor, everything on:
// physics, instruments, loop, machine, guard and the record on disk, synced. It
// prints how much faster than real time that is, what a frame costs, and the
// first by the processor's time, which other work on it does not lengthen.
func BenchmarkDay(b *testing.B) {
	for _, cells := range []int{24, 512} {
		b.Run(fmt.Sprintf("cells=%d", cells), func(b *testing.B) {
			defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
			s := daySetup(b, cells)
			var rig drivers.Span
			frames, before := uint64(0), processorTime(b)
			for b.Loop() {
				info := recordDay(b, s)
				rig, frames = rig+info.LastFrame.Sub(began), frames+info.Frames
			}
			spent, busy := b.Elapsed(), processorTime(b)-before
			b.ReportMetric(float64(rig)/1e6/spent.Seconds(), "x_real")
			b.ReportMetric(float64(rig)/1e6/busy.Seconds(), "x_real_cpu")
			b.ReportMetric(float64(spent.Nanoseconds())/float64(frames), "ns/frame")
			b.ReportMetric(float64(rig)/float64(drivers.Hour)/float64(b.N), "h")
		})
	}
}

// processorTime is what this process has used so far, the kernel's part included.
func processorTime(t testing.TB) time.Duration {
	var u syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// recordDay runs a setup's plan into a store of its own and returns its entry.
func recordDay(t testing.TB, s setup) store.RunInfo {
	st, err := store.Open(filepath.Join(t.TempDir(), "day.db"), store.Options{})
	require.NoError(t, err)
	text, digest, err := profiles.Canonical(s.plan)
	require.NoError(t, err)
	rec, err := st.Begin(store.Run{
		Bench: s.plan.Bench.Name, Module: s.plan.Module, Profile: s.plan.Profile, Layout: &s.plan.Layout,
		Plan: text, PlanDigest: digest, Start: began, Who: "test engineer", Virtual: true,
	})
	require.NoError(t, err)

	x := s.open(t)
	x.virtual.Close()
	v := bench.NewVirtual(x.rig, bench.Options{Name: s.plan.Bench.Name, Latches: x.latches})
	require.NoError(t, v.Start(t.Context(), bench.StartRequest{
		Run: rec.ID(), Plan: s.plan, PlanDigest: digest, Journal: rec, Who: "test engineer",
		Finished: func(e bench.Ending) { x.ended <- e },
	}))
	var e bench.Ending
	select {
	case e = <-x.ended:
	case <-time.After(10 * time.Minute):
		require.FailNow(t, "the run does not end")
	}
	require.NoError(t, v.Close())
	require.Equal(t, machine.OutcomeDone, e.Outcome, e.Reason)
	require.NoError(t, rec.Finish(e.Outcome, e.Reason, e.At))
	info, err := st.Run(rec.ID())
	require.NoError(t, err)
	require.NoError(t, st.Close())
	require.Greater(t, info.LastFrame.Sub(began), 20*drivers.Hour)
	return info
}
