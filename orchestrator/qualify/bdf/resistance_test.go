package bdf_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/bdf"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// relaxing writes the worked example of a cell with two relaxations (1.2 mOhm, 0.8
// mOhm with 2 s, 1.0 mOhm with 40 s; times the scale) under 100 A for so long,
// every dt, with its edge between two rows 1 ms apart; keep drops rows, and noise
// is added to the voltage.
func relaxing(long, dt, scale, noise float64, keep func(t float64) bool) string {
	rng := rand.New(rand.NewPCG(11, 0))
	var b strings.Builder
	b.WriteString("Test Time / s,Voltage / V,Current / A,Step Count / 1,Surface Temperature / degC\n")
	row := func(t, i float64, step int) {
		v := 3.70 + noise*rng.NormFloat64()
		if i != 0 {
			v += i * scale * (1.2e-3 + 0.8e-3*(1-math.Exp(-t/2)) + 1.0e-3*(1-math.Exp(-t/40)))
		}
		if t < 0 || keep == nil || keep(t) {
			fmt.Fprintf(&b, "%.4f,%.7f,%g,%d,25.0\n", t+10, v, i, step)
		}
	}
	for t := -10.0; t < -0.001; t += dt {
		row(t, 0, 1)
	}
	row(-0.0005, 0, 1)
	row(0.0005, -100, 2)
	for k := 1; float64(k)*dt <= long+1e-9; k++ {
		row(float64(k)*dt, -100, 2)
	}
	return b.String()
}

func at(t *testing.T, s bdf.Step, after float64) bdf.Resistance {
	t.Helper()
	for _, r := range s.Resistances {
		if r.After == after {
			return r
		}
	}
	require.Fail(t, "no such time", "%g s", after)
	return bdf.Resistance{}
}

// Values of the formula at 0.1, 1, 2 and 10 s (computed, with 5 s by the same
// formula), which any tool hits whose rows include the edge.
func TestResistanceOfTheWorkedExample(t *testing.T) {
	s := read(t, relaxing(12, 0.01, 1, 0, nil)).Steps[1]
	r5 := 1.2 + 0.8*(1-math.Exp(-2.5)) + 1.0*(1-math.Exp(-0.125))
	for after, want := range map[float64]float64{0.1: 1.241513338, 1: 1.539465560, 2: 1.754467023, 5: r5, 10: 2.215808859} {
		r := at(t, s, after)
		require.True(t, r.OK, r.Reason)
		assert.InEpsilon(t, want, r.MilliOhm, 1e-4, "%g s", after)
		assert.InDelta(t, want, r.MilliOhm, r.U+1e-6, "%g s", after)
		assert.Greater(t, r.U, 0.0)
	}
	assert.Equal(t, at(t, s, 10), s.R10)
	require.NotNil(t, s.Temperature)
	assert.InDelta(t, 25, *s.Temperature, 1e-9)
}

// Declared gains of 0.1 % and 1 % (IEC 62660-2 clause 4.3, as quoted) are two
// rectangles: the interval is their trapezoid's, the offset cancels between the
// two edges.
func TestResistanceWithDeclaredAccuracy(t *testing.T) {
	a := bdf.Accuracy{VoltageGain: 0.001, VoltageOffset: 0.005, CurrentGain: 0.01, CurrentOffset: 0.1}
	r, err := bdf.Read("f", strings.NewReader(relaxing(12, 0.01, 1, 0, nil)), bdf.With(a))
	require.NoError(t, err)
	x := at(t, r.Steps[1], 10)
	assert.InEpsilon(t, 0.01*gum.Level*x.MilliOhm, x.U, 0.02)
	assert.InDelta(t, gum.Level*math.Sqrt(3), x.K, 0.03)
	assert.NotContains(t, strings.Join(r.Notes, "\n"), "not declared")
	assert.Contains(t, strings.Join(read(t, relaxing(2, 0.1, 1, 0, nil)).Notes, "\n"), "accuracy is not declared")
}

// A row whose voltage and current lie 20 ms apart says nothing of 0.1 s, for which
// skew, averaging and rise together may take 10 ms; at 1 s it widens the interval.
func TestResistanceOfRowsThatLieApart(t *testing.T) {
	at20 := func(lag float64) bdf.Step {
		r, err := bdf.Read("f", strings.NewReader(relaxing(12, 0.01, 1, 0, nil)), bdf.With(bdf.Accuracy{VoltageGain: 1e-4, Lag: lag}))
		require.NoError(t, err)
		return r.Steps[1]
	}
	s, sharp := at20(0.02), at20(0)
	assert.Equal(t, "the current took up to 0.001 s to rise and a row's voltage and current lie up to 0.02 s apart, together over a tenth of 0.1 s", at(t, s, 0.1).Reason)
	assert.True(t, at(t, sharp, 0.1).OK)
	require.True(t, at(t, s, 1).OK, at(t, s, 1).Reason)
	// dR/dt at 1 s by the formula, over 10 ms either way, against 1e-4 of R.
	slope := 0.8/2*math.Exp(-0.5) + 1.0/40*math.Exp(-1.0/40)
	assert.InEpsilon(t, 0.0105*slope*gum.Level, at(t, s, 1).U, 0.15)
	assert.Less(t, at(t, sharp, 1).U, at(t, s, 1).U/3)
}

// A clock that is good to 0.1 % (IEC 62660-2 clause 4.3, as quoted) makes charge
// and energy no better, and cancels in efficiency.
func TestTheClockCountsAndCancels(t *testing.T) {
	text := "Test Time / s,Voltage / V,Current / A,Step Count / 1\n" +
		"0,3.0,-2,1\n10,3.0,-2,1\n10,3.1,2,2\n3610,4.1,2,2\n3610,4.0,-2,3\n7030,3.0,-2,3\n"
	r, err := bdf.Read("f", strings.NewReader(text), bdf.With(bdf.Accuracy{TimeGain: 0.001}))
	require.NoError(t, err)
	assert.InEpsilon(t, 2*0.001*gum.Level, r.Steps[1].ChargeU, 1e-6)
	assert.InDelta(t, 0, r.Pairs[len(r.Pairs)-1].CoulombicU, 1e-9)
}

// Noise of 1 mV on either edge is worth 2*sqrt(2) mV over 100 A, as far as 16 rows
// tell it.
func TestResistanceStatesNoise(t *testing.T) {
	x := at(t, read(t, relaxing(12, 0.01, 1, 1e-3, nil)).Steps[1], 10)
	assert.InEpsilon(t, 2*math.Sqrt2*1e-2, x.U, 0.6)
	assert.Greater(t, x.K, 2.0)
	assert.InDelta(t, 2.215808859, x.MilliOhm, x.U)
}

func TestPulsesThatAreTooShortOrHaveAGap(t *testing.T) {
	s := read(t, relaxing(3, 0.01, 1, 0, nil)).Steps[1]
	assert.True(t, at(t, s, 2).OK)
	assert.Equal(t, "the step has no row 5 s after its edge: it lasted 3 s", at(t, s, 5).Reason)

	// Two seconds without rows, in a pulse of a hundred a second: nobody knows what
	// the current did.
	s = read(t, relaxing(12, 0.01, 1, 0, func(t float64) bool { return t < 3 || t > 5 })).Steps[1]
	assert.True(t, at(t, s, 2).OK, at(t, s, 2).Reason)
	assert.Equal(t, "rows are missing for 2.02 s within the first 10 s", at(t, s, 10).Reason)
	assert.False(t, at(t, s, 5).OK)
	// A file that is coarse throughout has no gap.
	s = read(t, relaxing(12, 0.9, 1, 0, nil)).Steps[1]
	assert.True(t, at(t, s, 10).OK, at(t, s, 10).Reason)
	assert.False(t, at(t, s, 0.1).OK)
}

// Six files of one instrument, one with 6 % more resistance: the odd one of
// siblings, although the current is known to 5 % only.
func TestFilesCompareAsSiblings(t *testing.T) {
	var reports []*bdf.Report
	for i, scale := range []float64{1, 1.002, 0.998, 1.001, 0.999, 1.06} {
		r, err := bdf.Read(fmt.Sprintf("cell%d", i+1), strings.NewReader(relaxing(12, 0.1, scale, 0, nil)), bdf.With(bdf.Accuracy{CurrentGain: 0.05}))
		require.NoError(t, err)
		reports = append(reports, r)
	}
	for _, bench := range []string{"one", ""} {
		var names []string
		for _, r := range bdf.Compare(reports, bench) {
			names = append(names, r.Figure)
			if r.Figure == "resistance 10 s" && bench != "" {
				assert.Equal(t, []string{"cell6"}, r.OddOnes())
			} else if r.Figure == "resistance 10 s" {
				assert.False(t, r.Rows[0].Apart, "unknown currents hide 6 %")
				assert.Greater(t, r.Rows[0].OffU, 0.1)
			}
		}
		assert.Equal(t, []string{"resistance 0.1 s", "resistance 1 s", "resistance 2 s", "resistance 5 s", "resistance 10 s"}, names)
	}
}

// One instrument both ways: its gain cancels in the coulombic efficiency, its
// offset does not. Separate instruments: nothing cancels.
func TestEfficiencyOfOneInstrumentAndOfTwo(t *testing.T) {
	text := "Test Time / s,Voltage / V,Current / A,Step Count / 1\n" +
		"0,3.0,-2,1\n10,3.0,-2,1\n10,3.1,2,2\n3610,4.1,2,2\n3610,4.0,-2,3\n7030,3.0,-2,3\n"
	ce := func(a bdf.Accuracy) bdf.Pair {
		r, err := bdf.Read("f", strings.NewReader(text), bdf.With(a))
		require.NoError(t, err)
		return r.Pairs[len(r.Pairs)-1]
	}
	p := ce(bdf.Accuracy{CurrentGain: 0.01})
	assert.InDelta(t, 95, p.Coulombic, 1e-9)
	assert.InDelta(t, 0, p.CoulombicU, 1e-9)
	p = ce(bdf.Accuracy{CurrentGain: 0.01, Separate: true})
	assert.InEpsilon(t, 95*0.02*(1-math.Sqrt(1-gum.Level)), p.CoulombicU, 5e-3)
	// 10 mA both ways: 10 mA of 2 A into 1 h and out of 0.95 h; d(out/in) =
	// -(0.95 + 0.95)*0.005, a rectangle.
	p = ce(bdf.Accuracy{CurrentOffset: 0.01})
	assert.InEpsilon(t, 100*0.95*2*0.005*gum.Level, p.CoulombicU, 1e-3)
}
