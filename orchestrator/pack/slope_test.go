package pack

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
)

// Strings in parallel on a real curve, discharged by a constant current until the
// first is empty, simulated step by step: the pack gives at least what the flat
// curve promises, and at most the sum of all strings.
func TestASlopeGivesNoLess(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	curve := lfp(t)
	better := 0
	for range 20 {
		sets := make([]set, 2+r.IntN(3))
		sum := 0.0
		for i := range sets {
			sets[i] = set{charge: 38 + 3*r.Float64(), ohms: 80 + 30*r.Float64(), volts: 77}
			sum += sets[i].charge
		}
		flat := inParallel(sets).charge
		const amps, step = 40.0, 2.0 // A, s
		depth := make([]float64, len(sets))
		given := 0.0
		for done := false; !done; given += amps * step / 3600 {
			volts, g := 0.0, 0.0
			for i, s := range sets {
				volts += 24 * curve.Voltage(1-depth[i]) / s.ohms
				g += 1 / s.ohms
			}
			u := (volts - amps/1000) / g
			for i, s := range sets {
				depth[i] += (24*curve.Voltage(1-depth[i]) - u) / s.ohms * 1000 * step / 3600 / s.charge
				done = done || depth[i] >= 1
			}
		}
		assert.GreaterOrEqual(t, given, flat-amps*step/3600)
		assert.LessOrEqual(t, given, sum+amps*step/3600)
		if given > flat*1.001 {
			better++
		}
	}
	assert.Greater(t, better, 10, "curves that are not flat even currents out")
}
