package plant

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// Each effect alone, beside the same cell with it switched off.

func TestArrhenius(t *testing.T) {
	s := groupLFP().Without(AllEffects &^ Temperature)
	s.Activation = 20e3
	warm, cold := alone(t, s, 0.5), alone(t, s, 0.5)
	cold.SetKelvin(0, celsius)
	// exp(Ea/R (1/273.15 - 1/298.15)), R by the SI of 2019: computed.
	want := math.Exp(20e3 / 8.314462618 * (1/273.15 - 1/298.15))
	assertRelative(t, want, cold.Resistance(0)/warm.Resistance(0), 1e-12, "resistance at 0 degC")
	s = s.Without(Temperature)
	cold = alone(t, s, 0.5)
	cold.SetKelvin(0, celsius)
	assertRelative(t, warm.Resistance(0), cold.Resistance(0), 1e-12, "switched off")
}

// Section 8's sample circuit rises by 20 % at both ends (read).
func TestRise(t *testing.T) {
	s := groupLFP().Without(AllEffects &^ ChargeState)
	for soc, factor := range map[float64]float64{0: 1.2, 0.25: 1.05, 0.5: 1, 1: 1.2} {
		assertRelative(t, factor*s.R0, alone(t, s, soc).Resistance(0), 1e-12, "at %g", soc)
		assertRelative(t, s.R0, alone(t, s.Without(ChargeState), soc).Resistance(0), 1e-12, "off, at %g", soc)
	}
}

func TestDirection(t *testing.T) {
	s := groupLFP().Without(AllEffects &^ Direction)
	m := alone(t, s, 0.5)
	drop := func(current float64) float64 {
		m.face(current > 0)
		m.output(0)
		rest := m.Voltage(0)
		m.output(current)
		return m.Voltage(0) - rest
	}
	assertRelative(t, 40*s.R0, drop(40), 1e-9, "charging")
	assertRelative(t, -40*s.R0*1.08, drop(-40), 1e-9, "discharging")
}

// After the memory's charge has flowed, 1-1/e of the way to the other branch.
func TestHysteresis(t *testing.T) {
	s := groupLFP().Without(AllEffects &^ Hysteresis)
	s.R0, s.Chemistry, s.Memory = 0, Linear(3.3, 3.3), 0.02
	m := alone(t, s, 0.5)
	at := drivers.Span(0.02 * s.Capacity / 40 * 1e6)
	flow(m, 40, at, 100*drivers.Millisecond)
	assert.InDelta(t, 3.3+8e-3*(1-1/math.E), m.Voltage(0), 1e-8)
	flow(m, -40, 20*at, 100*drivers.Millisecond)
	assert.InDelta(t, 3.3-8e-3, m.Voltage(0), 1e-8)
	// Both branches passed, the heat set free is the loop's area and never negative.
	assert.Greater(t, m.heat, 0.0)
}

func TestEfficiencyAndSelfDischarge(t *testing.T) {
	s := groupLFP().Without(AllEffects &^ Efficiency)
	s.Efficiency = 0.98
	m := alone(t, s, 0.2)
	start := m.Charge(0)
	flow(m, 40, drivers.Hour, drivers.Second)
	assertRelative(t, 0.98*40*3600, m.Charge(0)-start, 1e-12, "stored")
	flow(m, -40, drivers.Hour/2, drivers.Second)
	assertRelative(t, 0.98*40*3600-40*1800, m.Charge(0)-start, 1e-12, "after discharge")

	s = groupLFP().Without(AllEffects &^ SelfDischarge)
	s.SelfDischarge = 0.4e-3
	m = alone(t, s, 0.5)
	flow(m, 0, 100*drivers.Hour, drivers.Second)
	assertRelative(t, -0.04*3600, m.Charge(0)-s.Capacity/2, 1e-7, "100 h at 0.4 mA")
}

// Reversible heat is I T dU/dT, heating while charging where dU/dT is positive;
// and the open-circuit voltage follows temperature by the same coefficient.
func TestReversibleHeat(t *testing.T) {
	s := groupLFP().Without(AllEffects &^ (Entropy | Heating))
	s.R0, s.ToAmbient = 0, 0
	const current, soc = 40.0, 0.6
	want := current * kelvin25C * LFP().Entropy(soc) / s.HeatCapacity // K/s
	for _, sign := range []float64{1, -1} {
		m := alone(t, s, soc)
		flow(m, sign*current, 2*drivers.Second, 100*drivers.Millisecond)
		assertRelative(t, sign*want*2, m.Kelvin(0)-kelvin25C, 2e-3, "direction %g", sign)
	}
	m := alone(t, s, soc)
	m.SetKelvin(0, kelvin25C-20)
	assert.InDelta(t, LFP().OCV(soc)-20*LFP().Entropy(soc), m.Voltage(0), 1e-12)
	m = alone(t, s.Without(Entropy), soc)
	m.SetKelvin(0, kelvin25C-20)
	assert.InDelta(t, LFP().OCV(soc), m.Voltage(0), 1e-12)
}

func TestParallelCount(t *testing.T) {
	one, two := PouchLFP(), groupLFP()
	assert.Equal(t, 40*3600.0, two.Capacity)
	a, b := alone(t, one, 0.7), alone(t, two, 0.7)
	flow(a, -20, 10*drivers.Minute, 100*drivers.Millisecond)
	flow(b, -40, 10*drivers.Minute, 100*drivers.Millisecond)
	assertRelative(t, a.Voltage(0), b.Voltage(0), 1e-12, "voltage of twice the cells at twice the current")
	assertRelative(t, a.Kelvin(0), b.Kelvin(0), 1e-12, "temperature")
}

// A leak empties the cell, heats it, and pulls its voltage by its resistance.
func TestLeak(t *testing.T) {
	s := groupLFP().Without(AllEffects &^ Heating)
	s.ToAmbient, s.Chemistry = 0, Linear(3.3, 3.3)
	m := alone(t, s, 0.5)
	m.SetLeak(0, 100)
	assertRelative(t, 3.3-100*s.R0, m.Voltage(0), 1e-12, "under leak")
	flow(m, 0, 60*drivers.Second, 100*drivers.Millisecond)
	assertRelative(t, -6000, m.Charge(0)-s.Capacity/2, 1e-9, "charge")
	assertRelative(t, 3.3*6000/s.HeatCapacity, m.Kelvin(0)-kelvin25C, 1e-9, "all its energy stays as heat")
}

func TestBadCells(t *testing.T) {
	for want, spoil := range map[string]func(*CellSpec){
		"no chemistry": func(s *CellSpec) { s.Chemistry = nil },
		"capacity":     func(s *CellSpec) { s.Capacity = math.NaN() },
		"efficiency":   func(s *CellSpec) { s.Efficiency = 1.01 },
		"memory":       func(s *CellSpec) { s.Memory = 0 },
		"R0":           func(s *CellSpec) { s.R0 = -1 },
		"first pair":   func(s *CellSpec) { s.Pairs[0].Tau = math.Inf(1) },
	} {
		s := groupLFP()
		spoil(&s)
		_, err := Draw(1, Build{Cell: s, Series: 1, Kelvin: 300}, Spread{})
		require.ErrorContains(t, err, want)
	}
}
