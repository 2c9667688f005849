package qualify

import (
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// The greatest of several readings is on average greater than the greatest of what
// they read, and their range wider: whoever reads too high is chosen for it. So
// the greatest value and the range are not read off but inferred from all
// readings together:
//
//	y_i = T_i + e_i,  |e_i| <= a_i evenly (the declared accuracy),
//	T_i normal about a common m with deviation s (siblings in one module).
//
// Given m and s, T_i has that normal distribution cut off outside y_i +/- a_i. From
// these the distribution of the greatest and of the range follow without drawing
// anything (JCGM 101:2008, 5.2):
//
//	P(max <= x)   = prod F_i(x)
//	P(range <= d) = sum_i int f_i(x) prod_{j != i} (F_j(x+d) - F_j(x)) dx
//
// m and s are not known: every pair has the weight that the readings give it.

// band is a value with the half width that holds it at gum.Level.
type band struct{ x, half float64 }

const (
	extremeGrid  = 64 // places of each distribution
	extremeSigma = 9  // deviations that are weighed
	// extremeLeast is the least deviation as a share of the greatest. Siblings that
	// differ by less than an eighth of their accuracies are told to differ by more
	// than they do: no reading can tell.
	extremeLeast = 1.0 / 20
	extremeMeans = 7   // means that are weighed
	extremeReach = 2.4 // how far they reach, in their own deviations
)

// greatestOf is the greatest of what was read. Readings without accuracies are
// taken as they stand.
func greatestOf(y, a []float64) band {
	wide, hi := slices.Max(a), slices.Max(y)
	switch {
	case wide <= 0:
		return band{x: hi}
	case len(y) == 1:
		half, _ := gum.Exact(hi).With(gum.Rectangular("accuracy", wide), 1).Spread().Interval()
		return band{hi, half}
	}
	t := newSpreadOut(slices.Min(y)-wide, hi+wide)
	weigh(y, a, func(m, s, weight float64) { t.greatest(y, a, m, s, weight) })
	if t.weight == 0 {
		return band{hi, wide} // readings that contradict their accuracies
	}
	return t.interval()
}

// rangeOf is the greatest less the least of what was read.
func rangeOf(y, a []float64) band {
	wide, apart := slices.Max(a), slices.Max(y)-slices.Min(y)
	if wide <= 0 || len(y) < 2 {
		return band{x: apart}
	}
	t := newSpreadOut(0, apart+2*wide)
	weigh(y, a, func(m, s, weight float64) { t.rangeOf(y, a, m, s, weight) })
	if t.weight == 0 {
		return band{apart, 2 * wide}
	}
	return t.interval()
}

// weigh goes through the means and deviations that the readings may come from, each
// with the weight that they give it.
func weigh(y, a []float64, use func(mean, deviation, weight float64)) {
	n := float64(len(y))
	mean, square, even := 0.0, 0.0, 0.0
	for i := range y {
		mean += y[i] / n
		even += a[i] * a[i] / 3 / n
	}
	for i := range y {
		square += (y[i] - mean) * (y[i] - mean) / (n - 1)
	}
	wide := slices.Max(a)
	scale := wide + math.Sqrt(square) // keeps products of densities in range
	// Few readings tell little of the deviation: from an eighth of what they scatter
	// to two and a half times that, evenly in its logarithm, since nothing is known
	// of its size (the usual choice for a scale).
	most := max(2.5*math.Sqrt(square), wide/4)
	for k := range extremeSigma {
		s := most * math.Pow(extremeLeast, float64(k)/(extremeSigma-1))
		about := math.Sqrt((s*s + even) / n) // how well the mean is known
		for j := range extremeMeans {
			m := mean + about*extremeReach*(2*float64(j)/(extremeMeans-1)-1)
			weight := about // the step between places
			for i := range y {
				weight *= (normal((y[i]+a[i]-m)/s) - normal((y[i]-a[i]-m)/s)) / (2 * a[i]) * scale
			}
			if weight > 0 {
				use(m, s, weight)
			}
		}
	}
}

func normal(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// spreadOut is a distribution function on a grid, summed up with weights.
type spreadOut struct {
	from, step float64
	f          [extremeGrid + 1]float64
	weight     float64
}

func newSpreadOut(from, to float64) *spreadOut {
	return &spreadOut{from: from, step: (to - from) / extremeGrid}
}

// cut is a normal distribution without what lies outside a reading's accuracy.
type cut struct{ mean, s, low, high, under, inside float64 }

func cutOff(y, a, mean, s float64) cut {
	c := cut{mean: mean, s: s, low: y - a, high: y + a}
	c.under = normal((c.low - mean) / s)
	c.inside = normal((c.high-mean)/s) - c.under
	return c
}

func (c *cut) at(x float64) float64 {
	switch {
	case x <= c.low:
		return 0
	case x >= c.high:
		return 1
	case c.inside < 1e-12: // far out: all of it lies at the nearer end
		if c.mean > c.high {
			return 0
		}
		return 1
	}
	return (normal((x-c.mean)/c.s) - c.under) / c.inside
}

func (t *spreadOut) greatest(y, a []float64, mean, s, weight float64) {
	cuts := make([]cut, len(y))
	for i := range y {
		cuts[i] = cutOff(y[i], a[i], mean, s)
	}
	for k := range t.f {
		p := weight
		for i := range cuts {
			if p *= cuts[i].at(t.from + float64(k)*t.step); p == 0 {
				break
			}
		}
		t.f[k] += p
	}
	t.weight += weight
}

// rangeOf integrates over the place x of the least, on a grid of the same step.
func (t *spreadOut) rangeOf(y, a []float64, mean, s, weight float64) {
	low := math.Inf(1)
	for i := range y {
		low = min(low, y[i]-a[i])
	}
	rows := 2*extremeGrid + 1
	f := make([][]float64, len(y))
	for i := range y {
		c := cutOff(y[i], a[i], mean, s)
		f[i] = make([]float64, rows)
		for k := range rows {
			f[i][k] = c.at(low + float64(k)*t.step)
		}
	}
	for d := range t.f {
		sum := 0.0
		for k := 0; k < extremeGrid; k++ {
			// The least lies between two places: all are over the one, and not all
			// over the other; within d of it from either.
			over, beyond := 1.0, 1.0
			for i := range f {
				up := f[i][k+d]
				over *= max(up-f[i][k], 0)
				beyond *= max(up-f[i][k+1], 0)
				if over == 0 {
					break
				}
			}
			sum += over - beyond
		}
		t.f[d] += weight * min(max(sum, 0), 1)
	}
	t.weight += weight
}

// interval is the middle of the distribution with half of what holds gum.Level of
// it, as much left out on either side.
func (t *spreadOut) interval() band {
	out := (1 - gum.Level) / 2
	lo, hi := t.quantile(out), t.quantile(1-out)
	return band{(lo + hi) / 2, (hi - lo) / 2}
}

func (t *spreadOut) quantile(p float64) float64 {
	before := 0.0
	for k := range t.f {
		now := t.f[k] / t.weight
		if now >= p {
			w := 1.0
			if now > before {
				w = (p - before) / (now - before)
			}
			return t.from + (float64(k)-1+w)*t.step
		}
		before = max(before, now)
	}
	return t.from + extremeGrid*t.step
}

// banded is a figure of an inferred value: its error is taken as normal.
func banded(name, unit string, b band) Figure {
	u := b.half / gum.Factor
	return figure(name, unit, gum.New(b.x, gum.Normal("accuracies of all that were compared", u, 0)))
}
