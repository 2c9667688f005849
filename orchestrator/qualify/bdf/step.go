package bdf

import (
	"fmt"
	"math"
)

// earlyMax is how many rows after a step's edge are kept to find where its
// current crossed half its step.
const earlyMax = 64

// times after an edge at which a resistance is taken, in s.
var times = [...]float64{1, 10}

// near is how far, as a share of the time asked for, the nearest row may lie:
// the same tenth that bounds the current's rise.
const near = 0.1

// build adds up one step.
type build struct {
	Step
	prev    row // its latest row
	charge  float64
	energy  float64
	counter counting

	before     row // last row of the step before
	haveBefore bool
	early      []row
	at         [len(times)]Resistance
	done       [len(times)]bool
	first      row
}

func (b *build) start(r row, number int, before *row, runningCounter bool) {
	early := append(b.early[:0], r)
	*b = build{Step: Step{Number: number, ID: r.id, Line: r.line, Rows: 1, Start: r.t, StartVoltage: r.v}, prev: r, first: r, early: early}
	b.high = math.Abs(r.i)
	b.counter.start(&r, runningCounter)
	if before != nil {
		b.before, b.haveBefore = *before, true
	}
}

// add integrates to the next row of the step. The trapezoid of the product V*I
// gives energy; mean voltage times charge would not.
func (b *build) add(r row) {
	dt := r.t - b.prev.t
	b.Longest = max(b.Longest, dt)
	b.charge += (b.prev.i + r.i) / 2 * dt
	b.energy += (b.prev.i*b.prev.v + r.i*r.v) / 2 * dt
	b.high = max(b.high, math.Abs(r.i))
	b.counter.add(&r)
	if len(b.early) < earlyMax {
		b.early = append(b.early, r)
	}
	for k := range times {
		if !b.done[k] {
			b.resistance(k, r)
		}
	}
	b.prev = r
	b.Rows++
}

// close finishes the step's figures.
func (b *build) close() Step {
	s := b.Step
	s.Seconds = b.prev.t - b.first.t
	s.Charge, s.Energy, s.EndVoltage = b.charge/3600, b.energy/3600, b.prev.v
	s.last = b.prev.i
	if s.Seconds > 0 {
		s.MeanCurrent = b.charge / s.Seconds
	}
	s.Counter = b.counter.close()
	for k, t := range times {
		if !b.done[k] {
			reason := fmt.Sprintf("the step has no row %g s after its edge", t)
			if !b.haveBefore {
				reason = "no row before the step: its edge is not known"
			}
			b.at[k] = Resistance{Reason: reason}
		}
	}
	s.R1, s.R10 = b.at[0], b.at[1]
	return s
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
			b.refuse(k, fmt.Sprintf("no row near %g s: the rows around it lie %.3g s and %.3g s after the edge", times[k], low.t-e.t0, high.t-e.t0))
			return
		}
		low = high
	}
	if e.rise > near*times[k]*(1+1e-6) {
		b.refuse(k, fmt.Sprintf("the current took up to %.3g s to rise, over a tenth of %g s", e.rise, times[k]))
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
	b.at[k], b.done[k] = Resistance{MilliOhm: ohms * 1000, OK: true}, true
}

func (b *build) refuse(k int, reason string) {
	b.at[k], b.done[k] = Resistance{Reason: reason}, true
}

// edge is where a step's current rose.
type edge struct{ t0, rise, plateau float64 }

// edge finds where the current crossed half its way to i, and how long it took
// from a tenth to nine tenths at most.
func (b *build) edge(i float64) (edge, string) {
	step := i - b.before.i
	// A tenth of the greater current is the least that is called a step.
	if math.Abs(step) < near*max(math.Abs(i), math.Abs(b.before.i)) || step == 0 {
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

// counting puts an instrument's counters together over their resets: taking the
// last value loses what was counted before.
type counting struct {
	on, stepwise bool
	in, out      track
}

type track struct {
	sum, from, last float64
	seen            bool
	resets          int
}

func (c *counting) start(r *row, running bool) {
	*c = counting{on: !math.IsNaN(r.in) || !math.IsNaN(r.out), stepwise: !running}
	c.add(r)
}

func (c *counting) add(r *row) {
	if c.on {
		c.in.add(r.in, c.stepwise)
		c.out.add(r.out, c.stepwise)
	}
}

func (t *track) add(x float64, stepwise bool) {
	switch {
	case math.IsNaN(x):
		return
	case !t.seen:
		t.seen = true
		if !stepwise {
			t.from = x // a running counter brings along what was before
		}
	case x < t.last:
		t.sum += t.last - t.from
		t.from = 0
		t.resets++
	}
	t.last = x
}

func (t *track) total() float64 { return t.sum + t.last - t.from }

func (c *counting) close() *Counter {
	if !c.on {
		return nil
	}
	return &Counter{Charge: c.in.total() - c.out.total(), Resets: c.in.resets + c.out.resets, Last: c.in.last - c.out.last}
}
