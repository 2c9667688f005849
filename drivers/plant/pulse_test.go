package plant

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/rigwarden/rigwarden/drivers"
)

// pulseCell is the cell of check values 1.4: OCV 3.70 V, R0 1.2 mOhm, R1 0.8
// mOhm with 2 s, R2 1.0 mOhm with 40 s.
func pulseCell() CellSpec {
	return CellSpec{
		Chemistry: Linear(3.7, 3.7), Capacity: 100 * 3600, R0: 1.2e-3,
		Pairs: [2]Pair{{R: 0.8e-3, Tau: 2}, {R: 1.0e-3, Tau: 40}},
	}
}

// Check values 1.4 (computed, analytic): R(t) in a discharge pulse of 100 A.
func TestPulseResistance(t *testing.T) {
	for _, step := range []drivers.Span{drivers.Millisecond, 20 * drivers.Millisecond, 100 * drivers.Millisecond} {
		m := alone(t, pulseCell(), 0.5)
		for _, row := range []struct {
			at drivers.Span
			r  float64 // mOhm
		}{
			{0, 1.200000000},
			{100 * drivers.Millisecond, 1.241513338},
			{drivers.Second, 1.539465560},
			{2 * drivers.Second, 1.754467023},
			{10 * drivers.Second, 2.215808859},
			{18 * drivers.Second, 2.362273121},
			{30 * drivers.Second, 2.527633203},
		} {
			flow(m, -100, row.at-m.now, step)
			assertRelative(t, row.r*1e-3, (3.7-m.Voltage(0))/100, 1e-9, "R(%d us) in steps of %d us", row.at, step)
		}
	}
}

// Check values 1.4 (computed): the whole sequence, discharge -100 A 0-30 s,
// rest to 70 s, charge +75 A 70-80 s, through the bench's network.
func TestPulseSequence(t *testing.T) {
	m := alone(t, pulseCell(), 0.5)
	b, err := NewBench(m, Network{Link: 1e-9, Precharge: 1})
	assert.NoError(t, err)
	b.Switch(Contacts{Negative: true, Precharge: true, Positive: true})
	b.Advance(drivers.Second) // the link follows within nanoseconds
	b.Switch(Contacts{Negative: true, Positive: true})
	b.ResetWorst()
	volts := func(d drivers.Span) float64 { b.Advance(d); return m.Voltage(0) }

	v0 := volts(0)
	b.SetLoad(Source{Current: 100})
	b.Advance(30 * drivers.Second)
	v1 := m.Voltage(0)
	b.SetLoad(Source{})
	v2 := volts(40 * drivers.Second)
	b.SetSupply(Source{Current: 75, Voltage: 5})
	v3 := volts(10 * drivers.Second)

	assertRelative(t, 3.700000000, v0, 1e-9, "V_t0")
	assertRelative(t, 3.447236680, v1, 1e-8, "V_t1")
	assertRelative(t, 3.680589450, v2, 1e-8, "V_t2")
	assertRelative(t, 3.851068713, v3, 1e-8, "V_t3")
	rDis, rReg := (v0-v1)/100, (v3-v2)/75
	assertRelative(t, 2.527633203e-3, rDis, 1e-6, "R_dis")
	assertRelative(t, 2.273056840e-3, rReg, 1e-6, "R_reg")
	// Both powers are printed for the open-circuit voltage of 3.70 V.
	assertRelative(t, 830.816749, 3.0*(v0-3.0)/rDis, 1e-6, "P_dis")
	assertRelative(t, 923.866030, 4.2*(4.2-3.7)/rReg, 1e-6, "P_reg")
	assert.InDelta(t, 75, b.Worst().ChargeMax, 1e-6)
	assert.InDelta(t, 100, b.Worst().DischargeMax, 1e-6)
}

// A pulse whose edges take 50 ms: exact to second order in the ramp's steps,
// judged by steps a hundred times finer and by the closed form of a ramp.
func TestPulseWithSlew(t *testing.T) {
	b, err := NewBench(alone(t, pulseCell(), 0.5), Network{Link: 1e-9, Precharge: 1})
	assert.NoError(t, err)
	b.Switch(Contacts{Negative: true, Precharge: true, Positive: true})
	b.Advance(drivers.Second)
	b.SetLoad(Source{Current: 100, Slew: 2000})
	b.Advance(50 * drivers.Millisecond)
	assert.InDelta(t, 100, b.LoadCurrent(), 1e-9)
	b.Advance(950 * drivers.Millisecond)
	// A ramp of length w is, to an exponential, a step weighted by
	// (1-exp(-w/tau))*tau/w and read from the ramp's start.
	want := 3.7 - 100*1.2e-3
	for _, p := range pulseCell().Pairs {
		z := 0.05 / p.Tau
		_, y := decay(z)
		want -= 100 * p.R * (1 - Exp(-(1-0.05)/p.Tau)*y/z)
	}
	assert.InDelta(t, want, b.Module().Voltage(0), 2e-7)
}

// Check values 2, exact integrals (computed): a supply at constant voltage into
// a capacitor behind a resistance tapers as 20 A exp(-t/1800 s), and 3600 s of
// it carry 8.646647168 Ah.
func TestTaperIntegral(t *testing.T) {
	const ohm = 2.5e-3
	s := CellSpec{Chemistry: Linear(3.0, 4.0), Capacity: 1800 / ohm, R0: ohm} // 1 V per capacity
	m := alone(t, s, 0.2)
	b, err := NewBench(m, Network{Link: 1e-6, Precharge: 1})
	assert.NoError(t, err)
	b.Switch(Contacts{Negative: true, Precharge: true, Positive: true})
	b.Advance(drivers.Second)
	b.Switch(Contacts{Negative: true, Positive: true})
	before := b.Counters().ChargeIn - b.Counters().ChargeOut
	b.SetSupply(Source{Current: 1000, Voltage: m.emf + 20*ohm})
	b.Advance(3600 * drivers.Second)
	got := (b.Counters().ChargeIn - b.Counters().ChargeOut - before) / 3600
	assertRelative(t, 8.646647168, got, 1e-6, "Ah of the taper")
	assertRelative(t, 20*Exp(-2), b.SupplyCurrent(), 1e-5, "current at the end")
	assert.True(t, b.SupplyHolding())
}

// Check values 2 (computed): 10 A for an hour while the voltage falls from 4.0
// to 3.0 V in a straight line are 10 Ah and 35.000000 Wh.
func TestLinearDischarge(t *testing.T) {
	s := CellSpec{Chemistry: Linear(3.0, 4.0), Capacity: 10 * 3600, R0: 1e-9}
	b, err := NewBench(alone(t, s, 1), Network{Link: 1e-9, Precharge: 1, Contact: 1e-6})
	assert.NoError(t, err)
	b.Switch(Contacts{Negative: true, Precharge: true, Positive: true})
	b.Advance(drivers.Second)
	b.Switch(Contacts{Negative: true, Positive: true})
	start := b.Counters()
	b.SetLoad(Source{Current: 10})
	b.Advance(drivers.Hour)
	end := b.Counters()
	assertRelative(t, 10, (end.ChargeOut-start.ChargeOut)/3600, 1e-8, "Ah")
	assertRelative(t, 35.000000, (end.EnergyOut-start.EnergyOut)/3600, 1e-7, "Wh")
}
