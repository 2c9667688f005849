package gum_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/stat/distuv"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// JCGM 106:2012, 9.5.4, the ball bearings (as quoted in a national laboratory's
// notebook): radial error motion of a gamma(4, 1/4) population, at most 2 um,
// measured with u = 0.25 um. 4.238 % do not conform; accepted up to the limit itself
// 0.80191 % do not conform and are accepted; an acceptance limit of 1.67183 um brings
// that to 0.1 %. The producer's risks are our own quadrature with other tools.
func TestGlobalRisksOfTheBallBearings(t *testing.T) {
	made := distuv.Gamma{Alpha: 4, Beta: 4}
	e := gum.Spread{Scale: 0.25}
	r := gum.GlobalRisks(made, e, 2, 2, false)
	assert.InDelta(t, 0.04238011, r.Outside, 5e-9)
	assert.InDelta(t, 0.00801911, r.Consumer, 5e-9)
	assert.InDelta(t, 0.017445, r.Producer, 5e-7)
	r = gum.GlobalRisks(made, e, 2, 1.671829, false)
	assert.InDelta(t, 0.001, r.Consumer, 5e-9)
	assert.InDelta(t, 0.075494, r.Producer, 5e-7)
}

// With a normal prior the consumer's risk is a bivariate normal probability, whose
// closed form at equal limits in the middle of the population is Sheppard's (1899):
// P(X > 0, X + E < 0) = 1/4 - asin(r)/(2 pi), r = s/sqrt(s^2 + u^2).
func TestGlobalRisksOfANormalPopulation(t *testing.T) {
	const s, u = 0.4, 0.3
	want := 0.25 - math.Asin(s/math.Hypot(s, u))/(2*math.Pi)
	made := distuv.Normal{Mu: 39, Sigma: s}
	for _, atLeast := range []bool{false, true} {
		r := gum.GlobalRisks(made, gum.Spread{Scale: u}, 39, 39, atLeast)
		assert.InDelta(t, want, r.Consumer, 1e-7)
		assert.InDelta(t, want, r.Producer, 1e-7)
		assert.InDelta(t, 0.5, r.Outside, 1e-12)
	}
}

// Nothing is accepted or rejected wrongly where there is no error; and what is drawn
// agrees where the error is rectangular and the limit a lower one.
func TestGlobalRisksOfOtherErrors(t *testing.T) {
	made := distuv.Normal{Mu: 40, Sigma: 0.5}
	r := gum.GlobalRisks(made, gum.Spread{}, 39, 39, true)
	assert.InDelta(t, 0, r.Consumer, 1e-9)
	assert.InDelta(t, 0, r.Producer, 1e-9)
	assert.InDelta(t, 0.022750, r.Outside, 5e-7) // two deviations

	const seed, n = 17, 400_000
	rng := rand.New(rand.NewPCG(seed, 0))
	var consumer, producer float64
	for range n {
		x := 40 + 0.5*rng.NormFloat64()
		switch accepted := x+0.6*(2*rng.Float64()-1) >= 39.3; {
		case accepted && x < 39:
			consumer++
		case !accepted && x >= 39:
			producer++
		}
	}
	r = gum.GlobalRisks(made, gum.Spread{Boxes: []float64{0.6}}, 39, 39.3, true)
	for _, x := range []struct{ drawn, got float64 }{{consumer / n, r.Consumer}, {producer / n, r.Producer}} {
		assert.InDelta(t, x.drawn, x.got, 5*math.Sqrt(x.got/n), "seed %d", seed)
		assert.Greater(t, x.got, 1e-3)
	}
}
