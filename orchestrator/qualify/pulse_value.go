package qualify

import (
	"fmt"
	"math"
)

// take stores one result between two frames; short is how much too early it
// had to be taken.
func (p *pulses) take(prev, now *snapshot, w, short float64) {
	at := pulseTimes[p.next]
	r := &p.results[p.dir][p.next]
	p.next++
	if !p.open(r, p.refuse(at)) {
		return
	}
	var x snapshot
	x.cells = r.cells // one buffer, turned into differences below
	x.between(prev, now, w)
	r.di = x.i - p.pre.i
	r.dv, r.dvOK = x.v-p.pre.v, x.vOK && p.pre.vOK
	var grown, full float64
	for c := range r.cells {
		r.cells[c] -= p.pre.cells[c]
		if step := r.cells[c]; !math.IsNaN(step) {
			full += step
			grown += step - (p.early.cells[c] - p.pre.cells[c])
		}
	}
	copy(r.noise, p.noise)
	copy(r.rest, p.pre.cells)
	r.when = p.preAt
	r.meter, r.dof = p.meter, p.dof
	// The cells' readings lie anywhere within skew and window from the current's.
	r.late = p.late + p.skew/2 + short
	if full != 0 && at > p.tEdge {
		// The step grows ever more slowly: the slope since the point before
		// bounds the slope here.
		r.drift = math.Abs(grown / full / (at - p.tEdge))
	}
	for c := range r.cells {
		p.early.cells[c] = p.pre.cells[c] + r.cells[c]
	}
	p.tEdge = at
}

// open clears a result for this pulse and says whether it can be taken. The
// latest good pulse stands: one that is refused for a reason does not take its
// place.
func (p *pulses) open(r *resist, reason string) bool {
	if reason != "" && r.seen && r.reason == "" {
		return false
	}
	*r = resist{
		seen: true, reason: reason, index: p.index, pass: p.pass, label: p.label,
		cells: r.cells, noise: r.noise, rest: r.rest, temp: p.temp, spread: p.gapK,
	}
	return reason == ""
}

// close marks what was measured in a step that proves nothing.
func (p *pulses) close(r *run) {
	why := r.reason()
	if why == "" {
		return
	}
	for d := range p.results {
		for k := range p.results[d] {
			if x := &p.results[d][k]; x.seen && x.reason == "" && x.index == r.index && x.pass == r.pass {
				x.flaw = why
			}
		}
	}
}

// refuse says why no resistance can be taken at a time, empty where it can.
func (p *pulses) refuse(at float64) string {
	if p.missing {
		return "frames are missing in the pulse"
	}
	if blur := p.skew + p.rise; blur > at/10*(1+1e-6) {
		return fmt.Sprintf("skew, averaging window and current rise take %.3g s, over a tenth of %g s", blur, at)
	}
	return ""
}

// over ends a pulse: what it was too short for is refused.
func (p *pulses) over() {
	if p.phase == pulseOn {
		long := seconds(p.prevAt.Sub(p.preAt)) - p.t0
		for p.next < len(pulseTimes) {
			at := pulseTimes[p.next]
			if short := at - long; short <= at*shortShare {
				// Switched off on time, just before a frame could show it.
				p.take(&p.prev, &p.prev, 1, short)
				continue
			}
			p.open(&p.results[p.dir][p.next], fmt.Sprintf("the pulse lasted %.3g s", long))
			p.next++
		}
	}
	p.phase, p.havePre = pulseIdle, false
}
