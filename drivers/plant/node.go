package plant

import "github.com/rigwarden/rigwarden/drivers"

// node is the link during one step: a capacitor fed by the module through the
// path's conductance and by the instruments' net current, loaded by resistors.
// With a module voltage and a net current that move in straight lines the
// result is exact.
type node struct {
	path  float64 // S between module and link; 0: open
	other float64 // S from the link to ground: bleed and short
	c     float64 // F
	dt    drivers.Span
	sec   float64
	x, y  float64 // exp(-sec/tau) and its complement
	tau   float64 // s; 0 where nothing conducts
}

func newNode(path, other, c float64, dt drivers.Span) node {
	sec := float64(dt) / 1e6
	n := node{path: path, other: other, c: c, dt: dt, sec: sec}
	if g := path + other; g > 0 {
		n.tau = c / g
		if z := sec / n.tau; z < 40 {
			n.x, n.y = decay(z)
		} else {
			n.y = 1 // 4e-18 is nothing
		}
	}
	return n
}

// end returns the link's voltage at the end of the step, from v at its start,
// while the module's voltage moves from e0 to e1 and the net current of the
// instruments from j0 to j1.
func (n *node) end(v, e0, e1, j0, j1 float64) float64 {
	if n.tau == 0 {
		return v + float64(0.5*float64((j0+j1)*n.sec))/n.c
	}
	g := n.path + n.other
	a0 := (float64(n.path*e0) + j0) / g
	a1 := (float64(n.path*e1) + j1) / g
	lag := float64((a1 - a0) * (n.tau / n.sec))
	return a1 - lag + float64((v-a0+lag)*n.x)
}

// flow returns the mean and the mean square of the module's current over the
// step, for a constant module voltage e.
func (n *node) flow(v, e, j0, j1 float64) (mean, square float64) {
	if n.path == 0 {
		return 0, 0
	}
	g := n.path + n.other
	z := n.tau / n.sec
	a0 := (float64(n.path*e) + j0) / g
	a1 := (float64(n.path*e) + j1) / g
	lag := float64((a1 - a0) * z)
	w := v - a0 + lag
	// Current = b + s*t/sec + d*exp(-t/tau).
	b := float64(n.path * (a0 - lag - e))
	s := float64(n.path * (a1 - a0))
	d := float64(n.path * w)
	zy := float64(z * n.y) // mean of the exponential
	mean = b + float64(0.5*s) + float64(d*zy)
	square = float64(b*b) + float64(b*s) + float64(s*s)/3 +
		float64(float64(d*d)*float64(0.5*float64(zy*(1+n.x)))) +
		float64(2*float64(d*(float64(b*zy)+float64(s*float64(z*(zy-n.x))))))
	return mean, square
}
