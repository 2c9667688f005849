package balance

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

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
	target := float64(c.TargetPPM) * 1e-6 * capacity
	p.voltages(&out, target)
	if s.known == 0 {
		out.ImbalancePPM, out.UncertaintyPPM = c.TargetPPM+1, unknown
		out.GiveUp = p.rounds.blind(p.top.count)
		return out
	}
	high, low, highest, lowest, bounded := s.span()
	out.ImbalancePPM = ppm(max(0, high-low))
	out.UncertaintyPPM = ppm(2 * s.apart(highest, lowest))
	if bounded {
		out.ImbalancePPM, out.UncertaintyPPM = max(out.ImbalancePPM, c.TargetPPM+1), unknown
	}
	out.Excess, out.Doubts = s.cells(low, lowest)
	if out.Met(&machine.Bleed{TargetPPM: c.TargetPPM}) {
		return out
	}
	out.GiveUp = p.rounds.judge(p, high-low, target, highest, lowest, bounded)
	p.share(&out, &s, low, lowest, highest, target)
	out.Need = p.need(out.Spans, c.Chunk)
	fit(out.Spans, c.Chunk, p.monitor.BleedNeighbours)
	return out
}

// spare is the part of the target by which cells are bled under it, so that the
// next look finds it reached.
const spare = 0.02

// share says what each cell is to bleed: what it certainly holds over the lowest
// one, the target spared. Bleeding everything down to the lowest cell would cost
// time and energy for nothing; what will still be uncertain in the end is kept
// back from the target.
func (p *Planner) share(out *machine.Computed, s *standing, low float64, lowest, highest int, target float64) {
	if p.bleedOhm <= 0 {
		return
	}
	end := p.end(s, highest, target)
	if !p.shed(out, s, low+target-min(end, target/2)-spare*target, lowest, end) {
		// Nothing is certain, and yet it is not balanced: by what is uncertain now.
		now := 2 * s.apart(highest, lowest)
		p.shed(out, s, low+target-min(now, target/2)-spare*target, lowest, math.Inf(1))
	}
}

// shed has every cell bleed what it holds over the ceiling, less half of what is
// more uncertain now than it will be in the end, and says whether any does.
func (p *Planner) shed(out *machine.Computed, s *standing, ceiling float64, lowest int, end float64) bool {
	out.Left, out.CellsLeft = 0, make([]drivers.Charge, len(s.excess))
	for i, e := range s.excess {
		over := e - ceiling - max(0, s.apart(i, lowest)-end)/2
		if !(over > 0) {
			continue
		}
		q := drivers.Charge(over * float64(drivers.AmpereHour))
		out.Left += q
		out.CellsLeft[i] = q
		out.Spans[i] = drivers.Span(over * p.bleedOhm / p.midway(i, over) * float64(drivers.Hour))
	}
	return out.Left > 0
}

// midway is a cell's voltage, V, once half of a charge (Ah) has left it: near the
// top it falls fast, and a resistor then takes less.
func (p *Planner) midway(i int, over float64) float64 {
	v := p.volts[i]
	if v <= p.knee.first {
		return v
	}
	return max(p.knee.at(p.knee.depth(v)+over/2), p.knee.first)
}

// end is what the imbalance will be uncertain by (95 %), Ah, when the highest
// cell stands as it does now and the lowest is behind by the target.
func (p *Planner) end(s *standing, highest int, target float64) float64 {
	v := p.knee.at(p.knee.depth(p.rest.charged(p, highest)))
	low := p.knee.at(p.knee.depth(v) + target)
	flatter := p.knee.slope(v) / p.knee.slope(low)
	own, common := s.own[highest], s.common[highest]
	return 2 * math.Hypot(math.Hypot(math.Hypot(own, own*flatter), common*(flatter-1)), shapeDoubt*target)
}

// cells is each cell's excess over the lowest one, and its 95 % half width.
func (s *standing) cells(low float64, lowest int) (excess, doubts []drivers.Charge) {
	excess, doubts = make([]drivers.Charge, len(s.excess)), make([]drivers.Charge, len(s.excess))
	for i, e := range s.excess {
		if doubts[i] = drivers.Charge(2 * s.apart(i, lowest) * float64(drivers.AmpereHour)); i == lowest {
			doubts[i] = 0
		}
		if math.IsNaN(e) {
			e, doubts[i] = s.bound[i], -1
		}
		if math.IsInf(e, 1) {
			e = low // nothing is known of it at all
		}
		excess[i] = drivers.Charge((e - low) * float64(drivers.AmpereHour))
	}
	return excess, doubts
}

// voltages tells how far apart the cells rest, and whether that means anything:
// only where what the target is worth there exceeds three times a tap's doubt.
func (p *Planner) voltages(out *machine.Computed, target float64) {
	if !p.rest.settled(p.last) {
		return
	}
	high, low := math.Inf(-1), math.Inf(1)
	for _, v := range p.rest.volts {
		high, low = max(high, v), min(low, v)
	}
	out.Spread = drivers.Microvolts(math.Round((high - low) * 1e6))
	out.Telling = low >= p.knee.first && p.knee.slope(low)*target > 3*p.tap
}

// need is how long all that is left takes: bleeding, and a measuring pause for
// each round of at most a chunk, as long as the one that ends now: from the last
// cell that bled, or the top-up's beginning, to the answer.
func (p *Planner) need(spans []drivers.Span, chunk drivers.Span) drivers.Span {
	t := length(spans, p.monitor.BleedNeighbours)
	if t == 0 || chunk <= 0 {
		return t
	}
	return t + p.last.Sub(max(p.stopped, p.top.begun))*((t+chunk-1)/chunk)
}

// length is how long a round takes at least: where neighbours take turns, each
// pair of them must fit in one after the other.
func length(spans []drivers.Span, neighbours bool) drivers.Span {
	longest := drivers.Span(0)
	for i, s := range spans {
		if !neighbours && i > 0 {
			s += spans[i-1]
		}
		longest = max(longest, s)
	}
	return longest
}

// fit shortens spans so that a round takes no longer than the chunk. All are
// shortened alike: the pair that needs longest decides when balancing is over,
// and the others then finish with it, none the later.
func fit(spans []drivers.Span, chunk drivers.Span, neighbours bool) {
	longest := length(spans, neighbours)
	if chunk <= 0 || longest <= chunk {
		return
	}
	for i := range spans {
		spans[i] = drivers.Span(float64(spans[i]) * float64(chunk) / float64(longest))
	}
}
