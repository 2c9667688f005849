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
	for c := range r.cells {
		r.cells[c] -= p.pre.cells[c]
	}
	copy(r.noise, p.noise)
	copy(r.rest, p.pre.cells)
	r.when = p.preAt
	r.meter, r.dof = p.meter, p.dof
	r.late, r.blend = p.late+short, math.Hypot(w, 1-w)
	r.taps, r.volts = p.taps, p.volts
	p.course = append(p.course, grown{at, p.sum(prev) + w*(p.sum(now)-p.sum(prev))})
}

// lateness is how much later than the current a channel is read, s, and the half
// width of what is known of it.
type lateness struct{ by, within float64 }

// lateness follows from what the layout declares: a channel is read up to its skew
// before the frame's instant, and its window ends there.
func (s *scanner) lateness(pos int) lateness {
	if pos < 0 || pos >= s.width || s.current < 0 {
		return lateness{}
	}
	c, i := &s.layout.Channels[pos], &s.layout.Channels[s.current]
	return lateness{
		by:     seconds(i.Skew+i.Window-c.Skew-c.Window) / 2,
		within: seconds(c.Skew+i.Skew) / 2,
	}
}

// grown is the sum of all taps' voltage steps, V, at an instant after the edge, s.
type grown struct{ t, step float64 }

// sum is the step of all taps together in a frame.
func (p *pulses) sum(x *snapshot) float64 {
	sum := 0.0
	for c, v := range x.cells {
		if d := v - p.pre.cells[c]; !math.IsNaN(d) {
			sum += d
		}
	}
	return sum
}

// grow tells the pulse's results how fast the step grew where they were taken, and
// brings taps and meter to the instant of the current. A step grows ever more slowly:
// what it grew before a result was faster and what it grew after it slower, and the
// mean of both is taken.
func (p *pulses) grow() {
	n := len(p.course)
	for k := range p.results[p.dir] {
		r := &p.results[p.dir][k]
		if !r.seen || r.reason != "" || r.when != p.preAt {
			continue
		}
		for j := 1; j < n; j++ {
			if here := p.course[j]; here.t == pulseTimes[k] {
				r.drift = growth(p.course[j-1], here, here.step)
				if j+1 < n && p.course[j+1].t-here.t >= here.t/10 {
					r.drift = (r.drift + growth(here, p.course[j+1], here.step)) / 2
				}
				break
			}
		}
		r.dv *= 1 - r.drift*r.volts.by
		for c := range r.cells {
			r.cells[c] *= 1 - r.drift*r.taps.by
		}
	}
}

// growth is how fast a step grows, as a share of it per second.
func growth(from, to grown, of float64) float64 {
	if of == 0 || to.t <= from.t {
		return 0
	}
	return (to.step - from.step) / of / (to.t - from.t)
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
		if math.Abs(p.prev.i-p.want) <= edgeMoves*math.Abs(p.want) {
			p.course = append(p.course, grown{long, p.sum(&p.prev)})
		}
		p.grow()
	}
	p.phase, p.havePre = pulseIdle, false
}
