package plant

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
)

// stored returns the energy in a cell: the integral of its open-circuit voltage
// over its charge, exact for a table of straight lines, and what its RC pairs'
// capacitances hold.
func stored(m *Module, k int) float64 {
	c := &m.cells[k]
	table := &m.spec.Chemistry.table
	x := c.q * c.perCapacity * tableSize
	e := 0.0
	n := 0
	for ; n < tableSize-1 && float64(n+1) <= x; n++ {
		e += 0.5 * (table[n] + table[n+1])
	}
	part := x - float64(n)
	e += part * (table[n] + 0.5*part*(table[n+1]-table[n]))
	return e/tableSize*c.capacity + c.g1*c.u1*c.u1 + c.g2*c.u2*c.u2
}

// Whatever is done to a bench, charge and energy are where they must be. The
// effects left out make a pair's energy ambiguous (its resistance changes while
// it is charged) or take heat from the surroundings.
func TestConservation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		build := buildKW(rapid.Float64Range(0.15, 0.85).Draw(t, "soc"))
		build.Series = rapid.IntRange(1, 6).Draw(t, "series")
		build.Cell = build.Cell.Without(Temperature | ChargeState | Direction | Entropy | Efficiency | SelfDischarge)
		m, err := Draw(rapid.Uint64().Draw(t, "seed"), build, spreadKW())
		require.NoError(t, err)
		b, err := NewBench(m, networkKW())
		require.NoError(t, err)
		closeUp(b)

		energy, charge := 0.0, make([]float64, m.Len())
		for k := range m.Len() {
			energy += stored(m, k)
			charge[k] = m.Charge(k)
		}
		start := b.Counters()
		volts := m.TerminalVoltage()
		for range rapid.IntRange(1, 8).Draw(t, "actions") {
			act(t, b, volts)
			b.Advance(drivers.Span(rapid.Int64Range(1, 60_000_000).Draw(t, "for")))
		}
		end := b.Counters()

		in := end.ChargeIn - start.ChargeIn - (end.ChargeOut - start.ChargeOut)
		through := end.ChargeIn - start.ChargeIn + end.ChargeOut - start.ChargeOut
		bled := 0.0
		left := 0.0
		for k := range m.Len() {
			left += stored(m, k)
			lost := in - (m.Charge(k) - charge[k])
			assert.GreaterOrEqual(t, lost, -1e-8, "a cell gains nothing that did not flow in")
			if !everBled(b, k) {
				assert.InDelta(t, 0, lost, 1e-9*(m.Charge(k)+through), "charge of cell index %d", k)
			}
			bled += lost
		}
		moved := end.EnergyIn - start.EnergyIn + end.EnergyOut - start.EnergyOut
		net := end.EnergyIn - start.EnergyIn - (end.EnergyOut - start.EnergyOut)
		spent := end.Heat - start.Heat + end.Bled - start.Bled
		assert.InDelta(t, net, left-energy+spent, 1e-6*moved+1e-5*(end.Bled-start.Bled)+1e-5,
			"energy in, against stored and set free")
		assert.GreaterOrEqual(t, end.Heat, start.Heat-1e-3*moved)
	})
}

// act does one thing to the bench.
func act(t *rapid.T, b *Bench, volts float64) {
	current := rapid.Float64Range(0, 60).Draw(t, "current")
	slew := rapid.SampledFrom([]float64{0, 20, 500}).Draw(t, "slew")
	switch rapid.IntRange(0, 4).Draw(t, "action") {
	case 0:
		b.SetLoad(Source{})
		b.SetSupply(Source{Current: current, Voltage: 2 * volts, Slew: slew})
	case 1:
		b.SetLoad(Source{})
		b.SetSupply(Source{Current: current, Voltage: volts, Slew: slew})
	case 2:
		b.SetSupply(Source{})
		b.SetLoad(Source{Current: current, Voltage: volts / 2, Slew: slew})
	case 3:
		b.SetSupply(Source{})
		b.SetLoad(Source{})
	case 4:
		b.Module().SetBleed(0, !b.Module().Bleeding(0))
	}
}

// everBled: only the first cell is ever bled above.
func everBled(b *Bench, k int) bool { return k == 0 && b.Counters().Bled > 0 }

// A bleed takes V/R, and what it takes is gone from that cell alone: 0.1 A at
// 3.30 V and 33 Ohm, 0.5 Ah in 5.0 h (check values 15, computed).
func TestBleed(t *testing.T) {
	s := CellSpec{Chemistry: Linear(3.3, 3.3), Capacity: 40 * 3600}
	m, err := Draw(1, Build{Cell: s, Series: 3, SoC: 0.5, Kelvin: kelvin25C, Bleed: 33}, Spread{})
	require.NoError(t, err)
	m.SetBleed(1, true)
	assertRelative(t, 0.1, m.BleedCurrent(1), 1e-12, "bleed current")
	flow(m, 0, 5*drivers.Hour, drivers.Second)
	assertRelative(t, -0.5, (m.Charge(1)-m.Charge(0))/3600, 1e-9, "Ah")
	assertRelative(t, 0.33*5*3600, m.bled, 1e-9, "energy")
	m.SetBleed(1, false)
	assert.Zero(t, m.BleedCurrent(1))

	// Behind a resistance the tap falls while bleeding: that is why cells are
	// measured with bleeding paused.
	m, err = Draw(1, buildKW(0.5), Spread{})
	require.NoError(t, err)
	rest := m.Tap(2)
	m.SetBleed(2, true)
	r := m.Resistance(2) + m.Joint(2)
	assertRelative(t, rest*33/(33+r), m.Tap(2), 1e-12, "divider")
	assertRelative(t, m.Tap(2)/33, m.BleedCurrent(2), 1e-12, "current")
	assert.Equal(t, rest, m.Tap(3))
}
