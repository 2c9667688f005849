package profiles

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

const fullCharge = "  - charge: {current: C/2, hold: 3.55 V, taper: C/20}\n"

// INV-10: of all limits the tightest holds; a profile may tighten each.
func TestProfileTightens(t *testing.T) {
	plan := compiled(t, `
profile: gentle
limits:
  cell_max: 3.58 V
  cell_min: 2.80 V
  charge_max: 30 A
  discharge_max: 25 A
  charge_temperature: 10 degC to 35 degC
  pause_above: 30 degC
steps:
`+fullCharge)
	l := plan.Limits
	assert.EqualValues(t, 3_580_000, l.CellMax)
	assert.EqualValues(t, 2_800_000, l.CellMin)
	assert.Equal(t, 30*drivers.Ampere, l.ChargeMax)
	assert.Equal(t, 25*drivers.Ampere, l.DischargeMax)
	assert.Equal(t, drivers.ZeroC+10_000, l.TempChargeMin)
	assert.Equal(t, drivers.ZeroC+30_000, l.TempSoftMax)
	assert.LessOrEqual(t, plan.SupplyArm.CurrentMax, l.ChargeMax)
	// The absolute limits stay the maker's.
	assert.EqualValues(t, 3_650_000, plan.Absolute.CellMax)
}

// INV-10 as a property: the result of tightening is never looser than either.
func TestTightenIsTightest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) *LimitSet {
			l := &LimitSet{}
			for i, row := range limitTable {
				*row.value(l) = rapid.Int64Range(0, 3).Draw(t, name+string(rune('a'+i)))
			}
			return l
		}
		a, b := draw("a"), draw("b")
		got := a.tighten(b)
		for _, row := range limitTable {
			g, x, y := *row.value(&got), *row.value(a), *row.value(b)
			for _, z := range []int64{x, y} {
				if z != 0 && g != z && (g < z) != row.upper {
					t.Fatalf("%s: %d of %d and %d", row.key, g, x, y)
				}
			}
			if g != x && g != y {
				t.Fatalf("%s: %d comes from neither %d nor %d", row.key, g, x, y)
			}
		}
	})
}

// INV-08: what asks for more than the limits is refused at its own place.
func TestOverLimitsIsRefusedWhereItStands(t *testing.T) {
	m, b := shippedModule(t), shippedBench(t)
	for _, x := range []struct{ src, want string }{
		{"profile: x\nsteps:\n  - charge: {current: 46 A, hold: 3.55 V, taper: C/20}\n", "profile.yaml:3:23: a current of 46 A is over charge_max of 45 A, set by the module file; at most 44.83 A"},
		{"profile: x\nsteps:\n  - charge: {current: 20 A, hold: 3.60 V, taper: C/20}\n", "profile.yaml:3:35: hold of 3.6 V/cell comes too near cell_max of 3.6 V/cell, set by the module file; at most 3.593 V/cell"},
		{"profile: x\nsteps:\n  - discharge: {current: 20 A, cell_end: 2.40 V}\n", "profile.yaml:3:42: cell_end of 2.4 V/cell comes too near cell_min of 2.55 V/cell, set by the module file; at least 2.557 V/cell"},
		{"profile: x\nlimits: {charge_max: 15 A}\nsteps:\n  - charge: {current: 20 A, hold: 3.55 V, taper: C/20}\n", "profile.yaml:4:23: a current of 20 A is over charge_max of 15 A, set by the profile; at most 14.89 A"},
		{"profile: x\nsteps:\n  - pulse: {first: {current: 25 A, for: 10 s}, discharge: 40 A, for: 1 s}\n", "profile.yaml:3:13: a first level of 25 A before 40 A; the second is to be twice the first or more; at most 20 A"},
		{"profile: x\nsteps:\n  - pulse: {first: {current: 1 mA, for: 10 s}, discharge: 40 A, for: 1 s}\n", "profile.yaml:3:13: the first level rounds to nothing; write a greater current"},
		{"profile: x\nsteps:\n  - repeat:\n      times: 2\n      steps:\n        - pulse: {discharge: 3 C, for: 1 s}\n", "profile.yaml:6:30: a current of 120 A is over discharge_max of 50 A, set by the module file; at most 49.82 A"},
	} {
		plan, problems := Compile(profileOf(t, x.src), m, b)
		require.Nil(t, plan)
		require.Equal(t, x.want, problems[0].String(), "%v", Error(problems))
	}
}

// A capacity before balancing tells how the module came and is never judged.
func TestCapacityBeforeBalancingIsAsReceived(t *testing.T) {
	discharge := "  - discharge: {label: %, current: C/3, cell_end: 2.60 V, use: capacity}\n"
	plan := compiled(t, "profile: x\nsteps:\n"+fullCharge+strings.Replace(discharge, "%", "before", 1)+
		"  - balance: {to: 0.3 %, top_up: {current: C/5, hold: 3.55 V, taper: C/20}}\n"+
		strings.Replace(discharge, "%", "after", 1))
	uses := map[string]string{}
	for _, s := range plan.Steps {
		if s.Use != "" {
			uses[s.Label] = s.Use
		}
	}
	assert.Equal(t, map[string]string{"before": "as received", "after": "capacity"}, uses)
}

// Until three in a row agree within 3 % of the rated capacity, five passes at
// most: the rule of GB 38031-2025, 7.1.2 (as quoted in an English rendering).
func TestRepeatUntilStable(t *testing.T) {
	src := `
profile: x
steps:
  - repeat:
      until: {value: capacity, last: 3, within: 3 %}
      at_most: 5
      otherwise: OTHERWISE
      steps:
        - discharge: {current: C/3, cell_end: 2.60 V, use: capacity, save_as: capacity}
        - rest: 30 min
        - charge: {current: C/2, hold: 3.55 V, taper: C/20}
        - rest: 30 min
`
	for _, otherwise := range []string{"fail", "go_on"} {
		plan := compiled(t, strings.Replace(src, "OTHERWISE", otherwise, 1))
		compare, jump := only(t, plan, machine.OpCompare).Compare, only(t, plan, machine.OpJump).Jump
		assert.Equal(t, 3, compare.Count)
		assert.EqualValues(t, 12*drivers.AmpereHour/10, compare.Value, "1.2 Ah, check value 2")
		assert.Equal(t, "capacity", plan.Lists[compare.List-1])
		assert.Equal(t, machine.Jump{Target: 0, Max: 4}, *jump)
		assert.Equal(t, machine.OpEnd, plan.Code[compare.Then].Op)
		assert.False(t, plan.Code[compare.Then].End.Failed)
		after := plan.Code[compare.Then-1]
		if otherwise == "fail" {
			assert.True(t, after.End.Failed)
		} else {
			assert.Contains(t, after.Note.Text, "did not agree within 3 % in 5 passes")
		}
		for _, in := range plan.Code {
			if in.Op == machine.OpDrive && in.Drive.Direction == machine.Discharging {
				assert.Equal(t, "capacity", plan.Registers[in.Drive.SaveCharge-1])
				assert.Equal(t, compare.List, in.Drive.Push)
			}
		}
	}
}

// Balancing charges to the top, opens, bleeds, compares and goes round a
// bounded number of times.
func TestBalanceCode(t *testing.T) {
	plan := compiled(t, "profile: x\nsteps:\n  - balance: {to: 0.3 %, rounds: 12, chunk: 30 min, settle: 3 min, top_up: {current: C/5, hold: 3.55 V, taper: C/20}}\n")
	var ops []machine.Op
	for _, in := range plan.Code {
		ops = append(ops, in.Op)
	}
	require.Equal(t, []machine.Op{machine.OpSwitch, machine.OpDrive, machine.OpSwitch, machine.OpBleed, machine.OpCompare,
		machine.OpSwitch, machine.OpJump, machine.OpEnd, machine.OpEnd}, ops)
	bleed, compare := plan.Code[3].Bleed, plan.Code[4].Compare
	assert.EqualValues(t, 3000, bleed.TargetPPM)
	assert.Equal(t, 40*drivers.AmpereHour, bleed.Capacity)
	assert.Equal(t, 30*drivers.Minute, bleed.Chunk)
	assert.Equal(t, 3*drivers.Minute, bleed.Held, "as long as cells settle, where nothing is said")
	// By the module's table 0.3 % from 3.55 V, which is 99.7826 %, is 3.4826 V;
	// three taps of (0.5 mV + half a step of 0.1 mV) over the root of three more.
	assert.InDelta(t, 67_405+3*318, int64(bleed.SpreadMax), 5)
	assert.Equal(t, machine.Compare{Register: bleed.Unmet, Op: "<=", Then: 8}, *compare)
	assert.Equal(t, machine.Jump{Target: 1, Max: 11}, *plan.Code[6].Jump)
	assert.True(t, plan.Code[7].End.Failed)
	assert.Equal(t, "not balanced: balance did not reach 0.3 % in 12 rounds", plan.Code[7].End.Reason)
	// 3 % of 40 Ah through 6.8 Ohm at the nominal 3.2 V is 2.55 h, half as much
	// again where neighbours take turns: 8 rounds of half an hour, and one to see.
	assert.Equal(t, 9, plan.Steps[len(plan.Steps)-3].Repeat)
}

// On the flat part a balance is refused; who accepts that is told in the record.
func TestFlatCurveIsAcceptedByNameOnly(t *testing.T) {
	plan := compiled(t, "profile: x\nsteps:\n  - balance: {to: 0.3 %, held_for: 20 min, flat_curve: accept, top_up: {current: C/5, hold: 3.32 V, taper: C/20}}\n")
	require.Equal(t, machine.OpNote, plan.Code[0].Op)
	require.Contains(t, plan.Code[0].Note.Text, "voltage says little about balance at 3.32 V/cell")
	for _, in := range plan.Code {
		if in.Bleed != nil {
			require.Zero(t, in.Bleed.SpreadMax, "a spread that tells nothing is no condition")
			require.Equal(t, 20*drivers.Minute, in.Bleed.Held)
			return
		}
	}
	require.Fail(t, "nothing bleeds")
}

func TestCountedDischarge(t *testing.T) {
	plan := compiled(t, `
profile: x
steps:
  - discharge: {label: a, current: C/3, cell_end: 2.60 V, save_as: found}
  - charge: {label: b, current: C/2, cell_end: 3.5 V, counted: 50.5 % of found}
  - discharge: {label: c, current: C/2, counted: 20 % of rated}
  - discharge: {label: d, current: C/2, counted: 3 Ah}
`)
	var drives []*machine.Drive
	for _, in := range plan.Code {
		if in.Drive != nil {
			drives = append(drives, in.Drive)
		}
	}
	require.Len(t, drives, 4)
	assert.Equal(t, "found", plan.Registers[drives[1].ChargeOf-1])
	assert.EqualValues(t, 505, drives[1].PerMille)
	assert.Zero(t, drives[1].Charge)
	assert.Equal(t, 8*drivers.AmpereHour, drives[2].Charge)
	assert.Zero(t, drives[2].ChargeOf)
	assert.Equal(t, 3*drivers.AmpereHour, drives[3].Charge)
}

// INV-11: bounds come by default from the prediction, and the profile's own
// take their place.
func TestBounds(t *testing.T) {
	plan := compiled(t, "profile: x\nsteps:\n  - discharge: {current: 20 A, counted: 20 Ah}\n")
	b := only(t, plan, machine.OpDrive).Drive.Bounds
	assert.Equal(t, 26*drivers.AmpereHour, b.Charge, "1.3 times 20 Ah")
	assert.Equal(t, 78*drivers.Minute, b.Span, "1.3 times an hour")
	// 26 Ah at 86.4 V.
	assert.Equal(t, drivers.Energy(22464*drivers.WattHour/10), b.Energy)

	plan = compiled(t, "profile: x\nsteps:\n  - discharge: {current: 20 A, counted: 20 Ah, at_most: {for: 70 min, charge: 21 Ah, energy: 1.8 kWh}}\n")
	assert.Equal(t, machine.Bounds{Span: 70 * drivers.Minute, Charge: 21 * drivers.AmpereHour, Energy: 1800 * drivers.WattHour},
		only(t, plan, machine.OpDrive).Drive.Bounds)
}

// The precharge of check value 5: 100 Ohm, 1 mF, bleed 10 kOhm gives tau
// 0.099009901 s and a final 99.0099 % (computed).
func TestPrechargeValues(t *testing.T) {
	b := shippedBench(t)
	b.Box.LinkBleed = 10_000_000_000
	c := newCompiler(shippedProfile(t, "charge"), shippedModule(t), b)
	s := c.precharge()
	assert.EqualValues(t, 99_010, s.Tau)
	assert.EqualValues(t, 990, s.FinalPerMille)
	b.Box.LinkBleed = 0
	s = newCompiler(shippedProfile(t, "charge"), shippedModule(t), b).precharge()
	assert.EqualValues(t, 100_000, s.Tau)
	assert.EqualValues(t, 1000, s.FinalPerMille)
}

// The prediction against closed forms.
func TestPrediction(t *testing.T) {
	m := shippedModule(t)
	p := model{m: m, soc: 1_000_000}
	// 10 A for 40 Ah * 50 % is two hours; the charge is exact.
	f := p.drive(false, ends{current: 10 * drivers.Ampere, charge: 20 * drivers.AmpereHour})
	assert.Equal(t, 20*drivers.AmpereHour, f.charge)
	assert.InDelta(t, 2, float64(f.span)/float64(drivers.Hour), 1e-6)
	assert.EqualValues(t, 500_000, p.soc)
	// Energy is the integral of the table less the drop: by trapezoids over the
	// table from 50 % to 100 %.
	sum := 0.0
	for i := 1; i < len(m.OCV); i++ {
		if a, b := m.OCV[i-1], m.OCV[i]; a.SoC >= 500_000 {
			sum += float64(a.Voltage+b.Voltage) / 2 * 1e-6 * float64(b.SoC-a.SoC) * 1e-6
		}
	}
	want := 24 * 40 * (sum - 0.5*10*0.0015)
	assert.InDelta(t, want, float64(f.energy)/float64(drivers.WattHour), 2e-3*want)
	// A hold tapers: it ends where the drop over the resistance is the room
	// left, 3.55 V less 2 A * 1.5 mOhm.
	f = p.drive(true, ends{current: 20 * drivers.Ampere, hold: 3_550_000, taper: 2 * drivers.Ampere})
	assert.True(t, p.known)
	assert.InDelta(t, 3.547, float64(m.ocv(p.soc))*1e-6, 0.025)
	assert.Greater(t, f.charge, 19*drivers.AmpereHour)
}

func TestCanonical(t *testing.T) {
	plan := compiled(t, "profile: x\nsteps:\n"+fullCharge+"  - ask: <Look> & see.\n")
	text, digest, err := Canonical(plan)
	require.NoError(t, err)
	require.Len(t, digest, 64)
	require.NotContains(t, string(text), "\n")
	require.Contains(t, string(text), "<Look> & see.")
	back, err := Decode(text)
	require.NoError(t, err)
	require.Equal(t, plan, back)
	require.Equal(t, 24, back.Layout.Cells())
	again, second, err := Canonical(back)
	require.NoError(t, err)
	require.Equal(t, text, again)
	require.Equal(t, digest, second)

	_, err = Decode([]byte(strings.Replace(string(text), `"profile"`, `"profle"`, 1)))
	require.ErrorContains(t, err, "profle")
	_, err = Decode(append(text, "{}"...))
	require.ErrorContains(t, err, "something follows")
	_, err = Decode([]byte(`{}`))
	require.ErrorContains(t, err, "no cell channels")
}

// The same files give the same plan, wherever they lie.
func TestPlanDoesNotDependOnPaths(t *testing.T) {
	src, err := LibraryProfile("qualify")
	require.NoError(t, err)
	m, b := shippedModule(t), shippedBench(t)
	digests := map[string]bool{}
	for _, name := range []string{"qualify.yaml", "some/where/qualify.yaml"} {
		p, problems := ParseProfile(name, src)
		require.Empty(t, problems)
		plan, problems := Compile(p, m, b)
		require.Empty(t, problems)
		_, d, err := Canonical(plan)
		require.NoError(t, err)
		digests[d] = true
	}
	require.Len(t, digests, 1)
}
