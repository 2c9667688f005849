package gum

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Spread is how the errors of a value are distributed about its estimate: the
// sum of a Gaussian or Student part and of independent rectangular parts. It is
// symmetric about 0. The zero Spread is no error at all.
type Spread struct {
	// Scale is the standard uncertainty of the Gaussian part, DoF its degrees of
	// freedom, 0 for infinitely many.
	Scale float64 `json:"scale,omitempty"`
	DoF   float64 `json:"dof,omitempty"`
	// Boxes are the half widths of the rectangular parts, the widest first.
	Boxes []float64 `json:"boxes,omitempty"`
}

// What is kept apart as a rectangle: no more than boxesMax, and none that adds
// less than boxShare of the standard uncertainty. The rest joins the Gaussian
// part, which many small parts of any shape add up to (JCGM 101:2008, 5.11.2 in
// spirit; the two numbers are ours).
const (
	boxesMax = 8
	boxShare = 0.05
)

// Level is the coverage probability of every stated interval: what k = 2 has
// for a normal distribution (GUM 6.3.3, table G.1).
const Level = level

// Spread gathers the value's inputs into one distribution.
func (v Value) Spread() Spread {
	u := v.U()
	if u == 0 {
		return Spread{}
	}
	var s Spread
	var rest, fourth float64
	gauss := func(part, dof float64) {
		rest += part * part
		if dof > 0 {
			fourth += math.Pow(part, 4) / dof
		}
	}
	for _, t := range v.terms {
		part := math.Abs(t.c) * t.in.U
		switch {
		case part == 0:
		case t.in.Shape == Box && part >= boxShare*u:
			s.Boxes = append(s.Boxes, part*math.Sqrt(3))
		case t.in.Shape == Tent && part >= boxShare*u:
			// A triangle is the sum of two equal rectangles.
			half := part * math.Sqrt(6) / 2
			s.Boxes = append(s.Boxes, half, half)
		default:
			gauss(part, t.in.DoF)
		}
	}
	slices.SortFunc(s.Boxes, func(a, b float64) int {
		if a > b {
			return -1
		}
		return 1
	})
	for len(s.Boxes) > boxesMax {
		gauss(s.Boxes[len(s.Boxes)-1]/math.Sqrt(3), 0)
		s.Boxes = s.Boxes[:len(s.Boxes)-1]
	}
	s.Scale = math.Sqrt(rest)
	if fourth > 0 {
		s.DoF = rest * rest / fourth
		if s.DoF > 1 {
			s.DoF = math.Floor(s.DoF + 1e-9) // GUM G.4.1, note 1
		}
		if s.DoF > 1e6 {
			s.DoF = 0
		}
	}
	return s
}

// U is the combined standard uncertainty.
func (s Spread) U() float64 {
	sum := s.Scale * s.Scale
	for _, a := range s.Boxes {
		sum += a * a / 3
	}
	return math.Sqrt(sum)
}

// Rectangular says that the shape of rectangular parts decides the interval, so
// that k comes from propagated distributions (JCGM 101) and not from the
// Gaussian table.
func (s Spread) Rectangular() bool { return len(s.Boxes) > 0 }

// gaussian is the distribution function of the part without rectangles.
func (s Spread) gaussian(x float64) float64 {
	if s.DoF > 0 {
		return distuv.StudentsT{Mu: 0, Sigma: s.Scale, Nu: s.DoF}.CDF(x)
	}
	return distuv.Normal{Mu: 0, Sigma: s.Scale}.CDF(x)
}

// points is how finely a distribution function is tabulated on each side.
const points = 512

// table is the distribution function on an even grid over [-reach, reach].
type table struct {
	reach, step float64
	f           []float64
}

// tabulate propagates the distributions numerically (JCGM 101:2008, 5.2): each
// rectangle averages the function over its width. Nothing is drawn at random, so
// the same data give the same interval.
func (s Spread) tabulate() *table {
	reach, boxes := 0.0, s.Boxes
	for _, a := range boxes {
		reach += a
	}
	if s.Scale > 0 {
		tail := 6.0
		if s.DoF > 0 {
			// Far enough for the tails to be empty, near enough for the grid to see
			// the rectangles.
			tail = math.Min(distuv.StudentsT{Mu: 0, Sigma: 1, Nu: s.DoF}.Quantile(0.9999), 60)
		}
		reach += tail * s.Scale
	}
	t := &table{reach: reach, step: reach / points, f: make([]float64, 2*points+1)}
	if s.Scale < t.step && len(boxes) > 0 {
		// Too narrow for the grid: the widest rectangle is a ramp, exactly.
		a := boxes[0]
		boxes = boxes[1:]
		for i := range t.f {
			t.f[i] = min(max((t.x(i)+a)/(2*a), 0), 1)
		}
	} else {
		t.fill(s)
	}
	integral := make([]float64, len(t.f))
	out := make([]float64, len(t.f))
	for _, a := range boxes {
		t.average(a, integral, out)
	}
	return t
}

// fill tabulates the Gaussian part: its density is integrated by Simpson's rule
// from the middle outwards, which costs a tenth of the distribution function.
func (t *table) fill(s Spread) {
	density := func(x float64) float64 { return math.Exp(-x*x/(2*s.Scale*s.Scale)) / (s.Scale * math.Sqrt(2*math.Pi)) }
	if nu := s.DoF; nu > 0 {
		a, _ := math.Lgamma((nu + 1) / 2)
		b, _ := math.Lgamma(nu / 2)
		c := math.Exp(a-b) / (s.Scale * math.Sqrt(nu*math.Pi))
		density = func(x float64) float64 {
			z := x / s.Scale
			return c * math.Pow(1+z*z/nu, -(nu+1)/2)
		}
	}
	sum, left := 0.5, density(0)
	for i := points; i < len(t.f); i++ {
		t.f[i], t.f[2*points-i] = min(sum, 1), max(1-sum, 0) // one half mirrors the other
		x := t.x(i)
		right := density(x + t.step)
		sum += t.step / 6 * (left + 4*density(x+t.step/2) + right)
		left = right
	}
}

func (t *table) x(i int) float64 { return float64(i-points) * t.step }

// average replaces f by its mean over plus or minus a.
func (t *table) average(a float64, integral, out []float64) {
	integral[0] = 0
	for i := 1; i < len(t.f); i++ {
		integral[i] = integral[i-1] + (t.f[i-1]+t.f[i])/2*t.step
	}
	last := len(t.f) - 1
	at := func(x float64) float64 {
		k := (x + t.reach) / t.step
		switch {
		case k <= 0:
			return 0 // nothing lies under the grid
		case k >= float64(last):
			return integral[last] + x - t.reach // and everything under its end
		}
		i := int(k)
		h := (k - float64(i)) * t.step
		slope := (t.f[i+1] - t.f[i]) / t.step
		return integral[i] + t.f[i]*h + slope*h*h/2
	}
	for i := range out {
		out[i] = min(max((at(t.x(i)+a)-at(t.x(i)-a))/(2*a), 0), 1)
	}
	copy(t.f, out)
}

func (t *table) cdf(x float64) float64 {
	k := (x + t.reach) / t.step
	switch {
	case k <= 0:
		return 0
	case k >= float64(len(t.f)-1):
		return 1
	}
	i := int(k)
	return t.f[i] + (k-float64(i))*(t.f[i+1]-t.f[i])
}

// CDF is the probability that the error is at most x.
func (s Spread) CDF(x float64) float64 {
	switch {
	case s.Scale == 0 && len(s.Boxes) == 0:
		if x >= 0 {
			return 1
		}
		return 0
	case len(s.Boxes) == 0:
		return s.gaussian(x)
	}
	return s.tabulate().cdf(x)
}

// HalfWidth is the half width of the interval about the estimate that holds the
// share p of the distribution: shortest and symmetric at once.
func (s Spread) HalfWidth(p float64) float64 {
	switch {
	case s.Scale == 0 && len(s.Boxes) == 0:
		return 0
	case len(s.Boxes) == 0 && s.DoF == 0 && p == Level:
		return Factor * s.Scale
	case len(s.Boxes) == 0 && s.DoF > 0:
		return T(p, s.DoF) * s.Scale
	case len(s.Boxes) == 0:
		return distuv.UnitNormal.Quantile((1+p)/2) * s.Scale
	}
	t := s.tabulate()
	want := (1 + p) / 2
	lo, hi := points, len(t.f)-1
	for lo+1 < hi {
		if mid := (lo + hi) / 2; t.f[mid] < want {
			lo = mid
		} else {
			hi = mid
		}
	}
	w := 0.0
	if t.f[hi] > t.f[lo] {
		w = min(max((want-t.f[lo])/(t.f[hi]-t.f[lo]), 0), 1)
	}
	return t.x(lo) + w*t.step
}

// Interval returns the half width U of the interval that holds the value with
// the probability Level, and k = U/u.
func (s Spread) Interval() (U, k float64) {
	U, k = s.HalfWidth(Level), Factor
	if u := s.U(); u > 0 {
		k = U / u
	}
	return U, k
}
