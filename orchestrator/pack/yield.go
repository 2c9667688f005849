package pack

import "math"

// yield is what a pack gives before its first string or module is empty.
type yield struct {
	charge, energy float64 // Ah, Wh
	limiting       int     // the set that is empty first
	uneven         float64 // how far sets lie apart, squared and relative
}

// set is what one string or group does, whatever the others do.
type set struct {
	charge float64 // Ah
	ohms   float64 // mOhm, at its temperature
	leak   float64 // mA
	volts  float64 // V
}

// model computes yields. Currents divide by resistance, as they do where
// open-circuit curves are flat. On a slope the pack gives no less: of strings with
// one falling curve E over depth x, the deepest has the least E, so that its current
// f*I + G*(E - mean of E) is at most f*I, and the greatest depth grows no faster than
// it would on a flat curve.
type model struct {
	layout *Layout
	*numbers
	warm []float64
}

func newModel(l *Layout, n *numbers) *model { return &model{l, n, l.warmth(l.PerKelvin)} }

// set takes a set's modules by their index; at is the set's own number.
func (m *model) set(at int, members []int) set {
	if m.layout.ParallelFirst {
		return m.group(members)
	}
	return m.string(at, members)
}

// string: the charge is the least of its modules', each less what it discharged
// itself more than the least leaking one, since all are full together when that one
// is.
func (m *model) string(at int, members []int) set {
	t := m.layout.Standing / 1000
	s := set{charge: math.Inf(1), leak: math.Inf(1)}
	for _, i := range members {
		s.charge = min(s.charge, m.charge[i]-m.leak[i]*t)
		s.leak = min(s.leak, m.leak[i])
		s.ohms += m.ohms[i]
		s.volts += m.volts[i]
	}
	s.charge = max(s.charge+s.leak*t, 0)
	s.ohms *= m.warm[at]
	return s
}

// group: the first module to be empty ends it; each carries the share of its
// conductance.
func (m *model) group(members []int) set {
	s := set{charge: math.Inf(1)}
	g := 0.0
	for j, i := range members {
		r := m.ohms[i] * m.warm[j]
		g += 1 / r
		s.charge = min(s.charge, m.charge[i]*r)
		s.leak += m.leak[i]
		s.volts += m.volts[i] / r
	}
	s.charge *= g
	s.volts /= g
	s.ohms = 1 / g
	return s
}

// join makes a pack of sets.
func (m *model) join(sets []set) yield {
	if m.layout.ParallelFirst {
		return m.inSeries(sets)
	}
	return inParallel(sets)
}

// inParallel: string s carries the share f_s = G_s/G of the current and is empty
// after Q_s/f_s; the first to be empty ends the discharge.
func inParallel(sets []set) yield {
	y := yield{}
	g, volts, least, sum, squares := 0.0, 0.0, math.Inf(1), 0.0, 0.0
	for i, s := range sets {
		g += 1 / s.ohms
		volts += s.volts / s.ohms
		lasts := s.charge * s.ohms
		sum += lasts
		squares += lasts * lasts
		if lasts < least {
			least, y.limiting = lasts, i
		}
	}
	y.charge = least * g
	y.energy = y.charge * volts / g
	n := float64(len(sets))
	y.uneven = squares*n/(sum*sum) - 1
	return y
}

// inSeries: groups leak apart as modules of a string do.
func (m *model) inSeries(sets []set) yield {
	t := m.layout.Standing / 1000
	y := yield{}
	least, leak, sum, squares := math.Inf(1), math.Inf(1), 0.0, 0.0
	for i, s := range sets {
		q := s.charge - s.leak*t
		leak = min(leak, s.leak)
		y.energy += s.volts
		sum += q
		squares += q * q
		if q < least {
			least, y.limiting = q, i
		}
	}
	y.charge = max(least+leak*t, 0)
	y.energy *= y.charge
	n := float64(len(sets))
	y.uneven = squares*n/(sum*sum) - 1
	return y
}

// of computes the yield of an arrangement from scratch.
func (m *model) of(sets [][]int) yield {
	list := make([]set, len(sets))
	for i, members := range sets {
		list[i] = m.set(i, members)
	}
	return m.join(list)
}

// better says whether y is worth more than o: more energy, or as much and evener.
func (y yield) better(o yield) bool {
	const same = 1e-10
	if d := y.energy - o.energy; math.Abs(d) > same*math.Abs(o.energy) {
		return d > 0
	}
	return y.uneven < o.uneven-same
}
