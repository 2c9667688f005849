package gum_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// The additive model of JCGM 101:2008, 9.2 (from memory; the rectangular case
// has the closed form 2*sqrt(3)*(2-(3/5)^(1/4)), so those figures are exact).
func TestPropagatedDistributionsOfTheAdditiveModel(t *testing.T) {
	sum := func(in ...*gum.Input) gum.Spread {
		v := gum.Exact(0)
		for _, i := range in {
			v = v.With(i, 1)
		}
		return v.Spread()
	}
	box := func(u float64) *gum.Input { return gum.Rectangular("box", u*math.Sqrt(3)) }
	normal := sum(gum.Normal("a", 1, 0), gum.Normal("b", 1, 0), gum.Normal("c", 1, 0), gum.Normal("d", 1, 0))
	assert.InDelta(t, 3.92, normal.HalfWidth(0.95), 0.005) // 9.2.2
	four := sum(box(1), box(1), box(1), box(1))
	assert.InDelta(t, 3.88, four.HalfWidth(0.95), 0.005) // 9.2.3
	assert.InDelta(t, 2*math.Sqrt(3)*(2-math.Pow(0.6, 0.25)), four.HalfWidth(0.95), 1e-4)
	one := sum(box(1), box(1), box(1), box(10))
	assert.InDelta(t, 17.0, one.HalfWidth(0.95), 0.05) // 9.2.4, where k*u gives 19.9
	assert.InDelta(t, math.Sqrt(103), one.U(), 1e-12)
}

// Closed forms: a rectangle alone, a triangle alone, two equal rectangles.
func TestIntervalsWithAClosedForm(t *testing.T) {
	p := gum.Level
	U, k := gum.New(5, gum.Rectangular("gain", 3)).Spread().Interval()
	assert.InDelta(t, 3*p, U, 1e-9)
	assert.InDelta(t, p*math.Sqrt(3), k, 1e-9) // 1.65, not 2
	U, _ = gum.New(5, gum.Triangular("flask", 2)).Spread().Interval()
	assert.InDelta(t, 2*(1-math.Sqrt(1-p)), U, 2e-3)
	U, _ = gum.New(5, gum.Rectangular("a", 1), gum.Rectangular("b", 1)).Spread().Interval()
	assert.InDelta(t, 2*(1-math.Sqrt(1-p)), U, 2e-3)
	// Without rectangles, the law of propagation: 2, or Student's factor.
	U, k = gum.New(5, gum.Normal("a", 0.3, 0), gum.Normal("b", 0.4, 0)).Spread().Interval()
	assert.InDelta(t, 1, U, 1e-12)
	assert.Equal(t, 2.0, k)
	_, k = gum.New(5, gum.Normal("a", 0.3, 4)).Spread().Interval()
	assert.InDelta(t, 2.87, k, 0.005) // GUM table G.2
	U, k = gum.Exact(5).Spread().Interval()
	assert.Zero(t, U)
	assert.Equal(t, 2.0, k)
}

// The interval of a few readings and a rectangular accuracy, against a quarter
// of a million drawn trials (JCGM 101:2008, 7), at a printed seed.
func TestPropagationAgreesWithDraws(t *testing.T) {
	const seed = 20
	rng := rand.New(rand.NewPCG(seed, 1))
	for _, c := range []struct {
		scale, a, b float64
		dof         int
	}{{1, 2, 0, 0}, {0.2, 2, 1, 0}, {1, 2, 0.5, 3}, {0.1, 3, 0, 5}} {
		v := gum.New(0, gum.Normal("readings", c.scale, float64(c.dof)), gum.Rectangular("gain", c.a), gum.Rectangular("offset", c.b))
		draws := make([]float64, 250_000)
		for i := range draws {
			g := rng.NormFloat64()
			if c.dof > 0 {
				var chi float64
				for range c.dof {
					z := rng.NormFloat64()
					chi += z * z
				}
				g /= math.Sqrt(chi / float64(c.dof))
			}
			draws[i] = math.Abs(c.scale*g + c.a*(2*rng.Float64()-1) + c.b*(2*rng.Float64()-1))
		}
		slices.Sort(draws)
		for _, p := range []float64{0.90, 0.95, gum.Level} {
			want := draws[int(p*float64(len(draws)))]
			assert.InEpsilon(t, want, v.Spread().HalfWidth(p), 0.012, "%+v at %g, seed %d", c, p, seed)
		}
		assert.InDelta(t, 0.5, v.Spread().CDF(0), 1e-6)
		assert.InDelta(t, 0.975, v.Spread().CDF(v.Spread().HalfWidth(0.95)), 1e-4)
	}
}

// Dozens of small rectangles are Gaussian to the eye, and the widest ones stay
// apart beside them.
func TestManyRectanglesAddUpToAGaussian(t *testing.T) {
	v := gum.Exact(0)
	for range 48 {
		v = v.With(gum.Rectangular("tap", 1), 1)
	}
	_, k := v.Spread().Interval()
	assert.InDelta(t, 2, k, 0.02)
	assert.InDelta(t, 4, v.Spread().U(), 1e-12)
	assert.LessOrEqual(t, len(v.Spread().Boxes), 8)
}

// JCGM 100:2008 H.5: five readings of a voltage standard on each of ten days,
// daily means and deviations as quoted. The GUM prints 57 uV, 85 uV, F = 2.25.
func TestEffectBetweenDays(t *testing.T) {
	means := []float64{10.000172, 10.000116, 10.000013, 10.000144, 10.000106, 10.000031, 10.000060, 10.000125, 10.000163, 10.000041}
	devs := []float64{60e-6, 77e-6, 111e-6, 101e-6, 67e-6, 93e-6, 80e-6, 73e-6, 88e-6, 86e-6}
	g, err := gum.Analyse(means, devs, 5)
	require.NoError(t, err)
	assert.InDelta(t, 10.000097, g.Mean, 5e-7)
	assert.InDelta(t, 57e-6, g.Between, 5e-7)
	assert.InDelta(t, 85e-6, g.Within, 5e-7)
	assert.InDelta(t, 2.25, g.F, 0.015) // printed from rounded 57 and 85
	// F exceeds the 95 % point (2.12) and not the 97.5 % point (2.45), from memory.
	assert.Less(t, g.P, 0.05)
	assert.Greater(t, g.P, 0.025)
	assert.InDelta(t, 18e-6, g.U, 5e-7) // 57 uV over sqrt(10), 9 degrees of freedom
	assert.Equal(t, 9.0, g.DoF)
	assert.InDelta(t, 43e-6, g.Effect, 5e-7)
	_, err = gum.Analyse([]float64{1}, []float64{1}, 5)
	assert.ErrorContains(t, err, "two or more")
}
