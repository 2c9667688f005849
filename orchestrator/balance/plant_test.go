package balance

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// plantModule lets the virtual bench's physics be the article and the judge.
type plantModule struct{ b *plant.Bench }

func (m plantModule) step(seconds, amps float64, bleeding []bool) {
	m.b.SetSupply(plant.Source{Current: amps, Voltage: 200})
	for i, on := range bleeding {
		m.b.Module().SetBleed(i, on)
	}
	m.b.Advance(drivers.Span(seconds * float64(drivers.Second)))
}

func (m plantModule) tap(i int) float64 { return m.b.Module().Tap(i) }

func (m plantModule) lack(i int) float64 {
	return (m.b.Module().Capacity(i) - m.b.Module().Charge(i)) / 3600
}

func newPlant(t testing.TB, seed uint64, spread plant.Spread, defects ...plant.Defect) plantModule {
	t.Helper()
	m, err := plant.Draw(seed, plant.Build{
		Cell: plant.PouchLFP().Parallel(2), Series: 24, SoC: 0.4, Kelvin: 296,
		Joint: 60e-6, Terminals: 300e-6, Bleed: 6.8, BleedHeat: 0.3, Ends: 0.4,
	}, spread, defects...)
	require.NoError(t, err)
	b, err := plant.NewBench(m, plant.Network{Link: 1e-3, Precharge: 100, Contact: 0.2e-3, Leads: 4e-3, MaxStep: drivers.Second})
	require.NoError(t, err)
	b.Switch(plant.Contacts{Negative: true, Precharge: true})
	b.Advance(drivers.Second)
	b.Switch(plant.Contacts{Negative: true, Positive: true})
	return plantModule{b}
}

// moduleCurve is the open-circuit table of the demo's module file: read off by
// hand at eighteen points, up to 10 mV beside the plant's own between them.
func moduleCurve() Curve {
	return Curve{Points: []Point{
		{0, 2_500_000}, {10_000, 2_620_000}, {20_000, 2_700_000}, {50_000, 2_850_000}, {100_000, 2_995_000},
		{200_000, 3_170_000}, {300_000, 3_206_000}, {400_000, 3_252_000}, {500_000, 3_266_000}, {600_000, 3_269_000},
		{700_000, 3_274_000}, {800_000, 3_310_000}, {900_000, 3_314_000}, {950_000, 3_320_000}, {980_000, 3_351_000},
		{990_000, 3_416_000}, {995_000, 3_485_000}, {1_000_000, 3_600_000},
	}}
}

// The virtual bench's module, with hysteresis, reversible heat, self-discharge
// and two RC pairs that the planner knows nothing of, judged by its true charge.
func TestReachesTargetOnPlant(t *testing.T) {
	for seed := range uint64(3) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			m := newPlant(t, seed, plant.Spread{Capacity: 0.015, Resistance: 0.1, SoC: 0.015, SelfDischarge: 0.5, Joint: 0.3})
			b := newBench(t, m, 24, moduleCurve(), seed)
			b.charge(20)
			b.idle(600)
			before, least := imbalance(m, 24), leastBleed(m, 24)
			var c machine.Computed
			rounds := 0
			for rounds < 12 {
				rounds++
				c = b.round(drivers.Hour)
				t.Logf("round %d: told %d +- %d ppm, then %.3f %% true", rounds, c.ImbalancePPM, c.UncertaintyPPM, 100*imbalance(m, 24))
				require.Empty(t, c.GiveUp)
				if c.ImbalancePPM <= 3000 {
					break
				}
			}
			after := imbalance(m, 24)
			t.Logf("true imbalance %.3f %% -> %.3f %% in %d rounds, bled for %.2f h, least %.2f h", 100*before, 100*after, rounds, b.bled/3600, least/3600)
			require.Less(t, after, 0.003)
			require.Greater(t, before, 0.02)
			require.Less(t, b.bled, 1.05*least)
		})
	}
}
