package bdf

import (
	"math"
)

// earlyMax is how many rows after a step's edge are kept to find where its
// current crossed half its step.
const earlyMax = 64

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
	at         [len(times)]pulse
	done       [len(times)]bool
	first      row
	quiet      tail    // the rows before the edge
	lag        float64 // s, see Accuracy
	least      float64 // A, under which a step of current is none
	kelvins    float64 // sum of the rows' temperatures, degC, and their number
	warm       int64
}

func (b *build) start(r row, number int, before *row, quiet tail, lag, least float64, runningCounter bool) {
	early := append(b.early[:0], r)
	*b = build{Step: Step{Number: number, ID: r.id, Line: r.line, Rows: 1, Start: r.t, StartVoltage: r.v}, prev: r, first: r, early: early, quiet: quiet, lag: lag, least: least}
	b.high = math.Abs(r.i)
	b.heat(&r)
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
	b.volts += (b.prev.v + r.v) / 2 * dt
	b.energy += (b.prev.i*b.prev.v + r.i*r.v) / 2 * dt
	b.high = max(b.high, math.Abs(r.i))
	b.heat(&r)
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

func (b *build) heat(r *row) {
	if !math.IsNaN(r.temp) {
		b.kelvins, b.warm = b.kelvins+r.temp, b.warm+1
	}
}

// close finishes the step's figures, read with steps of the given size.
func (b *build) close(a Accuracy, steps resolution) Step {
	s := b.Step
	s.Seconds = b.prev.t - b.first.t
	s.Charge, s.Energy, s.EndVoltage = b.charge/3600, b.energy/3600, b.prev.v
	s.last = b.prev.i
	if s.Seconds > 0 {
		s.MeanCurrent = b.charge / s.Seconds
	}
	s.Counter = b.counter.close()
	if b.warm > 0 {
		t := b.kelvins / float64(b.warm)
		s.Temperature = &t
	}
	mean := s.Seconds / float64(max(b.Rows-1, 1))
	for k, t := range times {
		s.Resistances = append(s.Resistances, b.resistanceAt(k, mean, a, steps))
		switch t {
		case 1:
			s.R1 = s.Resistances[k]
		case 10:
			s.R10 = s.Resistances[k]
		}
	}
	return s
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
