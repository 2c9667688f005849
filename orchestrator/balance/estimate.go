package balance

import (
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// estimate is a value and its standard uncertainty, combined by weights.
type estimate struct{ sum, weight, best float64 }

func (e *estimate) add(value, sd float64) {
	w := 1 / (sd * sd)
	e.sum += w * value
	e.weight += w
	if e.best == 0 || sd < e.best {
		e.best = sd
	}
}

func (e *estimate) known() bool { return e.weight > 0 }

// value returns the weighted mean. Its uncertainty is that of the best part:
// the parts share the tap's error, so that averaging gains nothing.
func (e *estimate) value() (value, sd float64) { return e.sum / e.weight, e.best }

// take turns an episode that has ended into anchors.
func (p *Planner) take() {
	e := &p.top
	p.knee.learn(e.cross, e.doubt)
	for i := range p.cells {
		c := &p.cells[i]
		var a estimate
		for l, x := range e.cross[i] {
			if v := p.knee.level(l); !math.IsNaN(x) {
				a.add(x+p.knee.depth(v), p.knee.doubt(v, e.doubt[i][l]))
			}
		}
		if v := e.open[i]; v >= p.knee.first {
			// The end of the charge is a look at every cell at one moment.
			a.add(p.x[i]+p.knee.depth(v), p.knee.doubt(v, p.doubtAt(i, p.amps)))
		}
		switch {
		case a.known():
			anchor, sd := a.value()
			p.rounds.shift(i, anchor-c.anchor, math.Hypot(sd, c.sd))
			c.anchor, c.sd, c.floor = anchor, sd, math.NaN()
		default:
			// It stayed below the knee. Where it should have been above by what
			// was known, that is no longer true.
			if c.floor = p.x[i] + p.knee.depth(p.knee.first); !math.IsNaN(c.anchor) && c.floor > c.anchor+2*c.sd {
				p.rounds.shift(i, c.floor-c.anchor, c.sd)
				c.anchor = math.NaN()
			}
		}
	}
}

// standing is where the cells stand: their charge beyond the top of the ladder,
// Ah, mostly negative.
type standing struct {
	excess, sd []float64 // NaN excess: only bounded
	bound      []float64 // greatest excess of a bounded cell, +Inf: nothing known
	known      int
}

func (p *Planner) stand(now drivers.Instant) standing {
	n := len(p.cells)
	s := standing{excess: make([]float64, n), sd: make([]float64, n), bound: make([]float64, n)}
	settled := p.rest.settled(now)
	for i := range p.cells {
		c := &p.cells[i]
		s.excess[i], s.bound[i] = math.NaN(), math.Inf(1)
		var e estimate
		if !math.IsNaN(c.anchor) {
			e.add(p.x[i]-c.anchor, c.sd)
		}
		if v := p.rest.volts[i]; settled && v >= p.knee.first {
			e.add(-p.knee.depth(v), p.knee.doubt(v, math.Hypot(p.tap, restDoubt)))
		}
		switch {
		case e.known():
			s.excess[i], s.sd[i] = e.value()
			s.known++
		case !math.IsNaN(c.floor):
			s.bound[i] = p.x[i] - c.floor
			s.sd[i] = p.knee.doubt(p.knee.first, p.tap)
		}
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

// unknown is the uncertainty told where only a bound is known, ppm.
const unknown = 1_000_000

// Compute answers how long each cell is to bleed in the next round, and what
// imbalance is left. A cell that did not reach the steep top has only a bound:
// then the imbalance is at least what is told, always over the target, and the
// uncertainty is 1,000,000 ppm. GiveUp names who stands in the way.
func (p *Planner) Compute(c machine.Compute) machine.Computed {
	out := machine.Computed{At: p.last, Epoch: c.Epoch, Spans: make([]drivers.Span, len(p.cells))}
	capacity := p.capacity
	if c.Capacity > 0 {
		capacity = ampereHours(c.Capacity)
	}
	ppm := func(ah float64) int64 { return int64(math.Round(ah / capacity * 1e6)) }
	s := p.stand(p.last)
	if s.known == 0 {
		out.ImbalancePPM, out.UncertaintyPPM = c.TargetPPM+1, unknown
		out.GiveUp = p.rounds.blind(p.top.count)
		return out
	}
	high, low, highest, lowest, bounded := s.span()
	out.ImbalancePPM = ppm(max(0, high-low))
	out.UncertaintyPPM = ppm(2 * math.Hypot(s.sd[highest], s.sd[lowest]))
	if bounded {
		out.ImbalancePPM, out.UncertaintyPPM = max(out.ImbalancePPM, c.TargetPPM+1), unknown
	}
	target := float64(c.TargetPPM) * 1e-6 * capacity
	if out.ImbalancePPM > c.TargetPPM {
		out.GiveUp = p.rounds.judge(p, high-low, target, highest, lowest, bounded)
	}
	sure := out.ImbalancePPM+out.UncertaintyPPM <= c.TargetPPM
	for i, e := range s.excess {
		// Bleed what is certain, so that no cell becomes the new lowest.
		if over := e - low - math.Hypot(s.sd[i], s.sd[lowest]); over > 0 && !sure && p.bleedOhm > 0 {
			out.Left += drivers.Charge(over * float64(drivers.AmpereHour))
			out.Spans[i] = drivers.Span(over * p.bleedOhm / p.volts[i] * float64(drivers.Hour))
		}
	}
	fit(out.Spans, c.Chunk, p.monitor.BleedNeighbours)
	return out
}

// fit shortens spans so that a round takes no longer than the chunk. Where
// neighbours take turns, each pair of them must fit in together. All are
// shortened alike: the pair that needs longest decides when balancing is over,
// and the others then finish with it, none the later.
func fit(spans []drivers.Span, chunk drivers.Span, neighbours bool) {
	longest := drivers.Span(0)
	for i, s := range spans {
		if !neighbours && i > 0 {
			s += spans[i-1]
		}
		longest = max(longest, s)
	}
	if chunk <= 0 || longest <= chunk {
		return
	}
	for i := range spans {
		spans[i] = drivers.Span(float64(spans[i]) * float64(chunk) / float64(longest))
	}
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}
