package plant

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// capacitorModule is 32 linear cells of 1.2 V per capacity at a total voltage.
func capacitorModule(t testing.TB, volts, ampereHours, ohm, pairOhm float64) *Module {
	t.Helper()
	s := CellSpec{Chemistry: Linear(3.0, 4.2), Capacity: ampereHours * 3600, R0: ohm}
	if pairOhm > 0 {
		s.Pairs = [2]Pair{{R: pairOhm, Tau: 20}}
	}
	m, err := Draw(1, Build{Cell: s, Series: 32, SoC: (volts/32 - 3.0) / 1.2, Kelvin: kelvin25C}, Spread{})
	require.NoError(t, err)
	return m
}

// Check values 15 (computed, closed form of two capacitors).
func TestEqualise(t *testing.T) {
	a := capacitorModule(t, 116.8, 38, 1.6e-3, 0)
	b := capacitorModule(t, 118.4, 40, 1.5e-3, 0)
	p, err := NewParallel(a, b, 8e-3)
	require.NoError(t, err)
	const tau = 195.8462
	assertRelative(t, 14.925373, p.Current(), 1e-7, "I0")
	start := a.Charge(0)
	p.Advance(100 * drivers.Second)
	// The closed form's tau from its parts, since it is printed to 7 digits.
	exact := 0.1072 * (3562.5 * 3750 / (3562.5 + 3750))
	assert.InDelta(t, tau, exact, 5e-5)
	assertRelative(t, 1.6/0.1072*math.Exp(-100/exact), p.Current(), 1e-6, "current after 100 s")
	assertRelative(t, 2338.4615*(1-math.Exp(-200/exact)), p.Heat(), 1e-6, "loss after 100 s")
	p.Advance(6000 * drivers.Second)
	assertRelative(t, 0.811966, (a.Charge(0)-start)/3600, 1e-6, "charge moved, Ah")
	assertRelative(t, 117.620513, a.TerminalVoltage(), 1e-8, "final voltage")
	assertRelative(t, 117.620513, b.TerminalVoltage(), 1e-8, "final voltage of the other")
	assertRelative(t, 2338.4615, p.Heat(), 1e-6, "loss")
}

// Check values 15: the first current does not depend on the capacity, and 20 A
// need 2.1440 V.
func TestFirstEqualisingCurrent(t *testing.T) {
	for _, ah := range []float64{4, 40, 400} {
		p, err := NewParallel(capacitorModule(t, 116.8, ah, 1.6e-3, 0), capacitorModule(t, 116.8+2.1440, 40, 1.5e-3, 0), 8e-3)
		require.NoError(t, err)
		assertRelative(t, 20, p.Current(), 1e-7, "I0 with %g Ah", ah)
	}
}

// What one module loses the other gains, joint by joint of real cells.
func TestEqualiseRealModules(t *testing.T) {
	a, err := Draw(11, buildKW(0.30), spreadKW())
	require.NoError(t, err)
	b, err := Draw(12, buildKW(0.60), spreadKW())
	require.NoError(t, err)
	sum := func(m *Module) (q float64) {
		for k := range m.Len() {
			q += m.Charge(k)
		}
		return q
	}
	for k := range a.Len() { // no losses inside, so that charge is conserved
		a.cells[k].selfDischarge, b.cells[k].selfDischarge = 0, 0
	}
	a.spec.Efficiency, b.spec.Efficiency = 1, 1
	qa, qb := sum(a), sum(b)
	p, err := NewParallel(a, b, 8e-3)
	require.NoError(t, err)
	first := p.Current()
	assert.Greater(t, first, 5.0)
	p.Advance(drivers.Hour)
	c := p.Clone()
	assert.InDelta(t, qa-sum(a), sum(b)-qb, 1e-6)
	assert.Less(t, p.Current(), first)
	assert.InDelta(t, b.TerminalVoltage()-a.TerminalVoltage(), p.Current()*8e-3, 1e-9)
	p.Advance(drivers.Second)
	assert.NotEqual(t, c.Current(), p.Current())
	c.Advance(drivers.Second)
	assert.Equal(t, p.Current(), c.Current())
}

func TestBadPairs(t *testing.T) {
	a, b := capacitorModule(t, 117, 40, 1e-3, 0), capacitorModule(t, 117, 40, 1e-3, 0)
	_, err := NewParallel(a, a, 1)
	assert.ErrorContains(t, err, "two modules")
	_, err = NewParallel(a, b, math.NaN())
	assert.ErrorContains(t, err, "resistance")
	flow(b, 0, drivers.Second, drivers.Second)
	_, err = NewParallel(a, b, 1)
	assert.ErrorContains(t, err, "us old")
}
