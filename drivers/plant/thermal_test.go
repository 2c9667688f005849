package plant

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/mat"

	"github.com/rigwarden/rigwarden/drivers"
)

// The implicit step against the exact propagator: for heat P that stays, with
// C dT/dt = -G T + P, the temperature over ambient is
// T(t) = exp(-G/C t) T(0) + (1 - exp(-G/C t)) G^-1 P.
// Judged at the greatest temperature rise, in a transient and near its end.
func TestThermalAgainstPropagator(t *testing.T) {
	const n = 24
	s := groupLFP()
	path := newThermal(&s, n, 0.4)
	cells := make([]cell, n)
	r := NewRand(5, 5)
	ambient := 20 + celsius
	power, start := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for k := range cells {
		start.SetVec(k, 10*r.Float64())
		power.SetVec(k, 8*r.Float64())
		cells[k].kelvin = ambient + start.AtVec(k)
	}
	g := mat.NewDense(n, n, nil)
	for k := range n {
		own := s.ToAmbient
		if k == 0 || k == n-1 {
			own += 0.4
		}
		for _, j := range []int{k - 1, k + 1} {
			if j >= 0 && j < n {
				own += s.ToNeighbour
				g.Set(k, j, -s.ToNeighbour)
			}
		}
		g.Set(k, k, own)
	}
	var final mat.VecDense
	assert.NoError(t, final.SolveVec(g, power))

	seconds := 0
	for _, until := range []int{1, 10, 60, 600, 7200} {
		for ; seconds < until; seconds++ {
			for k := range cells {
				cells[k].heat = power.AtVec(k)
			}
			path.step(cells, ambient)
		}
		var scaled, propagator mat.Dense
		scaled.Scale(-float64(until)/s.HeatCapacity, g)
		propagator.Exp(&scaled)
		var off, want mat.VecDense
		off.SubVec(start, &final)
		want.MulVec(&propagator, &off)
		want.AddVec(&want, &final)
		worst := 0.0
		for k := range cells {
			worst = max(worst, abs(cells[k].kelvin-ambient-want.AtVec(k)))
		}
		t.Logf("after %d s: error %.2g of the rise", until, worst/mat.Max(&want))
		assert.Less(t, worst/mat.Max(&want), 1e-4, "after %d s", until)
	}
}

// Heat injected into one cell raises it, and its neighbours after it.
func TestHeatFault(t *testing.T) {
	b := benchOf(t, 2, 0.5)
	m := b.Module()
	before := m.Kelvin(10)
	m.SetHeat(10, 60)
	b.Advance(60 * drivers.Second)
	rise := m.Kelvin(10) - before
	assert.InDelta(t, 60*60/900.0, rise, 1.0) // most of it still there: 900 J/K
	assert.Less(t, rise, 60*60/900.0)
	b.Advance(10 * drivers.Minute)
	assert.Greater(t, m.Kelvin(9), m.Kelvin(5)+1)
	assert.Equal(t, 10, b.Worst().KelvinMaxCell)
	assert.Equal(t, m.Kelvin(10), b.Worst().KelvinMax)
}

// No conduction, no ambient: every joule stays.
func TestHeatIsKept(t *testing.T) {
	s := groupLFP().Without(Entropy)
	s.ToAmbient, s.ToNeighbour = 0, 0
	m := alone(t, s, 0.8)
	flow(m, -40, 10*drivers.Minute, 100*drivers.Millisecond)
	assertRelative(t, m.heat/s.HeatCapacity, m.Kelvin(0)-kelvin25C, 1e-9, "rise")
	m = alone(t, s.Without(Heating), 0.8)
	flow(m, -40, 10*drivers.Minute, 100*drivers.Millisecond)
	assert.Equal(t, kelvin25C, m.Kelvin(0))
}
