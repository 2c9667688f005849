package pack

import (
	"errors"
	"math"
)

// Moment is one point of a course.
type Moment struct {
	// Seconds since the link closed, Volts at the common point, Amps of each branch.
	Seconds float64   `json:"s"`
	Volts   float64   `json:"voltage_V"`
	Amps    []float64 `json:"current_A"`
}

// Course is how modules equalise after their link has closed.
type Course struct {
	Moments []Moment
	// Charging and Discharging are each branch's greatest currents, A, both
	// positive; 0 where it never flows that way.
	Charging, Discharging []float64
	// Moved is the charge each branch has taken once all is equal, Ah; Heat what its
	// resistance turned into heat by then, J.
	Moved, Heat []float64
	// Final is the voltage at which all rest, V.
	Final float64
}

// The integration: Dormand and Prince's pair of orders 5 and 4 (J. Comput. Appl.
// Math. 6 (1980) 19-26, from memory), steps chosen by its error.
const (
	stepError = 1e-7 // of the greatest change of a state of charge, each step
	stepsMost = 400_000
	// fadedTo is where the course ends, as a share of the greatest current.
	fadedTo = 1e-5
	// courseMost bounds a course, s: what has not faded by then is told as it is.
	courseMost = 60 * 86400
)

var (
	nodesA = [7][6]float64{
		{},
		{1.0 / 5},
		{3.0 / 40, 9.0 / 40},
		{44.0 / 45, -56.0 / 15, 32.0 / 9},
		{19372.0 / 6561, -25360.0 / 2187, 64448.0 / 6561, -212.0 / 729},
		{9017.0 / 3168, -355.0 / 33, 46732.0 / 5247, 49.0 / 176, -5103.0 / 18656},
		{35.0 / 384, 0, 500.0 / 1113, 125.0 / 192, -2187.0 / 6784, 11.0 / 84},
	}
	errorOf = [7]float64{71.0 / 57600, 0, -71.0 / 16695, 71.0 / 1920, -17253.0 / 339200, 22.0 / 525, -1.0 / 40}
)

// node is the circuit: sources that share one point.
type node struct {
	sources []source
	amps    []float64
	volts   float64
	allowed float64 // error of a state of charge in one step
}

// ErrUnfollowed: nothing can be said of these branches, and so they must not be
// connected.
var ErrUnfollowed = errors.New("the equalising current cannot be followed: the branches' time constants lie too far apart")

// solve finds the currents at the given states of charge.
func (n *node) solve(y []float64) {
	sum, g := 0.0, 0.0
	for i := range n.sources {
		s := &n.sources[i]
		n.amps[i] = s.volts(y[i])
		sum += n.amps[i] / s.ohms
		g += 1 / s.ohms
	}
	n.volts = sum / g
	for i := range n.sources {
		n.amps[i] = (n.volts - n.amps[i]) / n.sources[i].ohms
	}
}

// rates are those of the states of charge, then of the heats.
func (n *node) rates(y, out []float64) {
	n.solve(y)
	k := len(n.sources)
	for i, a := range n.amps {
		out[i] = a / n.sources[i].capacity
		out[k+i] = a * a * n.sources[i].ohms
	}
}

// run lets the sources equalise; moments are kept where keep asks for them.
func run(sources []source, keep bool) (*Course, error) {
	k := len(sources)
	n := &node{sources: sources, amps: make([]float64, k)}
	c := &Course{Charging: make([]float64, k), Discharging: make([]float64, k)}
	y, next := make([]float64, 2*k), make([]float64, 2*k)
	for i := range sources {
		y[i] = sources[i].soc
	}
	var rate [7][]float64
	for j := range rate {
		rate[j] = make([]float64, 2*k)
	}
	c.Final = settled(sources)
	for i := range sources {
		moved := sources[i].taken(c.Final)
		c.Moved = append(c.Moved, moved/3600)
		n.allowed = max(n.allowed, stepError*math.Abs(moved)/sources[i].capacity, 1e-15)
	}
	n.rates(y, rate[0])
	peak := c.note(n, 0, keep)
	fast := n.fastest()
	t, h := 0.0, fast/100
	for steps := 0; ; steps++ {
		now := 0.0
		n.solve(y)
		for _, a := range n.amps {
			now = max(now, math.Abs(a))
		}
		if now <= fadedTo*peak || t >= courseMost {
			break
		}
		if steps == stepsMost {
			return nil, ErrUnfollowed
		}
		err := trial(n, y, next, &rate, h)
		if err <= 1 {
			t += h
			copy(y, next)
			n.rates(y, rate[0])
			peak = max(peak, c.note(n, t, keep))
		}
		h *= min(max(0.9*math.Pow(max(err, 1e-10), -0.2), 0.2), 4)
		h = min(h, courseMost-t+1)
		if keep { // close enough for straight lines between moments
			h = min(h, max(t, fast)/50)
		}
	}
	c.Heat = append(c.Heat, y[k:]...)
	return c, nil
}

// fastest is the shortest time constant at the beginning, s.
func (n *node) fastest() float64 {
	fast := math.Inf(1)
	for i := range n.sources {
		s := &n.sources[i]
		slope := s.series * s.curve.slope(within(s.curve.soc, s.soc))
		fast = min(fast, s.ohms*s.capacity/slope)
	}
	return fast
}

// trial makes one step and returns its error, 1 being what is allowed.
func trial(n *node, y, next []float64, rate *[7][]float64, h float64) float64 {
	for j := 1; j < 7; j++ {
		for i := range y {
			sum := 0.0
			for m := range j {
				sum += nodesA[j][m] * rate[m][i]
			}
			next[i] = y[i] + h*sum
		}
		n.rates(next, rate[j])
	}
	worst := 0.0
	for i := range n.sources {
		sum := 0.0
		for j, e := range errorOf {
			sum += e * rate[j][i]
		}
		worst = max(worst, math.Abs(h*sum)/n.allowed)
	}
	return worst
}

// note takes in the present currents and returns the greatest.
func (c *Course) note(n *node, t float64, keep bool) float64 {
	peak := 0.0
	for i, a := range n.amps {
		c.Charging[i] = max(c.Charging[i], a)
		c.Discharging[i] = max(c.Discharging[i], -a)
		peak = max(peak, math.Abs(a))
	}
	if keep {
		c.Moments = append(c.Moments, Moment{Seconds: t, Volts: n.volts, Amps: append([]float64(nil), n.amps...)})
	}
	return peak
}
