package pack

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// straight is a curve on which a module of 32 cells is a capacitor: 38.4 V from
// empty to full about 116.8 V.
func straight(t testing.TB) Curve {
	t.Helper()
	c, err := NewCurve([]float64{0, 1}, []float64{2.9, 4.1})
	require.NoError(t, err)
	return c
}

// two are the modules of check value 15: 40 and 38 Ah per 38.4 V are 3750 and
// 3562.5 F; the 8 mOhm of the connection are shared evenly.
func two(t testing.TB) []Branch {
	c := straight(t)
	b := Branch{Chemistry: "NMC", Curve: c, Series: 32, ChargeMax: 20, DischargeMax: 20, Joint: 100, Fuse: 100, Breaking: 20e3, Isolated: true,
		CellMin: 2.9, CellMax: 4.1, NoCharge: 2, HeatCapacity: 32 * 900}
	first, second := b, b
	first.Name, first.Capacity, first.Resistance, first.Voltage = "A", 40, 32*1.5e-3+4e-3, 118.4
	second.Name, second.Capacity, second.Resistance, second.Voltage = "B", 38, 32*1.6e-3+4e-3, 116.8
	return []Branch{first, second}
}

func likeliest(branches []Branch) []source {
	var out []source
	for i := range branches {
		b := &branches[i]
		out = append(out, b.source(b.settle().mid, b.Voltage, b.Resistance))
	}
	return out
}

// The two-capacitor closed form: I0 = dV/R, tau = R*C1*C2/(C1+C2), dQ = C_e*dV,
// V_f = (C1*V1+C2*V2)/(C1+C2), loss = C_e*dV^2/2 (check values 15, computed).
func TestTwoCapacitors(t *testing.T) {
	c, err := run(likeliest(two(t)), true)
	require.NoError(t, err)
	near := func(want, got float64) { t.Helper(); assert.InEpsilon(t, want, got, 1e-7) }
	near(14.925373134, c.Discharging[0])
	near(14.925373134, c.Charging[1])
	assert.Zero(t, c.Charging[0])
	near(0.811965812, c.Moved[1])
	near(-0.811965812, c.Moved[0])
	near(117.620512821, c.Final)
	assert.InEpsilon(t, 2338.461538, c.Heat[0]+c.Heat[1], 1e-6)
	assert.InEpsilon(t, 52.0/55.2, c.Heat[0]/c.Heat[1], 1e-6, "heat is shared as the resistances")
	// Each kept moment lies on the exponential.
	for _, m := range c.Moments {
		if m.Seconds < 8*195.8462 {
			assert.InEpsilon(t, 14.925373134*math.Exp(-m.Seconds/195.8461538), m.Amps[1], 1e-4, "at %g s", m.Seconds)
		}
	}
	assert.Greater(t, len(c.Moments), 20)
}

// Check value 15: the first current depends on no capacity; time grows with it.
func TestFirstCurrentDoesNotDependOnCapacity(t *testing.T) {
	b := two(t)
	b[0].Capacity, b[1].Capacity = 400, 380
	c, err := run(likeliest(b), true)
	require.NoError(t, err)
	assert.InEpsilon(t, 14.925373134, c.Charging[1], 1e-9)
	for _, m := range c.Moments {
		if m.Seconds > 0 && m.Seconds < 8*1958 {
			assert.InEpsilon(t, 14.925373134*math.Exp(-m.Seconds/1958.461538), m.Amps[1], 1e-4)
		}
	}
}

// Check value 15: 20 A allow a difference of 2.1440 V.
func TestAllowedDifference(t *testing.T) {
	d, _, _ := allowed(two(t))
	assert.InEpsilon(t, 2.1440, d, 1e-12)
}
