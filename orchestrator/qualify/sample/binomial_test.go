package sample

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Closed forms at the ends: with no hit the upper end is 1-(alpha/2)^(1/n), and
// the mirror of that with nothing but hits. The example in the middle is that of
// a widely used statistics language's manual for the exact test, 682 of 925
// (from memory).
func TestBinomial(t *testing.T) {
	for _, n := range []int{1, 10, 300, 10000} {
		low, high := Binomial(0, n, 0.95)
		require.Zero(t, low)
		require.InEpsilon(t, 1-math.Pow(0.025, 1/float64(n)), high, 1e-9)
		low, high = Binomial(n, n, 0.95)
		require.InEpsilon(t, math.Pow(0.025, 1/float64(n)), low, 1e-9)
		require.Equal(t, 1.0, high)
	}
	low, high := Binomial(682, 925, 0.95)
	require.InDelta(t, 0.7076683, low, 5e-8)
	require.InDelta(t, 0.7654066, high, 5e-8)
	low, high = Binomial(0, 0, 0.95)
	require.Equal(t, []float64{0, 1}, []float64{low, high})
}

// The interval is what its definition says: tails of the binomial distribution
// by plain summing.
func TestBinomialTails(t *testing.T) {
	choose := func(n, k int) float64 {
		c := 1.0
		for i := range k {
			c = c * float64(n-i) / float64(i+1)
		}
		return c
	}
	for n := 1; n <= 25; n++ {
		for hits := 0; hits <= n; hits++ {
			low, high := Binomial(hits, n, 0.9)
			atLeast, atMost := 0.0, 0.0
			for k := 0; k <= n; k++ {
				if k >= hits {
					atLeast += choose(n, k) * math.Pow(low, float64(k)) * math.Pow(1-low, float64(n-k))
				}
				if k <= hits {
					atMost += choose(n, k) * math.Pow(high, float64(k)) * math.Pow(1-high, float64(n-k))
				}
			}
			if hits > 0 {
				require.InDelta(t, 0.05, atLeast, 1e-9)
			}
			if hits < n {
				require.InDelta(t, 0.05, atMost, 1e-9)
			}
		}
	}
}
