package plant

// thermal is the heat path of a stack of cells: each node gives to ambient and
// to its neighbours. A step of warmEvery is implicit (the trapezoidal rule,
// second order and never unstable), its matrix factored once, since heat
// capacities and conductances do not change.
type thermal struct {
	off     bool
	near    float64   // half the conductance to a neighbour, W/K
	air     []float64 // conductance to ambient, W/K
	keep    []float64 // of the old temperature: C/dt less half of all conductances
	over    []float64 // elimination: super-diagonal
	pivot   []float64 // elimination: reciprocal of the pivot
	scratch []float64
}

// newThermal factors the matrix for n cells; ends is the additional
// conductance of both end cells to ambient.
func newThermal(s *CellSpec, n int, ends float64) thermal {
	t := thermal{off: s.HeatCapacity == 0}
	if t.off {
		return t
	}
	sec := float64(warmEvery) / 1e6
	store := s.HeatCapacity / sec
	t.near = float64(0.5 * s.ToNeighbour)
	t.air, t.keep = make([]float64, n), make([]float64, n)
	t.over, t.pivot, t.scratch = make([]float64, n), make([]float64, n), make([]float64, n)
	for k := range n {
		t.air[k] = s.ToAmbient
		half := 0.0
		if k == 0 || k == n-1 {
			t.air[k] += ends
		}
		if k > 0 {
			half += t.near
		}
		if k < n-1 {
			half += t.near
		}
		half += float64(0.5 * t.air[k])
		t.keep[k] = store - half
		diagonal := store + half
		if k > 0 {
			diagonal += float64(t.near * t.over[k-1])
		}
		t.pivot[k] = 1 / diagonal
		t.over[k] = float64(-t.near * t.pivot[k])
	}
	return t
}

// step spends the heat that gathered in the cells over one warmEvery.
func (t *thermal) step(cells []cell, ambient float64) {
	if t.off {
		for k := range cells {
			cells[k].heat = 0
		}
		return
	}
	const perSec = 1e6 / float64(warmEvery)
	n := len(cells)
	last := 0.0
	for k := range cells {
		c := &cells[k]
		rhs := float64(t.keep[k]*c.kelvin) + float64(t.air[k]*ambient) + float64(c.heat*perSec) + c.warmth
		if k > 0 {
			rhs += float64(t.near * cells[k-1].kelvin)
		}
		if k < n-1 {
			rhs += float64(t.near * cells[k+1].kelvin)
		}
		last = float64((rhs + float64(t.near*last)) * t.pivot[k])
		t.scratch[k] = last
		c.heat = 0
	}
	next := 0.0
	for k := n - 1; k >= 0; k-- {
		next = t.scratch[k] - float64(t.over[k]*next)
		t.scratch[k] = next
	}
	for k := range cells {
		cells[k].kelvin = t.scratch[k]
	}
}

// clone shares the factors, which never change, and not the scratch.
func (t thermal) clone() thermal {
	t.scratch = append([]float64(nil), t.scratch...)
	return t
}
