package plant

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

const celsius = 273.15

// groupLFP is two of our pouch cells in parallel, 40 Ah.
func groupLFP() CellSpec { return PouchLFP().Parallel(2) }

// buildKW is the module of the demo: 24S2P, 40 Ah.
func buildKW(soc float64) Build {
	return Build{
		Cell: groupLFP(), Series: 24, SoC: soc, Kelvin: 25 + celsius,
		Joint: 60e-6, Terminals: 300e-6, Bleed: 33, BleedHeat: 0.3, Ends: 0.4,
	}
}

// spreadKW is a usual spread: 3 % capacity, 20 % resistance, 3 % state of charge.
func spreadKW() Spread {
	return Spread{Capacity: 0.03, Resistance: 0.2, SoC: 0.03, SelfDischarge: 0.5, Joint: 0.3, Kelvin: 0.5}
}

func networkKW() Network {
	return Network{Link: 1e-3, LinkBleed: 10e3, Precharge: 100, Contact: 0.2e-3, Leads: 4e-3}
}

func benchOf(t testing.TB, seed uint64, soc float64) *Bench {
	t.Helper()
	m, err := Draw(seed, buildKW(soc), spreadKW())
	require.NoError(t, err)
	b, err := NewBench(m, networkKW())
	require.NoError(t, err)
	return b
}

// closeUp precharges and closes.
func closeUp(b *Bench) {
	b.Switch(Contacts{Negative: true, Precharge: true})
	b.Advance(drivers.Second)
	b.Switch(Contacts{Negative: true, Precharge: true, Positive: true})
	b.Advance(100 * drivers.Millisecond)
	b.Switch(Contacts{Negative: true, Positive: true})
	b.Advance(900 * drivers.Millisecond)
}

// alone is a module of one cell with the given effects left and no joints.
func alone(t testing.TB, s CellSpec, soc float64) *Module {
	t.Helper()
	m, err := Draw(1, Build{Cell: s, Series: 1, SoC: soc, Kelvin: kelvin25C}, Spread{})
	require.NoError(t, err)
	return m
}

// flow drives a bare module at a constant current for d, in steps of at most dt.
func flow(m *Module, current float64, d, dt drivers.Span) {
	m.output(current)
	for end := m.now + d; m.now < end; {
		m.step(min(dt, end-m.now, m.untilWarm()), current, current*current)
		m.output(current)
	}
}
