package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// The two-level method (IEC 61960-3:2017 7.7.3 and IEC 62620:2014 6.5.3, both
// from memory): discharge at a low current for 10 s or 30 s, then at a high one
// for 1 s or 5 s without a rest; R = (U1-U2)/(I2-I1). A constant error of the
// voltage cancels.
const (
	levelRatio  = 2.0                 // the least ratio of the two currents
	levelFirst  = 5 * drivers.Second  // the shortest first level
	levelSecond = 60 * drivers.Second // the longest second one
)

// level is where a step with steady current ended.
type level struct {
	run   *run
	i, v  float64
	vOK   bool
	cells []float64
}

// levels finds steps that follow each other at two currents, and pulses that have
// two.
type levels struct {
	before *level
	// lead is the last steady reading of a pulse's first level, sunk the least current
	// since then and low what it was at the last steady reading of the second.
	lead      *level
	sunk, low float64
	result    *resist
	first     float64 // A, and the second
	second    float64
}

// plateau is the last reading of a step whose current held still, nil for none.
func (a *Analyser) plateau(r *run) *level {
	l := &level{run: r, cells: make([]float64, a.scan.cells)}
	for k := 0; k+1 < a.ring.len(); k++ {
		if a.ring.when(k) <= r.ended && a.ring.when(k+1) >= r.begun && a.steady(k, l) {
			return l
		}
	}
	return nil
}

// steady takes a reading whose current is that of the one before it.
func (a *Analyser) steady(k int, l *level) bool {
	s, row, older := &a.scan, a.ring.row(k), a.ring.row(k+1)
	i := s.value(s.current, row[s.current])
	if was := s.value(s.current, older[s.current]); math.Abs(i-was) > 0.01*math.Abs(i) || !s.flows(i) {
		return false
	}
	l.i, l.v, l.vOK = i, 0, false
	if v := s.voltage; v >= 0 && row[v] != drivers.NoReading {
		l.v, l.vOK = s.value(v, row[v]), true
	}
	for c := range l.cells {
		l.cells[c] = math.NaN()
		if row[c] != drivers.NoReading {
			l.cells[c] = s.value(c, row[c])
		}
	}
	return true
}

// frame follows a pulse of two levels with the reading that the ring was just given.
func (l *levels) frame(a *Analyser) {
	r := a.run
	if r == nil || r.drive == nil || r.drive.Lead == nil || a.ring.len() < 2 || a.ring.when(1) < r.begun {
		return
	}
	if l.lead == nil || l.lead.run != r {
		l.lead = &level{run: r, cells: make([]float64, a.scan.cells)}
		l.sunk, l.low = math.Inf(1), 0
	}
	row := a.ring.row(0)
	i := math.Abs(a.scan.value(a.scan.current, row[a.scan.current]))
	l.sunk = min(l.sunk, i)
	over := 1.1e-6 * float64(r.drive.Lead.Current) // no longer the first level
	switch steady := math.Abs(i-math.Abs(a.scan.value(a.scan.current, a.ring.row(1)[a.scan.current]))) <= 0.01*i; {
	case !steady:
	case i > over:
		l.low = l.sunk
	case l.low == 0 && a.steady(0, l.lead):
		l.sunk = i
	}
}

// close looks whether the step that ended is the second of two levels, or has both.
func (l *levels) close(a *Analyser, r *run) {
	before := l.before
	l.before = nil
	if r.drive == nil || r.spec.Kind != "discharge" && r.spec.Kind != "pulse" || r.out.t == 0 {
		return
	}
	now := a.plateau(r)
	if now == nil {
		return
	}
	if first := r.drive.Lead; first != nil {
		if l.lead != nil && l.lead.run == r && first.Span >= levelFirst && r.drive.Span-first.Span <= levelSecond {
			l.take(a, l.lead, now, l.low)
		}
		return
	}
	l.before = now
	if before != nil && before.run.ended == r.begun &&
		before.run.ended.Sub(before.run.begun) >= levelFirst && r.ended.Sub(r.begun) <= levelSecond {
		l.take(a, before, now, r.low)
	}
}

// take measures between two levels; low is the least current between them, A.
func (l *levels) take(a *Analyser, before, now *level, low float64) {
	r := now.run
	near := now.i*before.i <= 0 || math.Abs(now.i) < levelRatio*math.Abs(before.i)
	if near && (before.run != r || now.i == before.i) {
		return
	}
	x := &resist{
		seen: true, index: r.index, pass: r.pass, label: r.spec.Label, di: now.i - before.i,
		dv: now.v - before.v, dvOK: now.vOK && before.vOK,
		cells: make([]float64, len(now.cells)), noise: make([]float64, len(now.cells)),
	}
	for c := range x.cells {
		x.cells[c] = now.cells[c] - before.cells[c]
	}
	x.temp, x.spread = temperatures(&a.scan, a.ring.row(0))
	known := a.noise(x, now.i)
	flaw := r.reason()
	if before.run != r {
		flaw = before.run.reason() + flaw
	}
	switch {
	case flaw != "":
		x.flaw = flaw
	case !known:
		x.flaw = "nothing tells how noisy the readings are: no rest, and under three readings of the second level"
	case near:
		x.flaw = fmt.Sprintf("the second level had %.3g A after %.3g A; twice as much would be right", math.Abs(now.i), math.Abs(before.i))
	case low < 0.9*math.Abs(before.i):
		x.flaw = fmt.Sprintf("the current fell to %.3g A between the two levels", low)
	}
	l.result, l.first, l.second = x, math.Abs(before.i), math.Abs(now.i)
}

// noise takes what the rests until now tell of a reading's noise or, where that is too
// little, the second level's own readings.
func (a *Analyser) noise(x *resist, amps float64) (ok bool) {
	if x.meter, x.dof, ok = a.hiss.tell(x.noise, noisyPairs); ok {
		return true
	}
	var own hiss
	own.init(&a.scan)
	for k := a.ring.len() - 1; k >= 0; k-- {
		row := a.ring.row(k)
		i := a.scan.value(a.scan.current, row[a.scan.current])
		if math.Abs(i-amps) > 0.01*math.Abs(amps) {
			own.run, own.meter.run = 0, 0
			continue
		}
		own.frame(row, true)
	}
	x.meter, x.dof, ok = own.tell(x.noise, 1)
	return ok
}

// figures of the two-level method, none where no step asked for it.
func (l *levels) figures(p *pulses, b *instruments) (module, cells []Figure) {
	r := l.result
	if r == nil {
		return nil, nil
	}
	m := p.module(b, r, ModuleTwoLevel, 1)
	if !m.NoValue {
		m.Detail = fmt.Sprintf("%s, from %.3g to %.3g A at %.1f degC", r.label, l.first, l.second, r.temp)
	}
	for c := range r.cells {
		cells = append(cells, p.cell(b, r, TwoLevel, c))
	}
	return []Figure{m}, cells
}
