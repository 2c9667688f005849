package plant

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
)

// The normal draw against the normal distribution: moments, tail, and the
// Kolmogorov-Smirnov distance, whose 99.9 % point is 1.95/sqrt(n) (from memory).
func TestNormal(t *testing.T) {
	const n, seed = 400_000, 20
	r := NewRand(seed, 3)
	draws := make([]float64, n)
	var m1, m2, m3, m4 float64
	far := 0
	for i := range draws {
		x := r.Normal()
		draws[i] = x
		m1, m2, m3, m4 = m1+x, m2+x*x, m3+x*x*x, m4+x*x*x*x
		if abs(x) > zigRight {
			far++
		}
	}
	// Five standard errors each.
	root := math.Sqrt(n)
	assert.InDelta(t, 0, m1/n, 5/root, "mean, seed %d", seed)
	assert.InDelta(t, 1, m2/n, 5*math.Sqrt(2)/root, "variance")
	assert.InDelta(t, 0, m3/n, 5*math.Sqrt(15)/root, "third moment")
	assert.InDelta(t, 3, m4/n, 5*math.Sqrt(96)/root, "fourth moment")
	expected := n * math.Erfc(zigRight/math.Sqrt2)
	assert.InDelta(t, expected, float64(far), 5*math.Sqrt(expected), "draws in the tail")

	slices.Sort(draws)
	worst := 0.0
	for i, x := range draws {
		p := 0.5 * math.Erfc(-x/math.Sqrt2)
		worst = max(worst, abs(p-float64(i)/n), abs(p-float64(i+1)/n))
	}
	assert.Less(t, worst, 1.95/root, "Kolmogorov-Smirnov")
}

// PCG and our draws are specified: these values may never change.
func TestStreamIsFixed(t *testing.T) {
	r := NewRand(1, 2)
	got := []float64{r.Float64(), r.Normal(), r.Normal(), float64(r.IntN(1000))}
	assert.Equal(t, []float64{0.2342762706784124, -1.4570191160543462, -0.0001046515743286037, 462}, got)
	c := r.Clone()
	assert.Equal(t, r.Uint64(), c.Uint64())
	assert.NotEqual(t, NewRand(1, 2).Uint64(), NewRand(1, 3).Uint64())
	assert.NotEqual(t, NewRand(1, 2).Uint64(), NewRand(2, 2).Uint64())
}
