package balance

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// untilGiveUp runs rounds until the planner gives up or says balanced.
func untilGiveUp(t *testing.T, b *bench, most int) (rounds int, c machine.Computed) {
	t.Helper()
	for rounds = 1; rounds <= most; rounds++ {
		c = b.round(drivers.Hour)
		t.Logf("round %d: told %d +- %d ppm, %s", rounds, c.ImbalancePPM, c.UncertaintyPPM, c.GiveUp)
		if c.GiveUp != "" || c.ImbalancePPM <= 3000 {
			return rounds, c
		}
	}
	return most, c
}

// A cell whose bleed does nothing is named, and not after days.
func TestGivesUpOnDeafCell(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	m := newSim(rng, 24, 0.02, 0.4)
	m.deaf = 5
	m.cells[5].charge = m.cells[5].capacity * 0.42 // one that must bleed
	b := newBench(t, m, 24, simCurve(rng), 3)
	b.charge(20)
	b.idle(600)
	rounds, c := untilGiveUp(t, b, 12)
	require.Contains(t, c.GiveUp, "cell 06 does not answer to bleeding")
	require.LessOrEqual(t, rounds, 8)
}

// A cell that loses charge by itself is named.
func TestGivesUpOnLeak(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 1))
	m := newSim(rng, 24, 0.01, 0.4)
	m.cells[9].leak = 0.3
	b := newBench(t, m, 24, simCurve(rng), 4)
	b.charge(20)
	b.idle(600)
	rounds, c := untilGiveUp(t, b, 15)
	require.Contains(t, c.GiveUp, "cell 10 keeps losing charge by itself")
	require.LessOrEqual(t, rounds, 12)
}

// A bleed path that draws current but frees no charge from any cell.
func TestGivesUpWithoutProgress(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 1))
	m := newSim(rng, 24, 0.02, 0.4)
	m.bleed = 1e9
	b := newBench(t, m, 24, simCurve(rng), 5)
	b.charge(20)
	b.idle(600)
	rounds, c := untilGiveUp(t, b, 20)
	require.NotEmpty(t, c.GiveUp)
	require.LessOrEqual(t, rounds, 10)
	require.Greater(t, c.ImbalancePPM, int64(3000))
}

// No cell ever reaches the knee: the charge is held too low.
func TestGivesUpBlind(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	m := newSim(rng, 24, 0.02, 0.4)
	b := newBench(t, m, 24, simCurve(rng), 6)
	b.hold = 3.30
	rounds, c := untilGiveUp(t, b, 20)
	require.Equal(t, 4, rounds)
	require.Contains(t, c.GiveUp, "no cell reached the steep top of its open-circuit curve in 4 charges")
	require.Greater(t, c.ImbalancePPM, int64(3000))
}
