package qualify_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// twoRC is the worked example of a cell with two relaxations, by superposition
// of edges: 1.2 mOhm, 0.8 mOhm with 2 s, 1.0 mOhm with 40 s, 3.70 V.
type twoRC struct {
	edges []struct{ t, di float64 }
}

func (c *twoRC) edge(t, di float64) { c.edges = append(c.edges, struct{ t, di float64 }{t, di}) }

func stepOhms(t float64) float64 {
	return 1.2e-3 + 0.8e-3*(1-math.Exp(-t/2)) + 1.0e-3*(1-math.Exp(-t/40))
}

// at is the voltage at t, or just before it, times scale in resistance.
func (c *twoRC) at(t, scale float64, before bool) float64 {
	v := 3.70
	for _, e := range c.edges {
		if t > e.t || t == e.t && !before {
			v += e.di * stepOhms(t-e.t) * scale
		}
	}
	return v
}

func pulsePlan(t *testing.T, b drivers.Bench) *machine.Plan {
	return newPlan(t, b,
		[]machine.Step{{Label: "soak", Kind: "rest"}, {Label: "dis", Kind: "pulse"}, {Label: "cha", Kind: "pulse"}},
		[]machine.Instruction{
			{Op: machine.OpWait, Step: 0, Wait: &machine.Wait{}},
			{Op: machine.OpPulse, Step: 1, Drive: &machine.Drive{Direction: machine.Discharging, Current: 100 * drivers.Ampere}},
			{Op: machine.OpPulse, Step: 2, Drive: &machine.Drive{Direction: machine.Charging, Current: 75 * drivers.Ampere}},
		})
}

// showPulses drives the worked example: -100 A from 0 to 30 s, rest to 70 s,
// +75 A to 80 s. Each edge has a frame just before and one 1 us after it where
// exact is set. Cell 2 of the rig has odd times the resistance.
func showPulses(r *rig, exact bool, odd float64) {
	cell := &twoRC{}
	origin := r.now.Add(2 * drivers.Second)
	set := func(before bool) {
		t := float64(r.now.Sub(origin)) * 1e-6
		for k := range r.cells {
			scale := 1.0
			if k == 1 {
				scale = odd
			}
			r.cells[k] = cell.at(t, scale, before)
		}
	}
	i := 0.0
	hold := func(span drivers.Span) {
		r.run(span, func(float64) float64 { set(true); return i })
	}
	edge := func(to float64) {
		cell.edge(float64(r.now.Sub(origin))*1e-6, to-i)
		i = to
		if exact {
			r.now = r.now.Add(1)
			set(false)
			r.show(i)
			r.now = r.now.Add(-1)
		}
	}
	set(true)
	r.show(0)
	r.begin(0, 1)
	hold(drivers.Second)
	r.end("time")
	r.begin(1, 1)
	hold(drivers.Second)
	edge(-100)
	hold(30 * drivers.Second)
	edge(0)
	hold(40 * drivers.Second)
	r.end("time")
	r.begin(2, 1)
	edge(75)
	hold(10 * drivers.Second)
	edge(0)
	hold(drivers.Second)
	r.end("time")
}

// Computed from the formula, which any tool must hit when its samples include
// the edges: R at 1 s and 10 s of the discharge, at 10 s of the charge.
func TestResistanceOfTheWorkedExample(t *testing.T) {
	b := bench(5, 2, 100*drivers.Millisecond)
	r := newRig(t, pulsePlan(t, b))
	showPulses(r, true, 1.4)
	f := r.a.Finish()
	for name, want := range map[string]float64{
		"resistance_1s": 1.539465560, "resistance_10s": 2.215808859, "resistance_10s_charge": 2.273056840,
	} {
		cells := f.Cells(name)
		require.Len(t, cells, 5, name)
		for _, c := range cells {
			scale := 1.0
			if c.Cell == 2 {
				scale = 1.4
			}
			assert.InEpsilon(t, want*scale, c.Value, 1e-5, "%s of cell %d", name, c.Cell)
			assert.Equal(t, qualify.OK, c.Status, c.Reason)
		}
		m := find(t, f, "module_"+name)
		assert.InEpsilon(t, want*5.4, m.Value, 1e-6, name)
		assert.Equal(t, qualify.OK, m.Status, m.Reason)
	}
	spread := find(t, f, qualify.ResistanceSpread)
	assert.InEpsilon(t, 40, spread.Value, 1e-4)
	assert.Contains(t, spread.Detail, "cell 2 highest")
	require.NotEmpty(t, f.Odd)
	assert.Equal(t, 2, f.Odd[0].Cell)
}

// Without frames at the edges t = 0 lies between two frames: what is found is
// the resistance somewhere within half a period, and the interval says so.
func TestResistanceBetweenFrames(t *testing.T) {
	r := newRig(t, pulsePlan(t, bench(5, 2, 100*drivers.Millisecond)))
	showPulses(r, false, 1)
	f := r.a.Finish()
	for _, name := range []string{"resistance_1s", "resistance_10s"} {
		at := map[string]float64{"resistance_1s": 1, "resistance_10s": 10}[name]
		g := f.Cells(name)[0]
		require.Equal(t, qualify.OK, g.Status, g.Reason)
		// Here the edge comes right after a frame, at the very end of what is known of
		// it: a rectangle's whole half width, of which U is 95.45 %.
		assert.InDelta(t, 1000*stepOhms(at), g.Value, g.U/0.9545*1.02)
		assert.Greater(t, g.U, 0.0)
		assert.Less(t, g.U/g.Value, 0.03)
	}
}

// A pulse as long as the time looked for: the frame after it shows the current
// on its way down, averaged, beside cells that were sampled a moment before.
func TestResistanceAtTheFallingEdge(t *testing.T) {
	r := newRig(t, pulsePlan(t, bench(5, 2, 100*drivers.Millisecond)))
	cell := &twoRC{}
	cell.edge(0, -100)
	set := func(t float64, before bool) {
		for k := range r.cells {
			r.cells[k] = cell.at(t, 1, before)
		}
	}
	set(-1, true)
	r.show(0)
	r.begin(0, 1)
	r.run(drivers.Second, func(float64) float64 { return 0 })
	r.end("time")
	r.begin(1, 1)
	r.now = r.now.Add(1)
	set(0, false)
	r.show(-100)
	r.run(9960*drivers.Millisecond, func(t float64) float64 { set(t, false); return -100 })
	r.now = r.now.Add(60 * drivers.Millisecond)
	set(10.02, false)
	r.show(-95)
	r.now = r.now.Add(100 * drivers.Millisecond)
	set(-1, true)
	r.show(0)
	r.end("time")
	r.run(drivers.Second, func(float64) float64 { return 0 })
	g := r.a.Finish().Cells("resistance_10s")[0]
	require.Equal(t, qualify.OK, g.Status, g.Reason)
	assert.InEpsilon(t, 1000*stepOhms(10), g.Value, 1e-3)
	assert.InDelta(t, 1000*stepOhms(10), g.Value, g.U)
}

// The same where the frame before is too early to stand for the time looked for:
// the falling edge has less current than its cells, and gives no resistance.
func TestNoResistanceFromTheFallingEdge(t *testing.T) {
	r := newRig(t, pulsePlan(t, bench(5, 2, 100*drivers.Millisecond)))
	cell := &twoRC{}
	cell.edge(0, -100)
	set := func(t float64, before bool) {
		for k := range r.cells {
			r.cells[k] = cell.at(t, 1, before)
		}
	}
	set(-1, true)
	r.show(0)
	r.begin(0, 1)
	r.run(drivers.Second, func(float64) float64 { return 0 })
	r.end("time")
	r.begin(1, 1)
	r.now = r.now.Add(1)
	set(0, false)
	r.show(-100)
	r.run(1930*drivers.Millisecond, func(t float64) float64 { set(t, false); return -100 })
	r.now = r.now.Add(100 * drivers.Millisecond)
	set(2, false)
	r.show(-95)
	r.now = r.now.Add(100 * drivers.Millisecond)
	set(-1, true)
	r.show(0)
	r.end("time")
	r.run(drivers.Second, func(float64) float64 { return 0 })
	f := r.a.Finish()
	assert.Empty(t, f.Cells("resistance_2s"))
	if g, ok := f.Find("module_resistance_2s"); ok {
		assert.Equal(t, qualify.Unproven, g.Status, "%g mOhm", g.Value)
		assert.Contains(t, g.Reason, "the current falls after 1.93 s")
	}
	assert.InEpsilon(t, 1000*stepOhms(1), f.Cells("resistance_1s")[0].Value, 1e-3)
}

func TestResistanceIsRefusedWithAReason(t *testing.T) {
	for name, c := range map[string]struct {
		change func(b *drivers.Bench, r *rig)
		want   map[string]string
	}{
		"skew and window": {func(b *drivers.Bench, _ *rig) {
			if b != nil {
				b.Monitor.Skew, b.Monitor.Window = 20*drivers.Millisecond, 50*drivers.Millisecond
			}
		}, map[string]string{
			"module_resistance_1s":  "dis: skew, averaging window and current rise take 0.17 s, over a tenth of 1 s",
			"module_resistance_10s": "",
		}},
		"cold": {func(_ *drivers.Bench, r *rig) {
			if r != nil {
				r.temps[0], r.temps[1] = 18, 18.5
			}
		}, map[string]string{"module_resistance_10s": "measured at 18.3 degC; comparable at 25 +/- 3 degC"}},
		"uneven": {func(_ *drivers.Bench, r *rig) {
			if r != nil {
				r.temps[0], r.temps[1] = 24, 26.5
			}
		}, map[string]string{"module_resistance_10s": "sensors 2.5 K apart at the pulse, over 2 K"}},
	} {
		t.Run(name, func(t *testing.T) {
			b := bench(5, 2, 100*drivers.Millisecond)
			c.change(&b, nil)
			r := newRig(t, pulsePlan(t, b))
			c.change(nil, r)
			showPulses(r, false, 1)
			f := r.a.Finish()
			for name, reason := range c.want {
				assert.Equal(t, reason, find(t, f, name).Reason, name)
			}
		})
	}
}

// A pulse that is too short, one with a gap, and one that the plan asked for
// and nobody saw.
func TestPulsesThatCannotGiveAResistance(t *testing.T) {
	r := newRig(t, pulsePlan(t, bench(1, 1, 100*drivers.Millisecond)))
	r.show(0)
	r.begin(1, 1)
	r.run(drivers.Second, func(float64) float64 { return 0 })
	r.run(4*drivers.Second, func(float64) float64 { r.cells[0] = 3.2; return -100 })
	r.run(drivers.Second, func(float64) float64 { r.cells[0] = 3.3; return 0 })
	r.end("time")
	f := r.a.Finish()
	assert.Equal(t, qualify.OK, find(t, f, "module_resistance_1s").Status)
	assert.InDelta(t, 1.0, find(t, f, "module_resistance_1s").Value, 1e-6)
	assert.Equal(t, "dis: the pulse lasted 3.95 s", find(t, f, "module_resistance_10s").Reason)
	assert.Equal(t, "no such pulse was seen", find(t, f, "module_resistance_10s_charge").Reason)

	r = newRig(t, pulsePlan(t, bench(1, 1, 100*drivers.Millisecond)))
	r.show(0)
	r.begin(1, 1)
	r.run(drivers.Second, func(float64) float64 { return 0 })
	r.run(4*drivers.Second, func(float64) float64 { r.cells[0] = 3.2; return -100 })
	r.now = r.now.Add(drivers.Second)
	r.run(8*drivers.Second, func(float64) float64 { return -100 })
	r.end("time")
	f = r.a.Finish()
	assert.Equal(t, "dis: frames are missing for 1.1 s", find(t, f, "module_resistance_1s").Reason)
	assert.Equal(t, "dis: frames are missing in the pulse", find(t, f, "module_resistance_10s").Reason)
}

// Both readings of an edge share gain and offset: the offset cancels and what
// is left are the gains, the steps and the edge's own instant.
func TestResistanceUncertainty(t *testing.T) {
	b := bench(5, 2, 100*drivers.Millisecond)
	b.Monitor.CurrentAcc = drivers.Accuracy{GainPPM: 1000, Offset: 500_000}
	b.Monitor.CellAccuracy = drivers.Accuracy{GainPPM: 500, Offset: 5000}
	b.Meter.VoltageAcc = drivers.Accuracy{GainPPM: 300, Offset: 50_000}
	r := newRig(t, pulsePlan(t, b))
	showPulses(r, true, 1)
	f := r.a.Finish()
	m := find(t, f, "module_resistance_10s")
	assert.InEpsilon(t, trapezoid(1e-3, 0.3e-3)*m.Value, m.U, 2e-3)
	assert.InEpsilon(t, math.Sqrt((1e-6+0.09e-6)/3)*m.Value, m.U/m.K, 1e-3)
	assert.Equal(t, gum.Level, m.Coverage)
	assert.Equal(t, "shunt gain", m.Budget[0].Source)
	c := f.Cells("resistance_10s")[0]
	assert.InEpsilon(t, trapezoid(1e-3, 0.5e-3)*c.Value, c.U, 2e-3)
	for _, p := range m.Budget {
		assert.NotContains(t, p.Source, "offset", fmt.Sprint(m.Budget))
	}
}
