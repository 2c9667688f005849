package qualify

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Shared out among the comparisons, the level of the whole holds: of good modules
// with normally differing cells no more than 1 % are accused by any of five
// comparisons, and not much fewer (the level is Rosner's, Technometrics 25, 1983;
// the draws are ours). A cell of eight deviations is found all the same.
func TestLevelIsOfAllComparisonsTogether(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine's arithmetic")
	}
	const seed, modules, cells, comparisons = 5, 2500, 24, 5
	r := rand.New(rand.NewPCG(seed, 2))
	accused, found := 0, 0
	for m := range modules {
		odd := false
		for k := range comparisons {
			c := comparison{figure: "resistance", x: make([]float64, cells), noise: make([]float64, cells), high: "high", low: "low"}
			for i := range c.x {
				c.x[i] = 1.2 + 0.02*r.NormFloat64()
			}
			odd = odd || len(c.outliers(oddAlpha/comparisons)) > 0
			if m < 200 && k == 0 {
				c.x[7] = 1.2 + 8*0.02
				if o := c.outliers(oddAlpha / comparisons); len(o) == 1 && o[0].Cell == 8 {
					found++
				}
			}
		}
		if odd {
			accused++
		}
	}
	share := float64(accused) / modules
	assert.Less(t, share, 0.016, "seed %d: three deviations of %d draws over 1 %%", seed, modules)
	assert.Greater(t, share, 0.005, "seed %d", seed)
	assert.GreaterOrEqual(t, found, 195, "seed %d", seed)
}

// A tap of twice its siblings' noise is named; one a little noisier is not.
func TestNoisyTapIsOdd(t *testing.T) {
	const seed = 3
	r := rand.New(rand.NewPCG(seed, 3))
	h := hiss{before: make([]int32, 24), older: make([]int32, 24), squares: make([]float64, 24), mul: make([]float64, 24)}
	counts := make([]int32, 24)
	for i := range 2000 {
		for c := range counts {
			sd := 3.0
			switch c {
			case 4:
				sd = 6
			case 9:
				sd = 3.5
			}
			counts[c] = int32(33000 + sd*r.NormFloat64())
			h.mul[c] = 1e-4
		}
		h.frame(counts, i > 0)
	}
	all := h.compared()
	require.Len(t, all, 1)
	o := all[0].outliers(0.002)
	require.Len(t, o, 1, "seed %d", seed)
	assert.Equal(t, 5, o[0].Cell)
	assert.Equal(t, "a loose sense wire", o[0].Hint)
}

// Too few readings tell nothing of noise.
func TestFewReadingsTellNoNoise(t *testing.T) {
	h := hiss{before: make([]int32, 2), older: make([]int32, 2), squares: make([]float64, 2), mul: []float64{1, 1}}
	h.frame([]int32{1, 2}, false)
	assert.Empty(t, h.compared())
}

// A ramp as declared tells when it crossed its half: from a reading on it exactly,
// from readings on either side as a stretch, and not at all where they contradict.
func TestEdgeOfADeclaredRamp(t *testing.T) {
	e := newEdge(-40, 400) // 100 ms
	e.see(0.100, 0.25)
	e.see(0.200, 1)
	t0, half, ok := e.found([2]float64{0.1, 0.2})
	require.True(t, ok)
	assert.InDelta(t, 0.125, t0, 1e-9)
	assert.InDelta(t, 0, half, 1e-9)

	e = newEdge(40, 400)
	e.see(0.150, 1) // between 0 and 150 ms: the ramp began at 0 to 50 ms
	t0, half, ok = e.found([2]float64{0, 0.15})
	require.True(t, ok)
	assert.InDelta(t, 0.075, t0, 1e-9)
	assert.InDelta(t, 0.025, half, 1e-9)

	e = newEdge(40, 100) // 400 ms, and yet it is over after 150
	e.see(0.150, 1)
	_, _, ok = e.found([2]float64{0, 0.15})
	assert.False(t, ok)
	e = newEdge(40, 0)
	e.see(0.150, 1)
	_, _, ok = e.found([2]float64{0, 0.15})
	assert.False(t, ok, "nothing is declared")
}

// Where all cells stand at one voltage, a tap beyond its accuracy is named that the
// outlier test does not yet call odd; one within it is not; and none where cells differ.
func TestTapBeyondItsAccuracyIsOdd(t *testing.T) {
	const seed, n, a = 5, 24, 0.5e-3
	r := rand.New(rand.NewPCG(seed, 9))
	for _, x := range []struct {
		off, scatter float64 // V
		odd          bool
	}{{1.0e-3, 0, true}, {0.5e-3, 0, false}, {1.0e-3, 1e-3, false}} {
		c := comparison{figure: RestVoltage, unit: "V", high: "high", low: "low"}
		for k := range n {
			v := 3.3 + a*(2*r.Float64()-1) + x.scatter*r.NormFloat64()
			if k == 7 {
				v = 3.3 + x.off
			}
			c.x, c.bound, c.noise = append(c.x, v), append(c.bound, a), append(c.noise, a/2)
		}
		found := c.outliers(0.002)
		if !x.odd {
			assert.Empty(t, found, "seed %d, %+v", seed, x)
			continue
		}
		require.Len(t, found, 1, "seed %d, %+v", seed, x)
		assert.Equal(t, 8, found[0].Cell)
		assert.Equal(t, "high", found[0].Hint)
	}
}

// A cell that leaks falls faster than its height on the knee explains: of 24 with
// drifts in proportion to height it is named, and no other.
func TestDriftOverHeightIsOdd(t *testing.T) {
	const seed = 6
	r := rand.New(rand.NewPCG(seed, 9))
	x := &rested{cells: make([]float64, 24)}
	for k := range x.cells {
		v := 0.01 * r.NormFloat64()
		x.cells[k] = 3.45 + v
		x.drifts = append(x.drifts, -(1+20*v)*1e-3/3600) // 1 mV/h, more the higher
		x.driftNoise = append(x.driftNoise, 0)
	}
	x.drifts[4] -= 1.5e-3 / 3600
	a := &Analyser{}
	a.rests.all = []*rested{x}
	all := a.comparedDrifts()
	require.Len(t, all, 1)
	o := all[0].outliers(0.002)
	require.Len(t, o, 1, "seed %d", seed)
	assert.Equal(t, 5, o[0].Cell)
	assert.InDelta(t, -1.5, o[0].Value-o[0].Median, 1e-6)
}
