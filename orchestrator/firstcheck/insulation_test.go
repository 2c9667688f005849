package firstcheck

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

const kOhm = drivers.Microohms(1_000_000_000)

func micro(v float64) drivers.Microvolts { return drivers.Microvolts(math.Round(v * 1e6)) }

// measured is what a voltmeter of 0.1 % would read with leakages of rp and rn.
func measured(vb, v1, v2, after float64, ro drivers.Microohms) *Insulation {
	return &Insulation{Total: micro(vb), Negative: micro(v1), Positive: micro(v2), After: micro(after), Inserted: ro,
		Accuracy: drivers.Accuracy{GainPPM: 1000, Offset: 1000}, Meter: 10_000 * kOhm, Working: micro(vb), Least: 100_000}
}

// UN Regulation No. 100 rev. 2, component test annex 1.2.3.4 to 1.2.3.5; the
// numbers are the formula's own, as an algebraic check: Ri equals the leakage of
// the side with the higher reading's opposite pole, whatever the resistor and the
// meter.
func TestInsulationFormula(t *testing.T) {
	for name, tc := range map[string]struct {
		m     *Insulation
		ohm   float64
		kind  Kind
		grade Grade
	}{
		"32 LFP cells":         {measured(116.8, 91.408696, 25.391304, 5.282412, 12*kOhm), 250e3, InsulationFits, Good},
		"with a 10 MOhm meter": {measured(116.8, 89.654584, 24.904051, 5.276446, 12*kOhm), 250e3, InsulationFits, Good},
		"400 V, 150 Ohm/V":     {measured(400, 377.358491, 22.641509, 156.25, 40*kOhm), 60e3, InsulationFits, Good},
		"400 V, 87.5 Ohm/V":    {measured(400, 386.473430, 13.526570, 209.424084, 40*kOhm), 35e3, InsulationLow, Stop},
		"the other pole":       {measured(400, 13.526570, 386.473430, 209.424084, 40*kOhm), 35e3, InsulationLow, Stop},
	} {
		t.Run(name, func(t *testing.T) {
			value, least, most := tc.m.Resistance()
			require.InEpsilon(t, tc.ohm, value, 2e-6) // the voltages are given to 1 uV
			require.Less(t, least, tc.ohm)
			require.Greater(t, most, tc.ohm)
			f, err := tc.m.Check()
			require.NoError(t, err)
			require.Equal(t, tc.kind, f.Kind, f.What)
			require.Equal(t, tc.grade, f.Grade)
		})
	}
}

// A failed measurement is neither a pass nor 0 Ohm.
func TestInsulationFails(t *testing.T) {
	for name, tc := range map[string]struct {
		m    *Insulation
		kind Kind
	}{
		"the resistor had no contact": {measured(116.8, 91.4, 25.4, 91.4, 12*kOhm), InsulationFailed},
		"next to nothing with it":     {measured(116.8, 91.4, 25.4, 0, 12*kOhm), InsulationFailed},
		"more than the total":         {measured(116.8, 91.4, 45.4, 5.28, 12*kOhm), InsulationFailed},
		"too near to tell":            {measured(400, 384.615385, 15.384615, 196.078431, 40*kOhm), InsulationOpen}, // 40 kOhm exactly
	} {
		t.Run(name, func(t *testing.T) {
			f, err := tc.m.Check()
			require.NoError(t, err)
			require.Equal(t, tc.kind, f.Kind, f.What)
			require.Equal(t, Unproven, f.Grade)
		})
	}
}

// Both poles at nothing: at least what the meter can see, said as such.
func TestInsulationBeyondMethod(t *testing.T) {
	m := measured(116.8, 0.002, 0.001, 0, 0)
	f, err := m.Check()
	require.NoError(t, err)
	require.Equal(t, InsulationFits, f.Kind)
	require.Contains(t, f.What, "at least")
	m.Accuracy.Offset = 116_700_000 // a meter that sees nothing
	f, err = m.Check()
	require.NoError(t, err)
	require.Equal(t, InsulationOpen, f.Kind)
}

func TestInsulationRefuses(t *testing.T) {
	for want, change := range map[string]func(*Insulation){
		"at least 10 MOhm":         func(m *Insulation) { m.Meter = 1000 * kOhm },
		"no resistor was inserted": func(m *Insulation) { m.Inserted = 0 },
		"nothing is demanded":      func(m *Insulation) { m.Least = 0 },
		"at least the total":       func(m *Insulation) { m.Working = m.Total / 2 },
	} {
		m := measured(116.8, 91.4, 25.4, 5.28, 12*kOhm)
		change(m)
		_, err := m.Check()
		require.ErrorContains(t, err, want)
	}
}
