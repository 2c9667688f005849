package bench_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// least is what balancing costs at the least, by plain arithmetic over the true
// charges: nothing of the planner's, and nothing that it must find out first.
type least struct {
	cells  []float64 // s of bleeding
	bleed  float64   // s until all have bled
	time   float64   // s with the pauses
	energy float64   // J
}

// leastOf counts what each cell holds over the lowest one and the target, taken
// off in one go from where it stands, through the bleed resistor at the cell's
// open-circuit voltage by the module file's table. Neighbours may not bleed at
// once. Cells are measured before the first bleeding, after each chunk of it and
// after the last, settled each time, and at the end what was found is to hold.
func (b *balanceTruth) leastOf(settle, chunk, held float64) least {
	const slices = 200
	var l least
	module, ohm := b.x.module, float64(b.x.plan.Bench.Monitor.Bleed)*1e-6
	capacity := float64(module.Rated) / float64(drivers.AmpereHour)
	for k, e := range b.excess {
		over := max(0, e-b.target)
		seconds := 0.0
		for i := range slices {
			out := over * (float64(i) + 0.5) / slices
			v := float64(module.OpenCircuit(int64(1e6*(1-(b.lacks[k]+out)/capacity)))) * 1e-6
			l.energy += over / slices * 3600 * v
			seconds += over / slices * 3600 * ohm / v
		}
		l.cells = append(l.cells, seconds)
	}
	l.bleed = pairs(l.cells)
	l.time = l.bleed + settle*(1+math.Ceil(l.bleed/chunk)) + held
	return l
}

// pairs is the length of the shortest schedule of jobs in a row of which no two
// neighbours run at once: the two that need longest together decide.
func pairs(seconds []float64) float64 {
	most := slices.Max(seconds)
	for i := 1; i < len(seconds); i++ {
		most = max(most, seconds[i-1]+seconds[i])
	}
	return most
}

// The rule for the shortest schedule agrees with trying everything: each slot
// bleeds any set of cells without neighbours, breadth first.
func TestLeastScheduleByBruteForce(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 60 {
		jobs := make([]int, 3+rng.IntN(4))
		want := make([]float64, len(jobs))
		for i := range jobs {
			jobs[i] = rng.IntN(5)
			want[i] = float64(jobs[i])
		}
		require.EqualValues(t, pairs(want), shortest(jobs), "%v", jobs)
	}
}

func shortest(jobs []int) int {
	state := func(j []int) string { return fmt.Sprint(j) }
	at, seen := [][]int{jobs}, map[string]bool{state(jobs): true}
	for slot := 0; ; slot++ {
		var next [][]int
		for _, j := range at {
			if slices.Max(j) == 0 {
				return slot
			}
			for set := range 1 << len(j) {
				if set&(set<<1) != 0 {
					continue // neighbours
				}
				k := slices.Clone(j)
				for i := range k {
					k[i] = max(0, k[i]-set>>i&1)
				}
				if !seen[state(k)] {
					seen[state(k)] = true
					next = append(next, k)
				}
			}
		}
		at = next
	}
}
