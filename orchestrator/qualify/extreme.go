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
// m has the weight that the readings give it. s has its confidence distribution: the
// share of draws with that s whose readings lie apart by no less than these do. So an interval
// holds as often as it says whatever s is, also where siblings differ by nothing that
// readings of this accuracy could show; a prior that is even in the logarithm of s,
// the usual choice for a scale, told these to differ by too much.

// band is a value with the half width that holds it at gum.Level.
type band struct{ x, half float64 }

const (
	extremeGrid  = 64 // places of each distribution
	extremeSigma = 12 // deviations that are weighed, beside none at all
	// extremeLeast is the least deviation that is weighed, as a share of the
	// accuracy: less is none.
	extremeLeast = 1.0 / 32
	extremeMeans = 7   // means that are weighed
	extremeReach = 2.6 // how far they reach, in their own deviations
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
	a = believed(y, a)
	t := newSpreadOut(slices.Min(y)-wide, hi+wide)
	weigh(y, a, func(m, s, weight float64) { t.greatest(y, a, m, s, weight) })
	if t.weight == 0 {
		return band{hi, wide} // readings that contradict their accuracies
	}
	return t.central()
}

// rangeOf is the greatest less the least of what was read.
func rangeOf(y, a []float64) band {
	wide, apart := slices.Max(a), slices.Max(y)-slices.Min(y)
	if wide <= 0 || len(y) < 2 {
		return band{x: apart}
	}
	if apart >= farApart*wide {
		return farRange(y, a)
	}
	a = believed(y, a)
	t := newSpreadOut(0, apart+2*slices.Max(a))
	weigh(y, a, func(m, s, weight float64) { t.rangeOf(y, a, m, s, weight) })
	if t.weight == 0 {
		return band{apart, 2 * wide}
	}
	return t.shortest()
}

// farApart is how many accuracies readings must lie apart for the greatest and the
// least to have nothing to do with each other.
const farApart = 8

// farRange is rangeOf where siblings differ by far more than their accuracies: within
// these every place is as likely, greatest and least are independent, and
//
//	P(range <= d) = int P(greatest <= x+d) dP(least <= x)
func farRange(y, a []float64) band {
	wide, hi, lo := slices.Max(a), slices.Max(y), slices.Min(y)
	t := newSpreadOut(hi-lo-2*wide, hi-lo+2*wide)
	within := func(i int, x float64) float64 { return min(max((x-y[i]+a[i])/(2*a[i]), 0), 1) }
	greatest := func(x float64) float64 {
		p := 1.0
		for i := range y {
			p *= within(i, x)
		}
		return p
	}
	above := func(x float64) float64 { // P(least > x)
		p := 1.0
		for i := range y {
			p *= 1 - within(i, x)
		}
		return p
	}
	from, step := lo-wide, 2*wide/extremeGrid
	for k := range extremeGrid {
		x := from + float64(k)*step
		weight := above(x) - above(x+step)
		if weight == 0 {
			continue
		}
		for d := range t.f {
			t.f[d] += weight * greatest(x+step/2+t.from+float64(d)*t.step)
		}
		t.weight += weight
	}
	return t.central()
}

// tooClose is how improbable readings must be, for lying so close together, to show
// that their instruments are better than they are declared to be (ours).
const tooClose = 0.01

// believed are the accuracies, or smaller ones where the readings lie closer together
// than errors of these would leave even siblings that are all the same: a monitor may
// be better than its data sheet. Then they are such that errors alone lie apart by more
// as often as by less. Of n even errors the range r, as a share of 2a, has
// P(range <= r) = n r^(n-1) - (n-1) r^n.
func believed(y, a []float64) []float64 {
	n, apart := float64(len(y)), slices.Max(y)-slices.Min(y)
	closer := func(r float64) float64 { return n*math.Pow(r, n-1) - (n-1)*math.Pow(r, n) }
	wide := 0.0
	for _, w := range a {
		wide += w / n
	}
	if apart >= 2*wide || closer(apart/(2*wide)) >= tooClose {
		return a
	}
	low, high := 0.0, 1.0
	for range 40 {
		if mid := (low + high) / 2; closer(mid) < 0.5 {
			low = mid
		} else {
			high = mid
		}
	}
	out := make([]float64, len(a))
	for i := range a {
		out[i] = a[i] * max(apart, wide/1000) / (2 * wide * high)
	}
	return out
}

// weigh goes through the means and deviations that the readings may come from, each
// with its weight; a deviation of 0 stands for siblings that are all the same.
func weigh(y, a []float64, use func(mean, deviation, weight float64)) {
	n := float64(len(y))
	mean, wide, even := 0.0, 0.0, 0.0
	for i := range y {
		mean += y[i] / n
		wide += a[i] / n
		even += a[i] * a[i] / 3 / n
	}
	apart := slices.Max(y) - slices.Min(y)
	least, most := wide*extremeLeast, 4*max(apart/2, wide)
	at := func(k float64) float64 { return least * math.Pow(most/least, k/(extremeSigma-1)) }
	below := wider(apart, wide, at(-0.5), len(y))
	if !weighMeans(y, a, 0, mean, even, below, use) {
		below = 0 // the readings reach no common value: the next deviation has the weight
	}
	for k := range extremeSigma {
		up := 1.0
		if k+1 < extremeSigma {
			up = wider(apart, wide, at(float64(k)+0.5), len(y))
		}
		if weighMeans(y, a, at(float64(k)), mean, even, up-below, use) {
			below = up
		}
	}
}

// wider is the probability that n readings, each the sum of a normal of deviation s
// and a rectangle of half width a, lie apart by no less than r:
//
//	1 - n int f(x) (F(x+r) - F(x))^(n-1) dx
func wider(r, a, s float64, n int) float64 {
	const places = 160
	f := func(x float64) float64 {
		h := func(u float64) float64 {
			return u*normal(u/s) + s*math.Exp(-u*u/(2*s*s))/math.Sqrt(2*math.Pi)
		}
		return min(max((h(x+a)-h(x-a))/(2*a), 0), 1)
	}
	from, step := -a-6*s, (2*a+12*s)/places
	sum, low := 0.0, f(from)
	for k := range places {
		next := f(from + float64(k+1)*step)
		up := f(from + (float64(k)+0.5)*step + r)
		sum += math.Pow(max(up-low, 0), float64(n)) - math.Pow(max(up-next, 0), float64(n))
		low = next
	}
	return 1 - min(max(sum, 0), 1)
}

// weighMeans shares out the weight of a deviation among means; false where there is
// none with which these could be the readings.
func weighMeans(y, a []float64, s, mean, even, share float64, use func(mean, deviation, weight float64)) bool {
	if share < 1e-6 {
		return true
	}
	var m, weight [extremeMeans]float64
	about := extremeReach * math.Sqrt((s*s+even)/float64(len(y))) // how well the mean is known
	low, high := mean-about, mean+about
	if s == 0 { // it is in reach of all readings, anywhere
		low, high = math.Inf(-1), math.Inf(1)
		for i := range y {
			low, high = max(low, y[i]-a[i]), min(high, y[i]+a[i])
		}
		if low > high {
			return false // they are not all the same
		}
	}
	sum, scale := 0.0, slices.Max(a)+s // keeps products of densities in range
	for j := range m {
		m[j] = low + (high-low)*(float64(j)+0.5)/extremeMeans
		weight[j] = 1
		for i := range y {
			if s > 0 {
				weight[j] *= (normal((y[i]+a[i]-m[j])/s) - normal((y[i]-a[i]-m[j])/s)) / (2 * a[i]) * scale
			}
		}
		sum += weight[j]
	}
	for j := range m {
		if weight[j] > 0 {
			use(m[j], s, share*weight[j]/sum)
		}
	}
	return sum > 0
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
	if s == 0 {
		t.same(mean, weight)
		return
	}
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

// same is a distribution of one value.
func (t *spreadOut) same(x, weight float64) {
	for k := range t.f {
		if t.from+float64(k)*t.step >= x {
			t.f[k] += weight
		}
	}
	t.weight += weight
}

// rangeOf integrates over the place x of the least, on a grid of the same step.
func (t *spreadOut) rangeOf(y, a []float64, mean, s, weight float64) {
	if s == 0 {
		t.same(0, weight)
		return
	}
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

// between is the middle of what lies between two quantiles, with half of that; no
// finer than the grid.
func (t *spreadOut) between(low, high float64) band {
	lo, hi := t.quantile(low), t.quantile(high)
	hi = max(hi, lo+t.step)
	return band{(lo + hi) / 2, (hi - lo) / 2}
}

// central leaves as much out on either side.
func (t *spreadOut) central() band { return t.between((1-gum.Level)/2, (1+gum.Level)/2) }

// shortest is the shortest stretch that holds as much: what may well be nothing has
// nothing in it.
func (t *spreadOut) shortest() band {
	const tries = 40
	best := t.between(0, gum.Level)
	for k := range tries {
		out := (1 - gum.Level) * float64(k+1) / tries
		if b := t.between(out, out+gum.Level); b.half < best.half {
			best = b
		}
	}
	return best
}

func (t *spreadOut) quantile(p float64) float64 {
	before := t.f[0] / t.weight
	if p <= before {
		return t.from
	}
	for k := 1; k <= extremeGrid; k++ {
		now := t.f[k] / t.weight
		if now >= p {
			return t.from + (float64(k)-1+(p-before)/(now-before))*t.step
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
