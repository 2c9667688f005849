package qualify_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// sloped drives a full discharge of 40 Ah, a refill, and a discharge by half, with
// cells whose voltage falls from top by fall over those 40 Ah.
func sloped(r *rig, top, fall float64) {
	leg := func(step, pass int, amps, from, ah float64, end string) {
		r.begin(step, pass)
		r.run(hours(ah/math.Abs(amps)), func(t float64) float64 {
			for k := range r.cells {
				r.cells[k] = top - fall*(from-amps*t/3600)/40
			}
			return amps
		})
		r.end(end)
		r.now = r.now.Add(r.period)
		r.show(0)
	}
	for k := range r.cells {
		r.cells[k] = top
	}
	r.show(0)
	r.drive(stepCharge, 1, 20, hours(0.2), taper)
	r.balance("balanced")
	leg(stepDischarge, 1, -20, 0, 40, low)
	leg(stepRefill, 1, 20, 40, 40, taper)
	leg(stepDischarge, 2, -20, 0, 20, "charge")
}

// 40 Ah over 1.2 V and -1.0 mV in 7 days are 0.198413 mA (computed from
// I = -dQ/dV * dV/dt); the monitor's own drain is no self-discharge.
func TestSelfDischargeFromADrift(t *testing.T) {
	for _, drain := range []drivers.Microamps{0, 50} {
		b := bench(6, 2, drivers.Minute)
		b.Monitor.Drain, b.Monitor.DrainWithin = drain, drain/5
		r := newRig(t, cyclePlan(t, b))
		sloped(r, 4.2, 1.2)
		v := r.cells[0]
		r.begin(stepRest, 2)
		r.run(7*24*drivers.Hour, func(t float64) float64 {
			for k := range r.cells {
				r.cells[k] = v - 1e-3*t/(7*86400)
			}
			r.cells[4] = v - 3e-3*t/(7*86400)
			return 0
		})
		r.end("time")
		f := r.a.Finish()
		cells := f.Cells(qualify.SelfDischarge)
		require.Len(t, cells, 6)
		own := float64(drain) * 1e-3
		assert.InDelta(t, 0.198413-own, cells[0].Value, 0.004)
		assert.Less(t, cells[0].U, 0.2)
		worst := find(t, f, qualify.SelfDischarge)
		assert.Equal(t, qualify.OK, worst.Status, worst.Reason)
		assert.InDelta(t, 3*0.198413-own, worst.Value, 0.012)
		assert.Contains(t, worst.Detail, "cell 5, settle, 168 h: -0.429 mV a day at 33.33 Ah/V")
		if drain == 0 {
			assert.Contains(t, worst.Detail, "not declared")
		}
	}
}

// On the plateau of the open-circuit curve (0.019 V over the whole capacity at 60
// % of an LFP cell, computed from published fits) a step of 1 mV is 5 % of the
// capacity: the figure is refused. With a step of 0.1 mV the interval says it.
func TestSelfDischargeOnAFlatCurve(t *testing.T) {
	for step, refused := range map[drivers.Microvolts]bool{1000: true, 100: false} {
		b := bench(6, 2, drivers.Minute)
		b.Monitor.CellStep = step
		r := newRig(t, cyclePlan(t, b))
		sloped(r, 3.30, 0.019)
		r.rest(stepRest, 2, 24*drivers.Hour)
		f := find(t, r.a.Finish(), qualify.SelfDischarge)
		if refused {
			assert.Equal(t, qualify.Unproven, f.Status)
			assert.Contains(t, f.Reason, "too flat here: one step of 1 mV stands for 5")
			continue
		}
		assert.Equal(t, qualify.OK, f.Status, f.Reason)
		assert.Greater(t, f.U, 0.5, "mA, where a slope of 1.2 V would know it to microamperes")
	}
}

func TestSelfDischargeNeedsWhatItRestsOn(t *testing.T) {
	r := newRig(t, cyclePlan(t, bench(6, 2, drivers.Minute)))
	r.show(0)
	r.rest(stepRest, 1, 13*drivers.Hour)
	assert.Contains(t, find(t, r.a.Finish(), qualify.SelfDischarge).Reason, "the state of charge is not known")

	r = newRig(t, cyclePlan(t, bench(6, 2, drivers.Minute)))
	sloped(r, 4.2, 1.2)
	for i := range r.bleed {
		r.bleed[i] = 1
	}
	r.show(0)
	r.rest(stepRest, 2, 13*drivers.Hour)
	assert.Contains(t, find(t, r.a.Finish(), qualify.SelfDischarge).Reason, "bled in the rest")
}

// A cell that relaxes with 12 min is, after an hour, exp(-5) of its first 60 mV
// from rest: 0.404 mV (arithmetic). Noise of 0.2 mV widens the answer.
func TestRelaxationTellsHowFarFromRest(t *testing.T) {
	const seed = 5
	for _, noise := range []float64{0, 0.2e-3} {
		rng := rand.New(rand.NewPCG(seed, 0))
		r := newRig(t, cyclePlan(t, bench(6, 2, drivers.Second)))
		r.show(0)
		r.begin(stepRest, 1)
		r.run(drivers.Hour, func(t float64) float64 {
			for k := range r.cells {
				r.cells[k] = 3.3 + noise*rng.NormFloat64()
			}
			r.cells[2] += 60e-3 * math.Exp(-t/720)
			return 0
		})
		r.end("time")
		f := find(t, r.a.Finish(), qualify.RestUnsettled)
		want := 60 * math.Exp(-5)
		require.Equal(t, qualify.OK, f.Status, f.Reason)
		assert.InDelta(t, want, f.Value, max(f.U, 0.02), "seed %d", seed)
		assert.Less(t, f.U, 0.2+6500*noise, "mV: a drift that the noise hides")
		assert.Contains(t, f.Detail, "cell 3 still above")
		if noise == 0 {
			assert.Contains(t, f.Detail, "time constant about 12 min")
			assert.InDelta(t, want, f.Value, 0.02)
		}
	}
}

// Two levels, IEC 62620 (from memory): 8 A then 40 A, 3.638 V and 3.590 V give
// 1.500 mOhm (computed); 5 mV added to both change nothing.
func TestTwoLevelResistance(t *testing.T) {
	level := func(amps drivers.Microamps) *machine.Drive {
		return &machine.Drive{Direction: machine.Discharging, Current: amps}
	}
	for _, shift := range []float64{0, 5e-3} {
		b := bench(5, 2, 100*drivers.Millisecond)
		b.Monitor.CellAccuracy = drivers.Accuracy{Offset: 5000}
		r := newRig(t, newPlan(t, b, []machine.Step{{Label: "low", Kind: "discharge"}, {Label: "high", Kind: "discharge"}},
			[]machine.Instruction{
				{Op: machine.OpDrive, Step: 0, Drive: level(8 * drivers.Ampere)},
				{Op: machine.OpDrive, Step: 1, Drive: level(40 * drivers.Ampere)},
			}))
		hold := func(step int, amps, volts float64, span drivers.Span) {
			r.begin(step, 1)
			r.run(span, func(float64) float64 {
				for k := range r.cells {
					r.cells[k] = volts + shift
				}
				return -amps
			})
			r.end("time")
		}
		r.show(0)
		hold(0, 8, 3.638, 30*drivers.Second)
		hold(1, 40, 3.590, 5*drivers.Second)
		r.now = r.now.Add(r.period)
		r.show(0)
		f := r.a.Finish()
		cells := f.Cells(qualify.TwoLevel)
		require.Len(t, cells, 5)
		assert.InDelta(t, 1.500, cells[1].Value, 1e-6)
		assert.Equal(t, qualify.OK, cells[1].Status, cells[1].Reason)
		assert.Less(t, cells[1].U, 1e-3, "the offset of 5 mV cancels")
		assert.InDelta(t, 5*1.500, find(t, f, qualify.ModuleTwoLevel).Value, 1e-6)
		assert.Contains(t, find(t, f, qualify.ModuleTwoLevel).Detail, "from 8 to 40 A")
	}
}

// Between the levels the current must not have fallen: the cell would have begun
// to recover.
func TestTwoLevelsWithARestBetween(t *testing.T) {
	b := bench(5, 2, 100*drivers.Millisecond)
	drive := func(a drivers.Microamps) *machine.Drive {
		return &machine.Drive{Direction: machine.Discharging, Current: a * drivers.Ampere}
	}
	r := newRig(t, newPlan(t, b, []machine.Step{{Label: "low", Kind: "discharge"}, {Label: "high", Kind: "discharge"}},
		[]machine.Instruction{{Op: machine.OpDrive, Step: 0, Drive: drive(8)}, {Op: machine.OpDrive, Step: 1, Drive: drive(40)}}))
	r.show(0)
	r.begin(0, 1)
	r.run(30*drivers.Second, func(float64) float64 { return -8 })
	r.end("time")
	r.begin(1, 1)
	r.run(5*drivers.Second, func(t float64) float64 {
		if t < 0.5 {
			return 0
		}
		return -40
	})
	r.end("time")
	r.now = r.now.Add(r.period)
	r.show(0)
	assert.Contains(t, find(t, r.a.Finish(), qualify.ModuleTwoLevel).Reason, "the current fell to 0 A between the two levels")
}

// The same within one pulse; a dip of the current between its levels, or a second
// level that was not reached, proves nothing.
func TestPulseOfTwoLevels(t *testing.T) {
	const a = drivers.Ampere
	for _, x := range []struct {
		dip, second float64
		why         string
	}{
		{8, 40, ""}, {0, 40, "the current fell to 0 A between the two levels"}, {8, 12, "the second level had 12 A after 8 A; twice as much would be right"},
	} {
		r := newRig(t, newPlan(t, bench(5, 2, 100*drivers.Millisecond), []machine.Step{{Label: "levels", Kind: "pulse"}}, []machine.Instruction{{
			Op: machine.OpPulse, Step: 0,
			Drive: &machine.Drive{Direction: machine.Discharging, Current: 40 * a, Span: 35 * drivers.Second, Lead: &machine.Lead{Current: 8 * a, Span: 30 * drivers.Second}},
		}}))
		r.show(0)
		r.begin(0, 1)
		r.run(35*drivers.Second, func(t float64) float64 {
			amps, volts := 8.0, 3.638
			switch {
			case t >= 30 && t < 30.3:
				amps = x.dip
			case t >= 30.3:
				amps, volts = x.second, 3.590
			}
			for k := range r.cells {
				r.cells[k] = volts
			}
			return -amps
		})
		r.end("time")
		r.now = r.now.Add(r.period)
		r.show(0)
		f := r.a.Finish()
		g := find(t, f, qualify.ModuleTwoLevel)
		if x.why != "" {
			assert.Equal(t, qualify.Unproven, g.Status)
			assert.Contains(t, g.Reason, x.why)
			continue
		}
		assert.Equal(t, qualify.OK, g.Status, g.Reason)
		assert.InDelta(t, 5*1.500, g.Value, 1e-6)
		assert.InDelta(t, 1.500, f.Cells(qualify.TwoLevel)[1].Value, 1e-6)
		// Such a pulse gives no resistance by time: its edge is not one from rest.
		_, told := f.Find(qualify.ResistanceName(true, 1, false))
		assert.False(t, told)
	}
}

// The incremental capacity of a straight discharge is its slope, everywhere: 40
// Ah over 1.2 V.
func TestIncrementalCapacity(t *testing.T) {
	r := newRig(t, cyclePlan(t, bench(6, 2, 10*drivers.Second)))
	sloped(r, 4.2, 1.2)
	f := r.a.Finish()
	require.Greater(t, len(f.Curve), 180)
	for _, p := range f.Curve {
		assert.InEpsilon(t, 40/1.2, p.PerVolt, 1e-3)
		assert.InDelta(t, 4.2-1.2*p.Charge/40, p.Voltage, 1e-3)
	}
	assert.Equal(t, gum.Level, find(t, f, qualify.Capacity).Coverage)
}

// A part that relaxes over hours looks like a constant or a drift within one: a
// single exponential once told 0.05 mV where 0.62 mV were left. What still moves
// is said, and no distance.
func TestSlowRelaxationIsNotSettled(t *testing.T) {
	for name, slow := range map[string]struct{ volts, tau float64 }{
		"hours": {1e-3, 7200}, "five hours": {5e-3, 18000}, "one hour": {0.5e-3, 3600},
	} {
		r := newRig(t, cyclePlan(t, bench(6, 2, drivers.Second)))
		r.show(0)
		r.begin(stepRest, 1)
		r.run(drivers.Hour, func(t float64) float64 {
			r.cells[2] = 3.3 + 5e-3*math.Exp(-t/600) + slow.volts*math.Exp(-t/slow.tau)
			return 0
		})
		r.end("time")
		f := find(t, r.a.Finish(), qualify.RestUnsettled)
		assert.True(t, f.NoValue, name)
		assert.Contains(t, f.Reason, "cell 3 still moves by -", name)
	}
}

// A day of relaxation with 8 h is no leak: the drift slows down, and the interval
// of the self-discharge holds the nothing that leaks.
func TestRelaxationIsNoLeak(t *testing.T) {
	r := newRig(t, cyclePlan(t, bench(6, 2, drivers.Minute)))
	sloped(r, 4.2, 1.2)
	v := r.cells[0]
	r.begin(stepRest, 2)
	r.run(24*drivers.Hour, func(t float64) float64 {
		for k := range r.cells {
			r.cells[k] = v - 5e-3*(1-math.Exp(-t/(8*3600)))
		}
		return 0
	})
	r.end("time")
	f := find(t, r.a.Finish(), qualify.SelfDischarge)
	require.Equal(t, qualify.OK, f.Status, f.Reason)
	assert.Less(t, f.Value-f.U, 0.0, "%g +/- %g", f.Value, f.U)
}
