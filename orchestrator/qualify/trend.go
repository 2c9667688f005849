package qualify

import (
	"math"

	"gonum.org/v1/gonum/stat"

	"github.com/rigwarden/rigwarden/drivers"
)

// trendRows is how many means of a rest are kept however long it lasts.
const trendRows = 64

// trend keeps the course of all cells and of the mean temperature through one
// rest: means over equal times, which double whenever the rows run out.
type trend struct {
	began drivers.Instant
	width drivers.Span
	rows  int
	t     [trendRows]float64 // s since it began, middle of the row
	temp  [trendRows]float64 // K
	cells [trendRows][]float64
	sum   []float64
	sumK  float64
	n     int
	upto  drivers.Instant
	last  drivers.Instant
	holes bool // a reading was missing
}

func (t *trend) init(s *scanner) {
	for k := range t.cells {
		t.cells[k] = make([]float64, s.cells)
	}
	t.sum = make([]float64, s.cells)
}

func (t *trend) begin(at drivers.Instant, period drivers.Span) {
	t.last = at
	t.began, t.upto, t.width, t.rows, t.holes = at, at, max(period, 1), 0, false
	t.clear()
}

func (t *trend) clear() {
	clear(t.sum)
	t.sumK, t.n = 0, 0
}

// frame takes a frame of the rest.
func (t *trend) frame(s *scanner, at drivers.Instant, counts []int32) {
	kelvin, n := 0.0, 0.0
	for i := range s.temps {
		if c := counts[s.cells+i]; c != drivers.NoReading {
			kelvin, n = kelvin+s.value(s.cells+i, c), n+1
		}
	}
	for c := range t.sum {
		if counts[c] == drivers.NoReading {
			t.holes = true
			return
		}
	}
	for c := range t.sum {
		t.sum[c] += s.value(c, counts[c])
	}
	t.sumK += kelvin / max(n, 1)
	t.last = at
	t.n++
	if at.Sub(t.upto) >= t.width {
		t.keep(at)
	}
}

func (t *trend) keep(at drivers.Instant) {
	if t.rows == trendRows {
		t.halve()
		if at.Sub(t.upto) < t.width {
			return // the row goes on
		}
	}
	k := t.rows
	t.t[k] = seconds(t.upto.Sub(t.began))/2 + seconds(at.Sub(t.began))/2
	t.temp[k] = t.sumK / float64(t.n)
	for c := range t.sum {
		t.cells[k][c] = t.sum[c] / float64(t.n)
	}
	t.rows++
	t.upto = at
	t.clear()
}

// halve makes one row of every two.
func (t *trend) halve() {
	for k := range trendRows / 2 {
		t.t[k] = (t.t[2*k] + t.t[2*k+1]) / 2
		t.temp[k] = (t.temp[2*k] + t.temp[2*k+1]) / 2
		for c := range t.cells[k] {
			t.cells[k][c] = (t.cells[2*k][c] + t.cells[2*k+1][c]) / 2
		}
	}
	t.rows, t.width = trendRows/2, 2*t.width
}

// end is how long the rest lasted until its last reading, s.
func (t *trend) end() float64 { return seconds(t.last.Sub(t.began)) }

// course is one cell's part of a trend, from a share of the rest on.
func (t *trend) course(cell int, from float64) (at, v []float64) {
	if t.rows == 0 {
		return nil, nil
	}
	begin := from * t.t[t.rows-1]
	for k := range t.rows {
		if t.t[k] >= begin {
			at, v = append(at, t.t[k]), append(v, t.cells[k][cell])
		}
	}
	return at, v
}

// coursePoints is the fewest points of a fit, tauStep the ratio between the time
// constants that are tried.
const (
	coursePoints = 8
	tauStep      = 1.03
	driftShare   = 0.02 // of the movement, that a drift must be to be one
)

// settling is how far a cell still is from rest: Left = V(end) - V(settled) in V
// with the half width of what the data allow, Tau in s the time constant that
// fits best.
type settling struct{ left, within, tau float64 }

// settled is settle with the doubt that it needs: a part that relaxes over hours
// looks like a drift within one, and a single exponential would swallow it and
// state a narrow answer that is wrong. So a drift that the data show, or a time
// constant over a quarter of the rest, is told in rate, V/s, and refuses the
// answer; a drift that they merely do not exclude widens it by what it would move
// in another rest as long.
func settled(at, v []float64, end, step float64) (s settling, rate float64, ok bool) {
	d, ok := drifting(at, v, end, step)
	if !ok {
		return settling{}, 0, false
	}
	s, ok = settle(at, v, end, step)
	if !ok {
		return settling{}, 0, false
	}
	// The grid of time constants leaves a little of the curve to the drift.
	moved := math.Abs(v[len(v)-1] - v[0])
	if math.Abs(d.slope) > 3*d.error && math.Abs(d.slope)*(end-at[0]) > driftShare*moved || s.tau > end/4 && math.Abs(s.left) > s.within {
		last := len(at) - 1
		return s, (v[last] - v[last*2/3]) / (at[last] - at[last*2/3]), true
	}
	s.within += (math.Abs(d.slope) + 2*d.error) * end
	return s, 0, true
}

// settle fits V = Vs + a*exp(-t/tau) to the last two thirds of a rest, where the
// slowest part rules, and keeps every tau that the data do not refuse: their
// answers differ more than any one's scatter says. A tau over the length of the
// rest cannot be told from a drift. Step is the reading's step in V. False where
// there are too few points.
func settle(at, v []float64, end, step float64) (settling, bool) {
	n := len(at)
	if n < coursePoints {
		return settling{}, false
	}
	width := at[1] - at[0]
	type fit struct{ tau, rss, left, error float64 }
	var fits []fit
	x := make([]float64, n)
	// Averages of a quantised reading are no better than this without noise.
	floor := float64(n) * step * step / 12
	best := math.Inf(1)
	for tau := 2 * width; tau <= end; tau *= tauStep {
		for k, t := range at {
			x[k] = math.Exp((end - t) / tau) // 1 at the end
		}
		alpha, a := stat.LinearRegression(x, v, nil, false)
		mean := stat.Mean(x, nil)
		rss, sxx := floor, 0.0
		for k := range x {
			e := v[k] - alpha - a*x[k]
			rss, sxx = rss+e*e, sxx+(x[k]-mean)*(x[k]-mean)
		}
		if !(sxx > 0) || math.IsNaN(a) {
			continue
		}
		fits = append(fits, fit{tau, rss, a, math.Sqrt(rss / float64(n-3) / sxx)})
		best = min(best, rss)
	}
	if len(fits) == 0 {
		return settling{}, false
	}
	var s settling
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, f := range fits {
		if f.rss == best {
			s.left, s.tau = f.left, f.tau
		}
		// About 95 % by the likelihood's ratio for one parameter.
		if f.rss <= best*(1+4/float64(n-3)) {
			lo, hi = min(lo, f.left-2*f.error), max(hi, f.left+2*f.error)
		}
	}
	s.within = max(hi-s.left, s.left-lo)
	return s, true
}

// drift is how fast a cell's voltage goes on moving once the relaxation is taken
// off, V/s, with its standard uncertainty and degrees of freedom.
type drift struct{ slope, error, dof float64 }

// drifting fits V = Vs + a*exp(-t/tau) + slope*t, with time constants up to a
// quarter of the rest: a slower one is a drift. As in settle, every tau that the
// data do not refuse has its say.
func drifting(at, v []float64, end, step float64) (drift, bool) {
	n := len(at)
	if n < coursePoints {
		return drift{}, false
	}
	type fit struct{ rss, slope, error float64 }
	var fits []fit
	x := make([]float64, n)
	best := math.Inf(1)
	mt, mv := stat.Mean(at, nil), stat.Mean(v, nil)
	for tau := 2 * (at[1] - at[0]); tau <= end/4; tau *= tauStep {
		for k, t := range at {
			x[k] = math.Exp((at[0] - t) / tau)
		}
		mx := stat.Mean(x, nil)
		var sxx, stt, sxt, sxv, stv float64
		for k := range x {
			dx, dt, dv := x[k]-mx, at[k]-mt, v[k]-mv
			sxx, stt, sxt = sxx+dx*dx, stt+dt*dt, sxt+dx*dt
			sxv, stv = sxv+dx*dv, stv+dt*dv
		}
		det := sxx*stt - sxt*sxt
		if !(det > 1e-9*sxx*stt) {
			continue
		}
		a, slope := (sxv*stt-stv*sxt)/det, (stv*sxx-sxv*sxt)/det
		rss := float64(n) * step * step / 12
		for k := range x {
			e := v[k] - mv - a*(x[k]-mx) - slope*(at[k]-mt)
			rss += e * e
		}
		fits = append(fits, fit{rss, slope, math.Sqrt(rss / float64(n-4) * sxx / det)})
		best = min(best, rss)
	}
	if len(fits) == 0 {
		return drift{}, false
	}
	d := drift{dof: float64(n - 4)}
	for _, f := range fits {
		if f.rss == best {
			d.slope = f.slope
		}
	}
	for _, f := range fits {
		if f.rss <= best*(1+4/float64(n-4)) {
			d.error = max(d.error, (math.Abs(f.slope-d.slope)+2*f.error)/2)
		}
	}
	return d, true
}
