package bench_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// brief visits every state of the machine within a quarter of an hour. It holds
// under what the article's maker allows where that is the wrong one, 3.55 V, by
// more than a tap's error.
const brief = `
profile: brief
title: every state within minutes
expect_start: 93 %
steps:
  - close
  - charge: {label: first charge, current: 1 C, hold: 3.54 V/cell, taper: C/10}
  - rest: {label: rest full, for: 1 min}
  - balance:
      to: 0.3 %
      top_up: {current: C/5, hold: 3.54 V/cell, taper: C/20}
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
	s.config.Article.SoC = 0.955
	s.config.Article.Spread.SoC = 0.002
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
	ending bench.Ending
	trip   *placed // the first, or nil
	cause  string  // the word its sentence begins with
	out    []virtual.Excursion
	truth  virtual.Truth
	fault  virtual.FaultStatus
	after  drivers.Span // from the fault's beginning to the breaching frame
	toZero drivers.Span // from the breaching frame to no true current
}

// strike runs the setup with one fault that begins a span after the start.
func strike(t testing.TB, s setup, f virtual.Fault, at drivers.Span) struck {
	t.Helper()
	f.When = virtual.Trigger{On: virtual.AfterStart, Span: at}
	return suffer(t, s, f)
}

// suffer runs the setup with a fault and its own trigger.
func suffer(t testing.TB, s setup, f virtual.Fault) struck {
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
	if trips := x.tape.records(machine.RecordTrip); len(trips) > 0 {
		k.trip = &trips[0]
		k.cause, _, _ = strings.Cut(k.trip.Text, ":")
		k.toZero = max(0, k.truth.Since.Sub(k.trip.at))
		k.after = k.trip.at.Sub(k.fault.Begin)
	}
	return k
}

func (k struck) String() string {
	s := fmt.Sprintf("%-8s", k.ending.Outcome)
	switch {
	case k.trip != nil:
		s += fmt.Sprintf(" %-20s %6.1f s after the fault, zero after %3d ms", k.cause, float64(k.after)/1e6, k.toZero/drivers.Millisecond)
		if !k.ending.Cleared {
			s += ", not proven by the bench's own sensors"
		}
	case k.ending.Reason != "":
		s += " " + k.ending.Reason
	}
	for _, e := range k.out {
		s += "; OUT " + e.String()
	}
	return s
}

// hardware lists what no software can bound, with the thing that must.
var hardware = map[virtual.FaultKind]struct{ out, by string }{
	// The module feeds a short behind closed contactors for milliseconds.
	virtual.LinkShort:  {"discharge_high", "fuse"},
	virtual.LoadShorts: {"discharge_high", "fuse"},
	// Nothing at rest tells cells of half the size from those that the file means.
	virtual.WrongSize: {"charge_high", "article_interlock"},
}

// variants are faults of the catalogue in other places than by default.
var variants = []string{
	"tap-reads-low offset=80mV", "meter-reads-off offset=2V",
	"driver-hangs device=load", "driver-hangs device=box", "driver-hangs device=monitor", "driver-hangs device=meter",
	"commands-ignored device=load", "commands-ignored device=box", "commands-ignored device=monitor",
	"current-offset device=box", "current-gain device=box", "current-reversed device=box",
	"contactor-welded contactor=negative", "contactor-welded contactor=precharge",
	"contactor-stuck contactor=negative", "contactor-stuck contactor=precharge",
	"frames-stop for=0s", "frames-late delay=300ms",
	// What the cross-checks cannot see, and what they see late.
	"tap-reads-low offset=-17mV", "tap-reads-low offset=0mV drift=-600mV/h",
}

// every is the catalogue with its variants.
func every(t *testing.T) []virtual.Fault {
	t.Helper()
	var list []virtual.Fault
	for _, info := range virtual.Faults() {
		list = append(list, info.Default)
	}
	for _, text := range variants {
		f, err := virtual.ParseFault(text)
		require.NoError(t, err)
		list = append(list, f)
	}
	return list
}

// INV-12: no single fault of the catalogue, whenever it strikes, takes a true
// cell out of the cell maker's limits, and each run ends with no true current.
// Only the plant is asked.
func TestINV12_SingleFaults(t *testing.T) {
	whole(t)
	t.Parallel()
	s := quick(t)
	when := moments(t, s)
	limit := offWithin(s.plan)
	for i, f := range every(t) {
		name := string(f.Kind)
		if n := len(virtual.Faults()); i >= n {
			name = variants[i-n]
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, m := range when {
				if i >= len(virtual.Faults()) && m.name != "first charge" && m.name != "hold" && m.name != "discharge" {
					continue // variants strike while current flows
				}
				k := strike(t, s, f, m.at)
				t.Logf("seed %d, in %-12s: %v", s.config.Seed, m.name, k)
				require.True(t, k.fault.Began, "the fault never began")
				for _, e := range k.out {
					assert.Equal(t, hardware[f.Kind].out, e.What, "in %s: %v", m.name, e)
				}
				assert.False(t, k.truth.Flowing, "in %s: %+v", m.name, k.truth)
				if k.trip == nil {
					ends := []machine.Outcome{machine.OutcomeDone, machine.OutcomeFailed}
					if f.Kind == virtual.WrongCount { // from the start, and seen at rest
						ends = []machine.Outcome{machine.OutcomeRefused}
					}
					assert.Contains(t, ends, k.ending.Outcome, m.name)
					continue
				}
				assert.Equal(t, machine.OutcomeTripped, k.ending.Outcome, m.name)
				assert.LessOrEqual(t, k.toZero, limit, "in %s: from the breaching frame to no true current", m.name)
			}
		})
	}
}

// offWithin is the longest time from a breaching frame to no true current: an
// instrument falls as it declares, or the contactors open under it (INV-03).
func offWithin(p *machine.Plan) drivers.Span {
	b := &p.Bench
	t := b.Box.OpeningTime + b.Box.SwitchTime
	for _, x := range []struct {
		spec *drivers.PowerSpec
		i    drivers.Microamps
	}{{&b.Supply, p.SupplyArm.CurrentMax}, {&b.Load, p.LoadArm.CurrentMax}} {
		t = max(t, x.spec.Delay+drivers.Span(int64(x.i)*int64(drivers.Second)/int64(x.spec.Slew)))
	}
	return t
}

// Faults that nobody may take for success end in a trip that says what was
// wrong, soon, and with no true current.
func TestFaultsTrip(t *testing.T) {
	t.Parallel()
	const ms, second = drivers.Millisecond, drivers.Second
	s := quick(t)
	at := map[string]drivers.Span{}
	for _, m := range moments(t, s) {
		at[m.name] = m.at
	}
	for _, c := range []struct {
		fault, in string // in: empty for the trigger that the fault's text has
		causes    []string
		within    drivers.Span // from the fault to the breaching frame
		named     bool         // the finding names the fault's own channel
	}{
		{"tap-reads-low", "first charge", []string{"lone_cell"}, second, true},
		{"tap-reads-low", "hold", []string{"lone_cell"}, second, true},
		{"tap-reads-low", "bleed", []string{"sum_mismatch"}, second, false},
		{"tap-open", "first charge", []string{"missing"}, 200 * ms, true},
		{"sensor-freezes", "first charge", []string{"frozen", "sum_mismatch"}, 60 * second, false},
		{"sensor-freezes", "hold", []string{"frozen", "sum_mismatch"}, 60 * second, false},
		{"temp-open", "hold", []string{"missing"}, 1100 * ms, true},
		{"temp-short", "hold", []string{"impossible"}, 1100 * ms, true},
		{"current-reversed", "first charge", []string{"current_uncommanded"}, 500 * ms, false},
		{"current-gain", "hold", []string{"current_mismatch"}, 600 * ms, false},
		{"current-offset", "hold", []string{"current_uncommanded", "current_mismatch"}, 600 * ms, false},
		{"meter-reads-off", "discharge", []string{"sum_mismatch"}, 600 * ms, false},
		{"frames-stop", "first charge", []string{"silence"}, 600 * ms, false},
		{"frames-stop", "pulses/out", []string{"silence"}, 600 * ms, false},
		{"frames-repeat", "hold", []string{"stale"}, 600 * ms, false},
		{"frames-late", "discharge", []string{"stale"}, 200 * ms, false},
		{"frames-lost", "hold", []string{"silence", "stale"}, 5 * second, false},
		{"monitor-silent", "discharge", []string{"stale"}, 600 * ms, false},
		{"readings-missing", "hold", []string{"missing"}, 200 * ms, false},
		{"driver-hangs", "hold", []string{"stale", "driver"}, 600 * ms, false},
		{"driver-hangs device=box", "discharge", []string{"stale"}, 600 * ms, false},
		{"commands-ignored", "hold", []string{"current_uncommanded"}, 2 * second, false},
		{"supply-ignores-setdown", "hold", []string{"current_uncommanded"}, 2 * second, false},
		{"supply-overdelivers", "first charge", []string{"charge_high", "current_uncommanded"}, 500 * ms, false},
		{"load-overdraws", "discharge", []string{"current_uncommanded"}, 500 * ms, false},
		{"supply-dies", "hold", []string{"device_fault"}, 200 * ms, false},
		{"emergency-stop", "rest full", []string{"emergency_stop"}, 200 * ms, false},
		{"contactor-welded", "bleed", []string{"contactor"}, 600 * second, false},
		{"link-short", "", []string{"precharge"}, second, false},
		{"precharge-open", "", []string{"precharge"}, 10 * second, false},
		{"contactor-stuck", "", []string{"precharge"}, 10 * second, false},
		{"cell-overheats", "first charge", []string{"temp_rise", "lone_temp"}, 90 * second, true},
		{"cell-overheats", "discharge", []string{"temp_rise", "lone_temp"}, 90 * second, true},
	} {
		t.Run(c.fault+" in "+c.in, func(t *testing.T) {
			t.Parallel()
			f, err := virtual.ParseFault(c.fault)
			require.NoError(t, err)
			if c.in != "" {
				require.Contains(t, at, c.in)
				f.When = virtual.Trigger{On: virtual.AfterStart, Span: at[c.in]}
			}
			k := suffer(t, s, f)
			t.Logf("seed %d: %v", s.config.Seed, k)
			require.Equal(t, machine.OutcomeTripped, k.ending.Outcome, k.ending.Reason)
			assert.Contains(t, c.causes, k.cause)
			assert.LessOrEqual(t, k.after, c.within)
			assert.LessOrEqual(t, k.toZero, offWithin(s.plan))
			assert.False(t, k.truth.Flowing)
			assert.Empty(t, k.out)
			assert.NotEmpty(t, k.ending.Trip)
			if k.ending.Cleared {
				// What is told is measured by frames: it can come later than the
				// truth, never before it by more than a frame.
				assert.GreaterOrEqual(t, k.ending.ToZero+s.plan.Bench.Monitor.Period, k.toZero)
			}
			if !c.named {
				return
			}
			ch := s.plan.Layout.Channels[k.trip.Finding.Channel]
			switch ch.Kind {
			case drivers.CellVoltage:
				assert.Equal(t, k.fault.Fault.Cell, ch.Index)
			case drivers.Temperature:
				want := k.fault.Fault.Sensor
				if f.Kind == virtual.CellOverheats {
					want = s.plan.Bench.Monitor.Temps / 2 // where the heat is put
				}
				assert.Equal(t, want, ch.Index)
			default:
				assert.Fail(t, "the finding names no channel of the fault", ch.Name())
			}
		})
	}
}
