package pack

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// lfp is the flat curve of the invented modules KW-01 and their siblings.
func lfp(t testing.TB) Curve {
	t.Helper()
	c, err := NewCurve(
		[]float64{0, .01, .02, .05, .10, .20, .30, .40, .50, .60, .70, .80, .90, .95, .98, .99, .995, 1},
		[]float64{2.5, 2.62, 2.7, 2.85, 2.995, 3.17, 3.206, 3.252, 3.266, 3.269, 3.274, 3.31, 3.314, 3.32, 3.351, 3.416, 3.485, 3.6})
	require.NoError(t, err)
	return c
}

// bank draws n modules of 24 cells at any state of charge, a few of them counted.
func bank(t testing.TB, r *rand.Rand, n int) []Branch {
	c := lfp(t)
	var out []Branch
	for i := range n {
		soc := 0.03 + 0.95*r.Float64()
		b := Branch{
			Name: fmt.Sprintf("M%d", i+1), Chemistry: "LFP", Curve: c, Series: 24, Capacity: 38 + 3*r.Float64(),
			Resistance: 0.03 + 0.02*r.Float64(), ResistanceWithin: 0.006 * r.Float64(),
			VoltageWithin: 0.05 * r.Float64(), CurveDoubt: 0.005 * r.Float64(),
			ChargeMax: 45, DischargeMax: 50, Joint: 150, Fuse: 100, Breaking: 50e3, Isolated: true,
			CellMin: 2.55, CellMax: 3.6, NoCharge: 2, HeatCapacity: 24 * 900,
		}
		b.Voltage = 24 * c.Voltage(soc)
		if r.IntN(3) == 0 {
			b.SoC = &Interval{max(soc-0.02*r.Float64(), 0), min(soc+0.02*r.Float64(), 1)}
		}
		out = append(out, b)
	}
	return out
}

// any draws a bank that the intervals of another allow.
func anyOf(r *rand.Rand, branches []Branch, states []state) []source {
	in := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	var out []source
	for i := range branches {
		b, s := &branches[i], &states[i]
		soc, ohms := in(s.soc.Low, s.soc.High), in(b.lowest(), b.highest())
		volts := in(s.volts.Low, s.volts.High)
		out = append(out, b.source(soc, volts, ohms))
	}
	return out
}
