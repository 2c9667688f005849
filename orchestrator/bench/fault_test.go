package bench_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

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

// quick is the shipped module and bench nearly full, with a stronger bleed: the
// whole of brief takes minutes.
func quick(t testing.TB) setup {
	t.Helper()
	b := shippedBench(t, "bleed: {resistance: 6.8 Ohm, neighbours: no", "bleed: {resistance: 1 Ohm, neighbours: yes")
	s := newSetup(t, shippedModule(t), b, brief)
	s.config.Article.SoC = 0.95
	s.config.Article.Spread.SoC = 0.003
	s.config.Article.Spread.Capacity = 0.005
	return s
}

// moment is a state of the machine and how long after its beginning a fault is
// placed.
type moment struct {
	name string
	at   drivers.Span // since the bench's start
}

// moments finds when a healthy run of the setup is in each state.
func moments(t testing.TB, s setup) []moment {
	t.Helper()
	x := s.open(t)
	var list []moment
	seen := map[string]bool{}
	mark := func(name string, at drivers.Instant) {
		if !seen[name] {
			seen[name] = true
			list = append(list, moment{name, at.Sub(began)})
		}
	}
	steps := map[string]drivers.Span{
		"first charge": 20 * drivers.Second, "rest full": 20 * drivers.Second,
		"discharge": 20 * drivers.Second, "pulses/out": 4 * drivers.Second,
	}
	label := ""
	x.tape.onRecord = func(at drivers.Instant, r machine.Record) {
		if r.Kind == machine.RecordStep {
			label = x.plan.Steps[r.Step].Label
			if d, ok := steps[label]; ok {
				mark(label, at.Add(d))
			}
		}
	}
	l := x.rig.Layout()
	box, current, bleed := l.Find(drivers.BoxState), l.Find(drivers.ModuleCurrent), l.Bleed(0)
	flowed := false
	x.tape.onFrame = func(f *drivers.Frame) {
		i := drivers.Microamps(l.Channels[current].Scale.Value(f.Counts[current]))
		switch {
		case f.Counts[box]&drivers.BoxPrecharge != 0:
			mark("precharge", f.At.Add(50*drivers.Millisecond))
		case label == "first charge" && i > 39*drivers.Ampere:
			flowed = true
		case label == "first charge" && flowed && i < 25*drivers.Ampere:
			mark("hold", f.At)
		case f.Counts[bleed] != 0:
			mark("bleed", f.At.Add(10*drivers.Second))
		}
	}
	e := x.run()
	require.Equal(t, machine.OutcomeDone, e.Outcome, e.Reason)
	require.Empty(t, x.rig.Excursions())
	require.Len(t, list, 7, "some state was not visited: %v", list)
	return list
}

// struck is what the plant knew when a run with a fault ended.
type struck struct {
	ending  bench.Ending
	trip    *placed // the first, or nil
	out     []virtual.Excursion
	truth   virtual.Truth
	fault   virtual.FaultStatus
	toZero  drivers.Span // from the breaching frame to no true current
	flowing bool
}

// strike runs the setup with one fault.
func strike(t testing.TB, s setup, f virtual.Fault) struck {
	t.Helper()
	s.config.Faults = []virtual.Fault{f}
	x := s.open(t)
	var k struck
	r := x.request()
	r.Finished = func(e bench.Ending) {
		// On the loop's goroutine: the bench's time stands still.
		k.out, k.truth, k.fault = x.rig.Excursions(), x.rig.Truth(), x.rig.FaultStatus()[0]
		x.ended <- e
	}
	require.NoError(t, x.virtual.Start(t.Context(), r))
	k.ending = x.wait()
	require.NoError(t, x.virtual.Close())
	k.flowing = k.truth.Flowing
	if trips := x.tape.records(machine.RecordTrip); len(trips) > 0 {
		k.trip = &trips[0]
		k.toZero = max(0, k.truth.Since.Sub(k.trip.at))
	}
	return k
}

func (k struck) String() string {
	s := fmt.Sprintf("%-8s", k.ending.Outcome)
	if !k.fault.Began {
		return s + " never began"
	}
	if k.trip != nil {
		zero := fmt.Sprintf("zero after %3d ms", k.toZero/drivers.Millisecond)
		if k.flowing {
			zero = "STILL FLOWING"
		}
		s += fmt.Sprintf(" %-20s %7.1f s after the fault, %s", k.trip.Finding.Cause, float64(k.trip.at.Sub(k.fault.Begin))/1e6, zero)
		if !k.ending.Cleared {
			s += ", unproven"
		}
	}
	for _, e := range k.out {
		s += " OUT " + e.String()
	}
	return s + "  | " + k.ending.Trip + k.ending.Reason
}

func TestINV12_SingleFaults(t *testing.T) {
	t.Parallel()
	s := quick(t)
	when := moments(t, s)
	t.Log(when)
	for _, info := range virtual.Faults() {
		t.Run(info.Name, func(t *testing.T) {
			t.Parallel()
			for _, m := range when {
				f := info.Default
				f.When = virtual.Trigger{On: virtual.AfterStart, Span: m.at}
				k := strike(t, s, f)
				t.Logf("%-24s in %-12s: %v", info.Name, m.name, k)
				assert.Empty(t, k.out)
			}
		})
	}
}
