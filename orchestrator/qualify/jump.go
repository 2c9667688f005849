package qualify

import "math"

// jumps sum up what the current's steps between readings leave open of a charge: the
// squares of current times time, A2.s2, each alone, times its voltage and times the
// square of that; and bow of an energy, J2, since voltage and current move together.
type jumps struct{ q, qv, qvv, bow float64 }

func (j *jumps) add(k jumps) {
	j.q += k.q
	j.qv += k.qv
	j.qvv += k.qvv
	j.bow += k.bow
}

// jump is a step of the current that is under way.
type jump struct{ from, to, before, after, v float64 }

// jumpShare is the least change between two readings, as a share of the greater one,
// that counts as a step.
const jumpShare = 0.05

// jumped follows steps of the current, and books each when it is over.
func (r *run) jumped(s *scanner, p, q *reading) {
	top := max(math.Abs(p.i), math.Abs(q.i))
	if d := math.Abs(q.i - p.i); d > jumpShare*top && d > s.near {
		if r.jump == (jump{}) {
			r.jump.from, r.jump.before = p.i, p.v
		}
		r.jump.to, r.jump.after = q.i, q.v
		if r.jump.v = q.v; math.Abs(p.i) > math.Abs(q.i) {
			r.jump.v = p.v
		}
		return
	}
	r.landed(s)
}

// landed books the step that is over.
func (r *run) landed(s *scanner) {
	if r.jump == (jump{}) {
		return
	}
	j := r.jump
	r.jump = jump{}
	step, dir := j.to-j.from, 0
	if j.to+j.from > 0 {
		dir = 1
	}
	q := step * s.missed(step, dir)
	// Along a straight step the product of both lies under the mean of its ends by a
	// sixth of what they move.
	bow := step * (j.after - j.before) * s.lasts(step, dir) / 6
	k := jumps{q * q, q * q * j.v, q * q * j.v * j.v, bow * bow}
	if dir == 1 {
		r.in.jumps.add(k)
	} else {
		r.out.jumps.add(k)
	}
}

// missed is the half width of how much later or earlier, in s, the trapezoids between
// readings see a step of the current. For one that lasts r, read every p, trapezoids
// err by step*p^2/2r*(x(1-x) - y(1-y)) with x and y the places of its two corners
// between readings: evenly within (p-r)/2 for the shorter, and within p^2/2r*d(1-d)
// with d the fraction of r/p for the longer.
func (s *scanner) missed(step float64, dir int) float64 {
	p, r := s.period, s.lasts(step, dir)
	if r <= p {
		return (p - r) / 2
	}
	d := r/p - math.Floor(r/p)
	return p * p / (2 * r) * d * (1 - d)
}

// lasts is how long a step takes by the declared slew, s; 0 where none is.
func (s *scanner) lasts(step float64, dir int) float64 {
	if s.slew[dir] <= 0 {
		return 0
	}
	return math.Abs(step) / s.slew[dir]
}
