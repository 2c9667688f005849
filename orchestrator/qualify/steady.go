package qualify

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// Rules for telling a cell that loses charge from its siblings by the drift of one
// rest. Unlike self-discharge, which is a figure in mA and needs half a day, this only
// holds cells against each other: what they have in common, relaxation and all, drops
// out.
const (
	// steadyMin is the shortest rest whose drifts are compared, steadyFrom the share of
	// it from where on they are taken (both ours: by then two time constants of minutes
	// are over).
	steadyMin  = drivers.Hour
	steadyFrom = 1.0 / 3
	// steadyBent is the greatest scatter of resting voltages, V, that is compared: near
	// full a curve is bent, and a drift is in proportion to how far up the knee a cell
	// stands, which the comparison takes off; near empty it is not that simple (ours).
	steadyBent = 20e-3
	// steadyLeast is a drift over siblings', mV/h, that says nothing of a cell: good ones
	// differ in self-discharge too (ours).
	steadyLeast = 0.5
)

// comparedDrifts holds against each other how fast the cells' voltages move late in
// each long rest, mV/h, without what goes in proportion to their height.
func (a *Analyser) comparedDrifts() (out []comparison) {
	for _, t := range a.rests.all {
		if t.drifts == nil {
			continue
		}
		if _, mad := sample.MAD(t.cells); mad*1.4826 > steadyBent {
			continue
		}
		c := comparison{
			figure: RestDrift, what: "drift at rest", unit: "mV/h", reason: t.reason,
			low: "self-discharge: a leak, or a wire that drains it",
		}
		slope, height := risePerHeight(t.cells, t.drifts), sample.Median(t.cells)
		for k, d := range t.drifts {
			c.x = append(c.x, 3.6e6*(d-slope*(t.cells[k]-height)))
			c.noise = append(c.noise, max(3.6e6*t.driftNoise[k], steadyLeast))
		}
		out = append(out, c)
	}
	return out
}

// risePerHeight is the median of the slopes between all pairs (Theil 1950 and Sen
// 1968, from memory): one cell that leaks does not bend it.
func risePerHeight(x, y []float64) float64 {
	var slopes []float64
	for i := range x {
		for j := range i {
			if d := x[i] - x[j]; d != 0 {
				slopes = append(slopes, (y[i]-y[j])/d)
			}
		}
	}
	if len(slopes) == 0 {
		return 0
	}
	return sample.Median(slopes)
}

// drift takes how fast each cell moved late in a rest that has ended, V/s: between the
// means of the first and the last sixth of what is looked at.
func (x *rested) drift(t *trend, s *scanner, bled bool) {
	if x.long < steadyMin || t.holes || t.rows < 2*coursePoints || bled {
		return
	}
	for c := range s.cells {
		at, v := t.course(c, steadyFrom)
		n := len(at) / 6
		if n < 1 {
			x.drifts, x.driftNoise = nil, nil
			return
		}
		dt := sample.Mean(at[len(at)-n:]) - sample.Mean(at[:n])
		x.drifts = append(x.drifts, (sample.Mean(v[len(v)-n:])-sample.Mean(v[:n]))/dt)
		// Means of readings are good to a quarter of a step at the least.
		x.driftNoise = append(x.driftNoise, math.Sqrt2*s.mul[c]/2/dt)
	}
}
