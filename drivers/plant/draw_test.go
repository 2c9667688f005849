package plant

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The spread is the greatest deviation, half of it the standard deviation.
func TestDrawnSpread(t *testing.T) {
	build := buildKW(0.5)
	build.Series = 20_000
	m, err := Draw(42, build, spreadKW())
	require.NoError(t, err)
	nominal := build.Cell.Capacity
	var worst, square float64
	for k := range m.Len() {
		d := m.Capacity(k)/nominal - 1
		worst, square = max(worst, abs(d)), square+d*d
		assert.InDelta(t, 0.5, m.SoC(k), 0.03)
		assert.InDelta(t, 1, m.Joint(k)/60e-6, 0.3)
		assert.InDelta(t, 25+celsius, m.Kelvin(k), 0.5)
	}
	assert.LessOrEqual(t, worst, 0.03)
	assert.Greater(t, worst, 0.0295)
	// A normal distribution cut at two standard deviations keeps 0.8796 of its
	// standard deviation: sqrt(1 - 4 phi(2)/(2 Phi(2) - 1)), computed.
	phi := math.Exp(-2) / math.Sqrt(2*math.Pi)
	cut := math.Sqrt(1 - 4*phi/math.Erf(math.Sqrt2))
	assertRelative(t, 0.015*cut, math.Sqrt(square/float64(m.Len())), 0.02, "standard deviation")
}

func TestDrawsAreTheirSeeds(t *testing.T) {
	draw := func(seed uint64, s Spread) *Module {
		m, err := Draw(seed, buildKW(0.5), s)
		require.NoError(t, err)
		return m
	}
	a, b, c := draw(1, spreadKW()), draw(1, spreadKW()), draw(2, spreadKW())
	wider := spreadKW()
	wider.Resistance *= 2
	d := draw(1, wider)
	for k := range a.Len() {
		assert.Equal(t, a.cells[k], b.cells[k])
		assert.NotEqual(t, a.Capacity(k), c.Capacity(k))
		assert.Equal(t, a.Capacity(k), d.Capacity(k), "one spread leaves the other draws alone")
		assert.InDelta(t, 2*(a.cells[k].spread-1), d.cells[k].spread-1, 1e-12)
	}
}

func TestDefects(t *testing.T) {
	healthy, err := Draw(3, buildKW(0.5), spreadKW())
	require.NoError(t, err)
	m, err := Draw(3, buildKW(0.5), spreadKW(),
		Defect{WeakCell, 1, 0.1, 0}, Defect{StiffCell, 2, 0.5, 0}, Defect{BadJoint, 3, 400e-6, 0},
		Defect{LeakingCell, 4, 0.02, 0}, Defect{ReversedCell, 5, 0, 0}, Defect{DeadCell, 6, 0.01, 0},
		Defect{LaggardCell, 7, 0.05, 0})
	require.NoError(t, err)
	assertRelative(t, 0.9*healthy.Capacity(1), m.Capacity(1), 1e-12, "weak")
	assertRelative(t, healthy.SoC(1), m.SoC(1), 1e-12, "a weak cell starts at its siblings' level")
	assertRelative(t, 1.5*healthy.Resistance(2), m.Resistance(2), 1e-12, "stiff")
	assertRelative(t, healthy.Joint(3)+400e-6, m.Joint(3), 1e-12, "joint")
	assert.InDelta(t, healthy.Tap(4), m.Tap(4), 0.02*1.5e-3)
	assert.Less(t, m.Tap(5), -3.0, "a reversed cell reads negative")
	assert.InDelta(t, healthy.Voltage(5), m.Voltage(5), 1e-12)
	assert.InDelta(t, 0.01, m.Tap(6), 1e-3) // the draw's temperature moves it a little
	assertRelative(t, healthy.SoC(7)-0.05, m.SoC(7), 1e-12, "laggard")
	assert.InDelta(t, healthy.TerminalVoltage()-2*healthy.Tap(5)-healthy.Tap(6), m.TerminalVoltage(), 0.1)
	flow(m, 40, warmEvery*60, warmEvery/10)
	assert.Less(t, m.Charge(5), healthy.Charge(5), "charging the module discharges the reversed cell")
	assert.Greater(t, m.Charge(0), healthy.Charge(0))
	assert.InDelta(t, 2400*m.spec.Efficiency-0.02*60, m.Charge(4)-healthy.Charge(4), 1.0)
}

// Excess is what must be bled for all cells to become full together.
func TestExcess(t *testing.T) {
	m, err := Draw(4, buildKW(0.9), spreadKW())
	require.NoError(t, err)
	least, most := math.Inf(1), 0.0
	for k := range m.Len() {
		least, most = min(least, m.Excess(k)), max(most, m.Excess(k))
	}
	assert.Zero(t, least)
	assertRelative(t, most/m.Usable(), m.Imbalance(), 1e-12, "imbalance")
	for k := range m.Len() {
		m.SetSoC(k, (m.Charge(k)-m.Excess(k))/m.Capacity(k))
	}
	assert.InDelta(t, 0, m.Imbalance(), 1e-12)
}

func TestBadDraws(t *testing.T) {
	for want, spoil := range map[string]func(*Build, *Spread){
		"0 cells in series":      func(b *Build, _ *Spread) { b.Series = 0 },
		"absolute temperature":   func(b *Build, _ *Spread) { b.Kelvin = -20 },
		"starts at a state":      func(b *Build, _ *Spread) { b.SoC = 50 },
		"joint resistance":       func(b *Build, _ *Spread) { b.Joint = math.NaN() },
		"spread of capacity":     func(_ *Build, s *Spread) { s.Capacity = 3 },
		"part of the bleed's":    func(b *Build, _ *Spread) { b.BleedHeat = 1.1 },
		"spread of temperature":  func(_ *Build, s *Spread) { s.Kelvin = -1 },
		"spread of state of cha": func(_ *Build, s *Spread) { s.SoC = math.Inf(1) },
	} {
		b, s := buildKW(0.5), spreadKW()
		spoil(&b, &s)
		_, err := Draw(1, b, s)
		require.ErrorContains(t, err, want)
	}
	for want, d := range map[string]Defect{
		"24 cells":     {WeakCell, 24, 0.1, 0},
		"unknown kind": {0, 1, 0, 0},
		"no number":    {BadJoint, 1, math.NaN(), 0},
		"a loss of":    {WeakCell, 1, 1, 0},
		"leaves no":    {StiffCell, 1, -1, 0},
		"negative":     {BadJoint, 1, -1, 0},
		"neither may":  {LooseJoint, 1, 0.001, -3},
		"must lie abo": {OpenPouch, 1, 0, 0},
		"bad terminal": {BadTerminal, 0, -1, 0},
	} {
		_, err := Draw(1, buildKW(0.5), spreadKW(), d)
		require.ErrorContains(t, err, want)
	}
}

// A joint that lets go with the current or the temperature, a pouch that hangs in
// the air, a terminal that no tap sees.
func TestHiddenDefects(t *testing.T) {
	draw := func(d ...Defect) *Module {
		m, err := Draw(3, buildKW(0.5), spreadKW(), d...)
		require.NoError(t, err)
		return m
	}
	at := func(m *Module, amperes float64) float64 { // the tap's rise over its siblings'
		flow(m, amperes, warmEvery, warmEvery/10)
		return m.Tap(2) - m.Voltage(2)
	}
	healthy := draw()
	base := healthy.Joint(2)

	loose := draw(Defect{LooseJoint, 2, 500e-6, 10})
	assert.InDelta(t, 5*base, at(loose, 5), 1e-9)
	assert.InDelta(t, 20*(base+500e-6), at(loose, 20), 1e-9)
	assert.InDelta(t, -20*(base+500e-6), at(loose, -20), 1e-9)
	assert.InDelta(t, -5*base, at(loose, -5), 1e-9)

	warm := draw(Defect{WarmJoint, 2, 500e-6, 310})
	assert.InDelta(t, 20*base, at(warm, 20), 1e-9)
	warm.SetKelvin(2, 312)
	assert.InDelta(t, 20*(base+500e-6), at(warm, 20), 1e-9)

	open := draw(Defect{OpenPouch, 2, 0.5, 0})
	assertRelative(t, healthy.Capacity(2)/2, open.Capacity(2), 1e-12, "capacity")
	assertRelative(t, healthy.Resistance(2)*2, open.Resistance(2), 1e-12, "resistance")
	assertRelative(t, healthy.SoC(2), open.SoC(2), 1e-12, "state of charge")
	assertRelative(t, base, open.Joint(2), 1e-12, "the joint to the neighbour stays")

	terminal := draw(Defect{BadTerminal, 0, 1e-3, 0})
	flow(terminal, 20, warmEvery, warmEvery/10)
	flow(healthy, 20, warmEvery, warmEvery/10)
	assert.InDelta(t, 0.02, terminal.TerminalVoltage()-healthy.TerminalVoltage(), 1e-9)
	assert.InDelta(t, healthy.Tap(2), terminal.Tap(2), 1e-12)
}
