package bdf

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// times after an edge at which a resistance is taken, in s.
var times = [...]float64{0.1, 1, 2, 5, 10}

// near is how far, as a share of the time asked for, the nearest row may lie:
// the same tenth that bounds the current's rise.
const near = 0.1

// gapRows is how many times the step's mean time between rows may pass between
// two rows of a pulse before rows count as missing.
const gapRows = 10

// Accuracy is what the instruments of a file are declared to be good for: half
// widths, gains as ratios, offsets in V and A. Separate says that charge and
// discharge were measured by different instruments, so that nothing cancels.
type Accuracy struct {
	VoltageGain, VoltageOffset float64
	CurrentGain, CurrentOffset float64
	// TimeGain is the clock's, a ratio; Lag how far, in s, the voltage and the
	// current of one row may lie apart: their skew and their averaging windows.
	TimeGain, Lag float64
	Separate      bool
}

// Option tells Read what the file does not say.
type Option func(*reader)

// With declares the accuracy of the file's instruments. Without it, uncertainties
// hold what the rows themselves tell, and say so.
func With(a Accuracy) Option { return func(x *reader) { x.accuracy, x.declared = a, true } }

// resolution is the least difference between two rows of one step that a file
// shows, V and A; 0 where nothing moved.
type resolution struct{ v, i float64 }

func (s *resolution) add(a, b *row) {
	if d := math.Abs(a.v - b.v); d > 0 && (s.v == 0 || d < s.v) {
		s.v = d
	}
	if d := math.Abs(a.i - b.i); d > 0 && (s.i == 0 || d < s.i) {
		s.i = d
	}
}

// tail sums the squared differences of the latest rows of a step, which tell the
// noise of one reading (von Neumann 1941, from memory).
type tail struct {
	squares [tailRows]float64
	n       int
}

const tailRows = 16

func (t *tail) add(dv float64) {
	t.squares[t.n%tailRows] = dv * dv
	t.n++
}

// noise is the standard deviation of one reading and its degrees of freedom.
func (t *tail) noise() (sd, dof float64) {
	n := min(t.n, tailRows)
	if n < 2 {
		return 0, 0
	}
	sum := 0.0
	for _, s := range t.squares[:n] {
		sum += s
	}
	return math.Sqrt(sum / float64(2*n)), float64(n)
}

// pulse is what a step tells of one time after its edge.
type pulse struct {
	reason   string
	ohms, di float64
	rise     float64 // s, the longest that the edge may have taken
	drift    float64 // share of the voltage step per second
	gap      float64 // s, the longest time between rows from the edge on
}

// gapAfter is the longest time between two rows of the step up to a row at to.
func (b *build) gapAfter(from, to float64) float64 {
	gap := to - b.prev.t
	if b.prev.t >= from {
		gap = max(gap, b.Longest)
	}
	return gap
}

// resistanceAt finishes one time's resistance; mean is the step's mean time
// between rows.
func (b *build) resistanceAt(k int, mean float64, a Accuracy, steps resolution) Resistance {
	p, at := b.at[k], times[k]
	out := Resistance{After: at, Reason: p.reason}
	switch {
	case !b.done[k] && !b.haveBefore:
		out.Reason = "no row before the step: its edge is not known"
	case !b.done[k] && b.prev.t-b.before.t < at*(1-near):
		out.Reason = fmt.Sprintf("the step has no row %g s after its edge: it lasted %.3g s", at, b.prev.t-b.before.t)
	case !b.done[k]:
		out.Reason = fmt.Sprintf("the step has no row %g s after its edge", at)
	case p.reason == "" && p.gap > gapRows*mean && p.gap > near*at:
		out.Reason = fmt.Sprintf("rows are missing for %.3g s within the first %g s", p.gap, at)
	}
	if out.Reason != "" {
		return out
	}
	x := p.ohms * 1000
	sd, dof := b.quiet.noise()
	v := gum.Exact(x).
		With(gum.Own("voltage gain", a.VoltageGain), x).
		With(gum.Own("current gain", a.CurrentGain), -x).
		With(gum.Rectangular("time of the edge", (p.rise+a.Lag)/2), p.drift*x).
		With(gum.Own("clock", a.TimeGain*at), p.drift*x).
		With(gum.Rectangular("current step", steps.i/2*math.Sqrt2), -x/p.di)
	if sd <= steps.v/math.Sqrt(12) {
		v = v.With(gum.Rectangular("voltage step", steps.v/2*math.Sqrt2), 1000/p.di)
	} else {
		v = v.With(gum.Normal("noise", sd*math.Sqrt2, dof), 1000/p.di)
	}
	spread := v.Spread()
	u, k95 := spread.Interval()
	if u >= x {
		out.Reason = fmt.Sprintf("the rows tell it to +/- %.2g mOhm only, more than the %.2g mOhm that they give", u, x)
		return out
	}
	out.MilliOhm, out.OK, out.spread, out.U, out.K = x, true, spread, u, k95
	for _, part := range v.Budget() {
		if part.Shared {
			if out.shared == nil {
				out.shared = map[string]float64{}
			}
			out.shared[part.Name] = math.Copysign(part.U, part.C)
		}
	}
	return out
}

// resistance looks whether the row reaches a time after the edge, where t = 0
// is where the current crossed half its step.
func (b *build) resistance(k int, r row) {
	if !b.haveBefore {
		return
	}
	// Nothing can be due before the time has passed since the row before.
	if r.t-b.before.t < times[k] {
		return
	}
	e, reason := b.edge(r.i)
	if reason != "" {
		b.refuse(k, reason)
		return
	}
	want := e.t0 + times[k]
	if r.t < want {
		return
	}
	low, high := b.prev, r
	if min(want-low.t, high.t-want) > near*times[k] || low.t < e.t0 {
		if high.t-want > near*times[k] {
			b.refuse(k, fmt.Sprintf("no row near that time: the rows around it lie %.2g s and %.2g s after the edge", low.t-e.t0, high.t-e.t0))
			return
		}
		low = high
	}
	if most := near * times[k] * (1 + 1e-6); e.rise > most {
		b.refuse(k, fmt.Sprintf("the current took up to %.3g s to rise, over a tenth of %g s", e.rise, times[k]))
		return
	} else if e.rise+b.lag > most {
		b.refuse(k, fmt.Sprintf("the current took up to %.3g s to rise and a row's voltage and current lie up to %.3g s apart, together over a tenth of %g s", e.rise, b.lag, times[k]))
		return
	}
	w := 1.0
	if high.t > low.t {
		w = (want - low.t) / (high.t - low.t)
	}
	i, v := low.i+w*(high.i-low.i), low.v+w*(high.v-low.v)
	di := i - b.before.i
	if math.Abs(i-e.plateau) > near*math.Abs(di) {
		b.refuse(k, "the current did not hold after the edge")
		return
	}
	ohms := (v - b.before.v) / di
	if !(ohms > 0) {
		b.refuse(k, "the voltage did not follow the current")
		return
	}
	p := pulse{ohms: ohms, di: di, rise: e.rise, gap: b.gapAfter(e.t0, r.t)}
	if dt := high.t - low.t; dt > 0 {
		p.drift = math.Abs((high.v - low.v) / dt / (v - b.before.v))
	}
	b.at[k], b.done[k] = p, true
}

func (b *build) refuse(k int, reason string) {
	b.at[k], b.done[k] = pulse{reason: reason}, true
}

// edge is where a step's current rose.
type edge struct{ t0, rise, plateau float64 }

// edge finds where the current crossed half its way to i, and how long it took
// from a tenth to nine tenths at most.
func (b *build) edge(i float64) (edge, string) {
	step := i - b.before.i
	// A tenth of the greater current is the least that is called a step, and what a
	// rest may have of the file's greatest: what meters wander by at rest is none.
	if math.Abs(step) < max(near*max(math.Abs(i), math.Abs(b.before.i)), b.least) || step == 0 {
		return edge{}, "the current does not step at the step's edge"
	}
	p, low := b.before, b.before.t
	e := edge{t0: math.NaN()}
	for _, r := range b.early {
		x, was := (r.i-b.before.i)/step, (p.i-b.before.i)/step
		if math.IsNaN(e.t0) && x >= 0.5 {
			e.t0 = p.t + (0.5-was)/(x-was)*(r.t-p.t)
		}
		if x >= 0.9 {
			e.rise, e.plateau = r.t-low, r.i
			return e, ""
		}
		if x <= 0.1 {
			low = r.t
		}
		p = r
	}
	return edge{}, "the current's rise cannot be seen in the rows"
}
