package profiles

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// INV-12: the allowance of the shipped bench, by hand from what KW-01.yaml and
// quay-1.yaml declare.
func TestAllowanceByHand(t *testing.T) {
	g := BudgetOf(shippedProfile(t, "qualify"), shippedModule(t), shippedBench(t))

	// One tap: 0.5 mV, and 1 uV that Accuracy.At rounds up by.
	assert.EqualValues(t, 501, g.TapError)
	// 24 taps of 501 uV; meter 50 ppm of 24*3.60 V = 4320 uV, 2000 uV, 1 uV.
	assert.EqualValues(t, 24*501+4320+2000+1, g.SumTolerance)
	assert.EqualValues(t, 18_345, g.SumTolerance)
	// Terminals of 0.3 mOhm drop 15 mV at 50 A, a fifth of it uncertain. One tap
	// hides while the others and the meter err the other way.
	assert.EqualValues(t, 15_000, g.TerminalDrop)
	// 24 cells at 13 477.5 uV/s within half the skew of 5 ms: 808.7 uV.
	assert.InDelta(t, 24*13_477.5*0.0025, int64(g.SkewDrift), 2)
	assert.EqualValues(t, 2*(18_345+3_000+810)-501, g.Hidden)

	// Upper half: steepest chord 3.485 V to 3.600 V over 0.5 % is 23 V; 45 A
	// out of 40 Ah is 45/144000 of the range a second: 7187.5 uV/s; times 1.5
	// for the chord and 1/0.8 for the weakest cell: 13 476.6 uV/s.
	assert.InDelta(t, 23e6*45/144_000*1.5/0.8, g.ChargeRate, 3)
	// Lower half: 2.500 V to 2.620 V over 1 % is 12 V, at 50 A.
	assert.InDelta(t, 12e6*50/144_000*1.5/0.8, g.DischargeRate, 3)

	// 100 ms frame + 5 ms skew + 10 ms window; one more frame of persistence;
	// 50 ms halt path; supply 60 ms + 45 A at 400 A/s = 172.5 ms is the slowest
	// (load 40+100, box 100+30).
	assert.Equal(t, 115*drivers.Millisecond, g.Period)
	assert.Equal(t, 100*drivers.Millisecond, g.Persistence)
	assert.Equal(t, 172_500*drivers.Microsecond, g.SwitchOff)
	assert.Equal(t, 437_500*drivers.Microsecond, g.Path)
	// 43 809 uV + 13 477.5 uV/s * 0.4375 s = 49 705.4 uV.
	assert.InDelta(t, 43_809+13_477.5*0.4375, int64(g.Cell), 2)

	// Heat at 50 A in 1.5 mOhm: 3.75 W. A half of it over 2 cells to a sensor
	// and 1.5 W/K each side: 1.25 K. A fifth of it over 5 cells: 1.25 K too.
	assert.EqualValues(t, 1250, g.Gradient)
	assert.EqualValues(t, 1250, g.LostGradient)
	// 0.501 K + 1.25 K + 3 K/min for 1.3375 s.
	assert.InDelta(t, 501+1250+3000*1.3375/60, int64(g.Temp), 1)

	// Room of 50 mV at 13 477.5 uV/s.
	assert.InDelta(t, 50_000/13_477.5*1e6, int64(g.Allowed), 1000)
	for _, p := range g.Paths {
		assert.LessOrEqual(t, p.Worst, g.Allowed, p.Name)
	}
	// What falls silent by itself is proven to a tenth and a frame more than it
	// declares: 2 s and 172.5 ms; the box 1 s, and 100 ms and 30 ms to open.
	assert.Equal(t, []Path{
		{"host dead: instruments' own silence limit", 2*drivers.Second + 300*drivers.Millisecond + 172_500},
		{"host dead: contactor box's heartbeat", drivers.Second + 200*drivers.Millisecond + 130*drivers.Millisecond},
	}, g.Paths[2:])
	assert.Contains(t, g.String(), "allowance, cell voltage                        49.706 mV")
}

// INV-12: for every shipped bench at most 50 mV and 3 K.
func TestAllowanceOfShippedBenches(t *testing.T) {
	for _, name := range Names(KindBench) {
		modules, profiles := shippedPairs(name)
		plan, problems := Compile(shippedProfile(t, profiles[0]), libraryModule(t, modules[0]), libraryBench(t, name))
		require.Empty(t, problems)
		a := plan.Absolute
		assert.LessOrEqual(t, a.AllowanceCell, 50*drivers.Volt/1000, name)
		assert.LessOrEqual(t, a.AllowanceTemp, 3*drivers.Kelvin, name)
		assert.LessOrEqual(t, plan.Limits.CellMax+a.AllowanceCell, a.CellMax)
		assert.GreaterOrEqual(t, plan.Limits.CellMin-a.AllowanceCell, a.CellMin)
		assert.LessOrEqual(t, plan.Limits.TempMax+a.AllowanceTemp, a.TempMax)
	}
}

// A worse bench never has a smaller allowance.
func TestAllowanceGrowsWithErrors(t *testing.T) {
	p, m := shippedProfile(t, "qualify"), shippedModule(t)
	base := BudgetOf(p, m, shippedBench(t))
	for name, worsen := range map[string]func(*Bench){
		"taps":    func(b *Bench) { b.Monitor.CellAccuracy.Offset *= 2 },
		"meter":   func(b *Bench) { b.Meter.VoltageAcc.GainPPM *= 2 },
		"period":  func(b *Bench) { b.Monitor.Period *= 2 },
		"delay":   func(b *Bench) { b.Supply.Delay *= 5 },
		"opening": func(b *Bench) { b.Box.OpeningTime *= 5 },
		"halt":    func(b *Bench) { b.HaltPath *= 2 },
		"lease":   func(b *Bench) { b.Lease *= 10 },
	} {
		b := shippedBench(t)
		worsen(b)
		assert.Greater(t, BudgetOf(p, m, b).Cell, base.Cell, name)
	}
	b := shippedBench(t)
	b.Monitor.TempAccuracy.Offset *= 2
	assert.Greater(t, BudgetOf(p, m, b).Temp, base.Temp)
	fewer := *m
	fewer.Sensors = []int{1, 22}
	assert.Greater(t, BudgetOf(p, &fewer, shippedBench(t)).Temp, base.Temp)
}

// The guard's tolerances, by hand from the declared accuracies.
func TestTolerancesByHand(t *testing.T) {
	plan, problems := Compile(shippedProfile(t, "qualify"), shippedModule(t), shippedBench(t))
	require.Empty(t, problems)
	l := plan.Limits
	// At 50 A: shunt 50+20 mA, load 50+50 mA, idle supply 50 mA, three times
	// 1 uA of rounding; link bleed 86.4 V / 47 kOhm = 1838.3 uA.
	assert.EqualValues(t, 70_000+100_000+50_000+3+1_839, l.CurrentTolerance)
	// Shunt and the box's own sensor: 0.5 % of 50 A and 100 mA.
	assert.EqualValues(t, 70_000+350_000+2+1_839, l.BoxCurrentTolerance)
	assert.EqualValues(t, 200_000, l.NearZero, "twice the worst offset")
	assert.EqualValues(t, 18_345, l.SumTolerance)
	assert.Equal(t, 24*l.CellMax, l.ModuleMax)
	// INV-15: lowered by the gradient to cells without a sensor.
	assert.Equal(t, drivers.ZeroC+42_000-1_250, l.TempChargeMax)
	assert.Equal(t, drivers.ZeroC+50_000-1_250, l.TempDischargeMax)
	assert.Equal(t, drivers.ZeroC+3_000, l.TempChargeMin)
	// A row that allows more begins a sensor's error later, one that allows
	// less earlier.
	require.Len(t, l.ChargeTable, 4)
	assert.Equal(t, drivers.ZeroC+10_501, l.ChargeTable[1].Temp)
	assert.Equal(t, drivers.ZeroC+39_499, l.ChargeTable[3].Temp)
	// Instruments: over the greatest current of the code, under the limit.
	assert.Greater(t, plan.SupplyArm.CurrentMax, 40*drivers.Ampere)
	assert.LessOrEqual(t, plan.SupplyArm.CurrentMax, l.ChargeMax)
	assert.GreaterOrEqual(t, plan.SupplyArm.VoltageMax, l.ModuleMax)
}

// A charge is bounded by what the room may make of it: where the maker's table
// lowers the current in the cold, it may take so much longer, and no more charge.
func TestBoundsOfAColdRoom(t *testing.T) {
	m, b := shippedModule(t), shippedBench(t)
	compiled := func() *machine.Drive {
		p, ps := ParseProfile("p", []byte("profile: p\nexpect_start: 40 %\nsteps:\n  - charge: {current: 20 A, hold: 3.55 V/cell, taper: C/20}\n"))
		require.Empty(t, ps)
		plan, ps := Compile(p, m, b)
		require.Empty(t, ps)
		for _, ins := range plan.Code {
			if ins.Op == machine.OpDrive {
				return ins.Drive
			}
		}
		return nil
	}
	cold := compiled()
	m.Maker.ChargeTable = nil
	level := compiled()
	assert.Equal(t, level.Bounds.Span*3, cold.Bounds.Span) // 4 A of 20 A, at most three times
	assert.Equal(t, level.Bounds.Charge, cold.Bounds.Charge)
	assert.Equal(t, level.Bounds.Energy, cold.Bounds.Energy)
}
