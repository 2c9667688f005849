package qualify

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
)

// Drawn from the model that is stated, the stated interval holds the greatest and
// the range of what was read as often as it says, whether siblings differ by less
// than their accuracies or by more; what is read off is too great by far. The truth
// is the drawn one (simulation, no source).
func TestExtremesHoldTheTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine's arithmetic")
	}
	const seed, draws = 11, 200
	r := rand.New(rand.NewPCG(seed, 1))
	for _, x := range []struct {
		s float64
		n int
	}{{0.01, 6}, {0.07, 6}, {0.5, 6}, {2, 6}, {0.05, 24}} {
		s, n := x.s, x.n
		top, span, naive := 0, 0, 0
		for range draws {
			y, a := make([]float64, n), make([]float64, n)
			most, least, hi, lo := math.Inf(-1), math.Inf(1), math.Inf(-1), math.Inf(1)
			for i := range y {
				v := s * r.NormFloat64()
				most, least = max(most, v), min(least, v)
				a[i] = 0.5
				y[i] = v + 0.5*(2*r.Float64()-1)
				hi, lo = max(hi, y[i]), min(lo, y[i])
			}
			if e := greatestOf(y, a); math.Abs(e.x-most) <= e.half {
				top++
			}
			if e := rangeOf(y, a); math.Abs(e.x-(most-least)) <= e.half {
				span++
			}
			if hi-lo > most-least {
				naive++
			}
		}
		for what, hits := range map[string]int{"greatest": top, "range": span} {
			share := float64(hits) / draws
			t.Logf("%d with deviation %g: %s held in %.1f %%", n, s, what, 100*share)
			assert.InDelta(t, 0.9545, share, 0.05, "seed %d, %d with deviation %g: %s", seed, n, s, what)
		}
		if s <= 0.5 {
			assert.Greater(t, float64(naive)/draws, 0.65, "seed %d, deviation %g: the range that is read", seed, s)
		}
	}
}

// One reading, and readings without accuracies, stand as they are.
func TestExtremesOfLittle(t *testing.T) {
	e := greatestOf([]float64{3}, []float64{0.5})
	assert.InDelta(t, 3, e.x, 0)
	assert.InDelta(t, 0.5*0.9545, e.half, 1e-3) // a rectangle
	assert.Equal(t, band{x: 4}, greatestOf([]float64{1, 4, 2}, []float64{0, 0, 0}))
	assert.Equal(t, band{x: 3}, rangeOf([]float64{1, 4, 2}, []float64{0, 0, 0}))
	assert.Equal(t, band{}, rangeOf([]float64{4}, []float64{1}))
}

// Far apart, readings tell the greatest as well as its own accuracy does.
func TestExtremesFarApart(t *testing.T) {
	y, a := []float64{0, 10, 30, 60}, []float64{0.5, 0.5, 0.5, 0.5}
	e := greatestOf(y, a)
	assert.InDelta(t, 60, e.x, 0.3)
	assert.Less(t, e.half, 1.0)
	// Two rectangles of 0.5 make a triangle of 1: 95.45 % of it lie within
	// 1 - sqrt(1 - 0.9545) of its half width (closed form).
	r := rangeOf(y, a)
	assert.InDelta(t, 60, r.x, 0.02)
	assert.InDelta(t, 1-math.Sqrt(1-0.9545), r.half, 0.02)
}
