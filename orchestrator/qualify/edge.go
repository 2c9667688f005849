package qualify

import "math"

// edge finds where the current crosses half its step, t = 0 of a pulse. Between two
// readings of which one stands before the edge and the other after it, it may lie
// anywhere. A ramp whose steepness the instrument declares says more: it takes
// T = step/slew from its beginning to its end, so that
//
//	a reading before it, at t:           t0 >= t + T/2
//	a reading after it, at t:            t0 <= t - T/2
//	a reading x of the way up, at t:     t0  = t + (1/2 - x)*T
//
// Where these contradict each other, the ramp is not what was declared, and t0 is
// what two readings allow.
type edge struct {
	ramp     float64 // s, 0 where nothing is declared
	from, to float64 // s after the last reading before the edge
	inside   bool
}

// Within these shares of the step a reading is taken for one of the ramp.
const edgeFoot, edgeTop = 0.03, 0.97

func newEdge(step, slew float64) edge {
	e := edge{to: math.Inf(1)}
	if slew > 0 {
		e.ramp = math.Abs(step) / slew
	}
	e.from = e.ramp / 2
	return e
}

// see takes a reading at t, x of the way up.
func (e *edge) see(t, x float64) {
	switch {
	case e.inside:
	case x <= edgeFoot:
		e.from = max(e.from, t+e.ramp/2)
	case x >= edgeTop:
		e.to = min(e.to, t-e.ramp/2)
	default:
		e.inside = true
		e.from = t + (0.5-x)*e.ramp
		e.to = e.from
	}
}

// found returns t0 and the half width of what is known of it; false where the
// readings contradict what is declared. Between is the stretch in which readings
// saw the current cross half its step.
func (e *edge) found(between [2]float64) (t0, half float64, ok bool) {
	if e.ramp == 0 || e.from > e.to || math.IsInf(e.to, 1) {
		return 0, 0, false
	}
	t0, half = (e.from+e.to)/2, (e.to-e.from)/2
	return t0, half, t0 >= between[0]-1e-9 && t0 <= between[1]+1e-9
}
