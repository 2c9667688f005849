package balance

import (
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// estimate is a value and its standard uncertainty, combined by weights: the
// cell's own part, and the part that all cells have in common with its sign.
type estimate struct{ sum, weight, own, common, best float64 }

func (e *estimate) add(value, own, common float64) {
	w := 1 / (own*own + common*common)
	e.sum += w * value
	e.weight += w
	if w > e.best {
		e.best, e.own, e.common = w, own, common
	}
}

func (e *estimate) known() bool { return e.weight > 0 }

// value returns the weighted mean. Its uncertainty is that of the best part:
// the parts share the tap's error, so that averaging gains nothing.
func (e *estimate) value() (value, own, common float64) { return e.sum / e.weight, e.own, e.common }

// take turns an episode that has ended into anchors.
func (p *Planner) take() {
	e := &p.top
	p.knee.learn(e)
	for i := range p.cells {
		c := &p.cells[i]
		var a estimate
		for l, x := range e.cross[i] {
			if v := p.knee.level(l); !math.IsNaN(x) {
				own, common := p.knee.doubt(v, e.own[i][l], e.common[i][l])
				a.add(x+p.knee.depth(v), own, common)
			}
		}
		if v := e.open[i]; v >= p.knee.first {
			// The end of the charge is a look at every cell at one moment.
			own, common := p.doubtAt(i, p.amps)
			own, common = p.knee.doubt(v, own, common)
			a.add(p.x[i]+p.knee.depth(v), own, common)
		}
		switch {
		case a.known():
			anchor, own, common := a.value()
			sd := math.Hypot(own, common)
			p.rounds.shift(i, anchor-c.anchor, math.Hypot(sd, c.sd()))
			c.anchor, c.own, c.common, c.floor = anchor, own, common, math.NaN()
		default:
			// It stayed below the knee. Where it should have been above by what
			// was known, that is no longer true.
			if c.floor = p.x[i] + p.knee.depth(p.knee.first); !math.IsNaN(c.anchor) && c.floor > c.anchor+2*c.sd() {
				p.rounds.shift(i, c.floor-c.anchor, c.sd())
				c.anchor = math.NaN()
			}
		}
	}
}

// standing is where the cells stand: their charge beyond the top of the ladder,
// Ah, mostly negative.
type standing struct {
	excess      []float64 // NaN: only bounded
	own, common []float64
	bound       []float64 // greatest excess of a bounded cell, +Inf: nothing known
	known       int
}

func (p *Planner) stand(now drivers.Instant) standing {
	n := len(p.cells)
	s := standing{excess: make([]float64, n), own: make([]float64, n), common: make([]float64, n), bound: make([]float64, n)}
	settled := p.rest.settled(now)
	for i := range p.cells {
		c := &p.cells[i]
		s.excess[i], s.bound[i] = math.NaN(), math.Inf(1)
		var e estimate
		if !math.IsNaN(c.anchor) {
			e.add(p.x[i]-c.anchor, c.own, c.common)
		}
		v := p.rest.charged(p, i)
		own, common := p.rest.doubt(p, i)
		if settled && v >= p.knee.first {
			own, common := p.knee.doubt(v, own, common)
			e.add(-p.knee.depth(v), own, common)
		}
		switch {
		case e.known():
			s.excess[i], s.own[i], s.common[i] = e.value()
			s.known++
			continue
		case !math.IsNaN(c.floor):
			s.bound[i] = p.x[i] - c.floor
		}
		// A cell that rests so far below the knee is not on it.
		if settled && v < p.knee.first-2*math.Hypot(own, math.Hypot(common, curveDoubt)) {
			s.bound[i] = min(s.bound[i], -p.knee.depth(p.knee.first))
		}
		s.own[i], s.common[i] = p.knee.doubt(p.knee.first, p.tap, 0)
	}
	return s
}

// span returns greatest and least; bounded cells count with their bounds.
func (s *standing) span() (high, low float64, highest, lowest int, bounded bool) {
	high, low = math.Inf(-1), math.Inf(1)
	for i, e := range s.excess {
		if !math.IsNaN(e) && e > high {
			high, highest = e, i
		}
		if math.IsNaN(e) {
			bounded = true
			e = s.bound[i]
		}
		if e < low {
			low, lowest = e, i
		}
	}
	return high, low, highest, lowest, bounded
}

// shapeDoubt is how far off the curve's shape may be between two cells, as a part
// of what they differ by: its slopes are known from a few points, or from voltages
// under a falling current.
const shapeDoubt = 0.01

// apart is the standard uncertainty of what two cells differ by, Ah.
func (s *standing) apart(i, j int) float64 {
	d := math.Hypot(math.Hypot(s.own[i], s.own[j]), s.common[i]-s.common[j])
	if e := s.excess[i] - s.excess[j]; !math.IsNaN(e) {
		d = math.Hypot(d, shapeDoubt*e)
	}
	return d
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}
