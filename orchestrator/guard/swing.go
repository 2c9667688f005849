package guard

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// swing remembers the least and the greatest current of the last ten to twenty
// seconds: for that long a cell relaxes fast after a change of current.
type swing struct {
	since    drivers.Instant
	now, old extremes
}

type extremes struct{ lo, hi int64 } // uA

const swingSpan = 10 * drivers.Second

func (s *swing) reset() { *s = swing{since: never} }

func (s *swing) take(current int64, at drivers.Instant) {
	switch {
	case s.since == never || at.Sub(s.since) >= 2*swingSpan:
		s.now = extremes{current, current}
		s.old, s.since = s.now, at
	case at.Sub(s.since) >= swingSpan:
		s.old, s.since = s.now, at
		s.now = extremes{current, current}
	}
	s.now.lo, s.now.hi = min(s.now.lo, current), max(s.now.hi, current)
}

// both is how far the current swung, and the greatest that flowed.
func (s *swing) both() (swung, flowed int64) {
	if s.since == never {
		return 0, math.MaxInt32 // nothing is known: no lone cell can be told
	}
	lo, hi := min(s.now.lo, s.old.lo), max(s.now.hi, s.old.hi)
	return hi - lo, max(hi, -lo)
}

// loneLimit is by how much a healthy cell may leave its siblings within the
// span, in counts. Resistances differ by half a cell's at most, so that a swing
// of the current parts a cell from its siblings by half its share; near the ends
// of its curve a cell runs away in proportion to the current; and two readings
// of one cell differ by twice the declared error. After bleeding a cell relaxes
// by what the bleed current dropped.
func (g *Guard) loneLimit(x *Context) int64 {
	swung, flowed := g.swing.both()
	limit := g.lim.lone + (swung*int64(g.base.LoneStep)+flowed*int64(g.base.LoneFlow))/1_000_000
	if x.Bled {
		limit += int64(g.base.BleedMove)
	}
	return max(steps(g.ch.cellScale, limit), 1)
}
