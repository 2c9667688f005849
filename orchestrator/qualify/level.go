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

// levels finds steps that follow each other at two currents.
type levels struct {
	before *level
	result *resist
	first  float64 // A, and the second
	second float64
}

// plateau is the last reading of a step whose current held still, nil for none.
func (a *Analyser) plateau(r *run) *level {
	s := &a.scan
	for k := 0; k+1 < a.ring.len(); k++ {
		row, older := a.ring.row(k), a.ring.row(k+1)
		if a.ring.when(k) > r.ended || a.ring.when(k+1) < r.begun {
			continue
		}
		i := s.value(s.current, row[s.current])
		if was := s.value(s.current, older[s.current]); math.Abs(i-was) > 0.01*math.Abs(i) || !s.flows(i) {
			continue
		}
		l := &level{run: r, i: i, cells: make([]float64, s.cells)}
		if v := s.voltage; v >= 0 && row[v] != drivers.NoReading {
			l.v, l.vOK = s.value(v, row[v]), true
		}
		for c := range l.cells {
			l.cells[c] = math.NaN()
			if row[c] != drivers.NoReading {
				l.cells[c] = s.value(c, row[c])
			}
		}
		return l
	}
	return nil
}

// close looks whether the step that ended is the second of two levels.
func (l *levels) close(a *Analyser, r *run) {
	before := l.before
	l.before = nil
	if r.drive == nil || r.spec.Kind != "discharge" && r.spec.Kind != "pulse" || r.out.t == 0 {
		return
	}
	now := a.plateau(r)
	l.before = now
	if now == nil || before == nil || before.run.ended != r.begun ||
		now.i*before.i <= 0 || math.Abs(now.i) < levelRatio*math.Abs(before.i) ||
		before.run.ended.Sub(before.run.begun) < levelFirst || r.ended.Sub(r.begun) > levelSecond {
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
	switch {
	case r.reason() != "" || before.run.reason() != "":
		x.flaw = before.run.reason() + r.reason()
	case r.low < 0.9*math.Abs(before.i):
		x.flaw = fmt.Sprintf("the current fell to %.3g A between the two levels", r.low)
	}
	l.result, l.first, l.second = x, math.Abs(before.i), math.Abs(now.i)
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
