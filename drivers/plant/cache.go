package plant

import "github.com/rigwarden/rigwarden/drivers"

// factors are what a step size costs exponentials for, shared by all cells.
type factors struct {
	dt         drivers.Span
	sec        float64
	x1, y1     float64 // exp(-dt/tau) and its complement, first pair
	x2, y2     float64
	tau1, tau2 float64 // s
}

// cache keeps the factors of the few step sizes in use; the oldest gives way.
type cache struct {
	kept   [16]factors
	last   int // where the size used last lies
	oldest int
}

// get returns the factors for a step of dt.
func (c *cache) get(dt drivers.Span, s *CellSpec) *factors {
	if c.kept[c.last].dt == dt {
		return &c.kept[c.last]
	}
	for i := range c.kept {
		if c.kept[i].dt == dt {
			c.last = i
			return &c.kept[i]
		}
	}
	i := c.oldest
	c.oldest = (i + 1) % len(c.kept)
	c.last = i
	f := &c.kept[i]
	f.dt, f.sec = dt, float64(dt)/1e6
	f.tau1, f.tau2 = s.Pairs[0].Tau, s.Pairs[1].Tau
	f.x1, f.y1 = pairFactors(f.sec, f.tau1)
	f.x2, f.y2 = pairFactors(f.sec, f.tau2)
	return f
}

// pairFactors of a pair without a time constant are those of a resistor.
func pairFactors(sec, tau float64) (x, y float64) {
	if tau == 0 {
		return 0, 1
	}
	return decay(sec / tau)
}
