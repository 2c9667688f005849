package qualify

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// clockPPM bounds the error of the clock that stamps frames: a quartz crystal
// (common practice, no source).
const clockPPM = 50

// instruments are the sources of uncertainty of one bench. Gain and offset are
// rectangular within the declared accuracy and the same for every sample of
// one instrument in one run: they do not average out, and what two figures
// share cancels or adds as it must.
type instruments struct {
	shuntGain, shuntOffset *gum.Input
	meterGain, meterOffset *gum.Input
	clock                  *gum.Input
	edges                  map[flow]*gum.Input
	scan                   *scanner
	hiss                   *hiss
	errors                 drivers.CellErrors
	coefficient            Coefficient
	perKelvin              *gum.Input
	refGain, refOffset     *gum.Input // 1: what taps have in common, scaled to each
}

func newInstruments(plan *machine.Plan, s *scanner, h *hiss, c Coefficient) *instruments {
	ig, io := s.accuracy(s.current)
	vg, vo := s.accuracy(s.voltage)
	return &instruments{
		shuntGain: gum.Own("shunt gain", ig), shuntOffset: gum.Own("shunt offset", io),
		meterGain: gum.Own("meter gain", vg), meterOffset: gum.Own("meter offset", vo),
		clock: gum.Own("clock", clockPPM*1e-6),
		edges: map[flow]*gum.Input{},
		scan:  s, hiss: h,
		coefficient: c, perKelvin: gum.Own("temperature coefficient", c.Within),
		errors:  plan.Bench.Monitor.CellErrors,
		refGain: gum.Own("taps' common gain", 1), refOffset: gum.Own("taps' common offset", 1),
	}
}

// charge is a flow's charge in Ah. Into is +1 for charge going in, -1 for
// charge coming out, which an offset of the shunt makes smaller.
func (b *instruments) charge(f flow, into float64) gum.Value {
	v := gum.Exact(f.q/3600).With(b.shuntGain, f.q/3600).
		With(b.shuntOffset, into*f.t/3600).With(b.clock, f.q/3600)
	return v.With(b.edge(f), 1.0/3600)
}

// edge is what the current's steps leave open of a flow's charge, A.s: the same for
// its charge and its energy, so that it cancels in its mean voltage but for the
// voltage that the steps had.
func (b *instruments) edge(f flow) *gum.Input {
	in := b.edges[f]
	if in == nil {
		in = gum.Normal("step edges", math.Sqrt(f.jumps.q/3), 0)
		b.edges[f] = in
	}
	return in
}

// energy is a flow's energy in Wh.
func (b *instruments) energy(f flow, into float64) gum.Value {
	v := gum.Exact(f.e/3600).
		With(b.shuntGain, f.e/3600).With(b.shuntOffset, into*f.vt/3600).
		With(b.meterGain, f.e/3600).With(b.meterOffset, f.q/3600).
		With(b.clock, f.e/3600)
	if j := f.jumps; j.q > 0 {
		mean := j.qv / j.q
		v = v.With(b.edge(f), mean/3600).
			With(gum.Normal("voltage at the edges", math.Sqrt((max(j.qvv/j.q-mean*mean, 0)*j.q+j.bow)/3), 0), 1.0/3600)
	}
	return v
}

// tapStep is what a tap's step, V, leaves open of a mean of readings: nothing where
// their noise reaches half of it.
func (b *instruments) tapStep(cell int) float64 {
	if h := b.hiss; h != nil && h.triples >= noisyPairs && deviation(h.squares[cell], h.triples) >= 0.5 {
		return 0
	}
	return b.scan.mul[cell] / 2
}

// tapCharge is how much charge, in A.s, the tap that ended the run may have
// been wrong by.
func (b *instruments) tapCharge(r *run) float64 {
	dq := r.slope.chargePerVolt(b.scan)
	if dq == 0 {
		return 0
	}
	gain, offset := b.scan.accuracy(r.slope.cellEnd)
	return dq * (gain*r.slope.vEnd + offset)
}

// tapper gives one cell's voltage with the error of its tap.
type tapper func(cell int, v float64) gum.Value

// tap is one cell's voltage with its own gain and offset.
func (b *instruments) tap(cell int, v float64) gum.Value {
	gain, offset := b.scan.accuracy(cell)
	return gum.Exact(v).With(gum.Rectangular("tap gain", gain), v).
		With(gum.Rectangular("tap offset", offset), 1).
		With(gum.Rectangular("tap step", b.scan.mul[cell]/2), 1)
}

// common is the same where all taps of the monitor err together.
func (b *instruments) common(cell int, v float64) gum.Value {
	gain, offset := b.scan.accuracy(cell)
	return gum.Exact(v).With(b.refGain, gain*v).With(b.refOffset, offset).
		With(gum.Rectangular("tap step", b.scan.mul[cell]/2), 1)
}

// over computes a value over several cells of the monitor. Their errors are
// independent or common as the bench declares; where it declares neither, the
// greater uncertainty stands: any mixture lies between the two.
func (b *instruments) over(f func(tapper) gum.Value) gum.Value {
	own, shared := f(b.tap), f(b.common)
	switch b.errors {
	case drivers.ErrorsOwn:
		return own
	case drivers.ErrorsShared:
		return shared
	}
	if shared.U() > own.U() {
		return shared
	}
	return own
}

// cellGain is the gain error of one cell's tap, independent of its siblings'.
func (b *instruments) cellGain(cell int) *gum.Input {
	gain, _ := b.scan.accuracy(cell)
	return gum.Rectangular("tap gain", gain)
}

// figure turns a value into a figure. Whole modules tell their budget.
func figure(name, unit string, v gum.Value) Figure {
	spread := v.Spread()
	u, k := spread.Interval()
	if math.IsNaN(v.X()) || math.IsInf(v.X(), 0) || math.IsNaN(u) || math.IsInf(u, 0) {
		return unproven(name, unit, "the readings give no number")
	}
	f := Figure{Name: name, Unit: unit, Value: v.X(), U: u, K: k, Coverage: gum.Level, Spread: spread, Status: OK}
	for _, p := range v.Budget() {
		if n := len(f.Budget); n > 0 && f.Budget[n-1].Source == p.Name {
			continue // one of a kind tells enough
		}
		part := Part{Source: p.Name, U: p.U, Shared: p.Shared}
		if p.Shared {
			part.U = math.Copysign(p.U, p.C)
		}
		f.Budget = append(f.Budget, part)
	}
	return f
}

// unproven is a figure without a value.
func unproven(name, unit, reason string) Figure {
	return Figure{Name: name, Unit: unit, K: gum.Factor, NoValue: true, Status: Unproven, Reason: reason}
}

// because marks the figure unproven where there is a reason, and keeps its
// value for people to see.
func (f Figure) because(reason string) Figure {
	switch {
	case reason == "":
	case f.Reason == "":
		f.Status, f.Reason = Unproven, reason
	default:
		f.Reason += "; " + reason
	}
	return f
}

func (f Figure) with(detail string) Figure {
	f.Detail = detail
	return f
}

// bled counts the charge that each cell lost through its bleed path, in A.s.
type bled struct {
	ohms   float64
	words  int
	first  int
	charge []float64
	total  float64 // A.s over all cells
}

func (b *bled) init(plan *machine.Plan, s *scanner) {
	b.charge = make([]float64, s.cells)
	b.ohms = float64(plan.Bench.Monitor.Bleed) * 1e-6
	if s.width == 0 || b.ohms <= 0 {
		return
	}
	if b.first = s.layout.Bleed(0); b.first < 0 {
		return
	}
	for s.layout.Bleed(b.words) >= 0 {
		b.words++
	}
}

// interval counts the time after the given frame, in which its cells bled on.
func (b *bled) interval(s *scanner, counts []int32, long drivers.Span) {
	for k := range b.words {
		w := counts[b.first+k]
		if w == 0 || w == drivers.NoReading {
			continue
		}
		for j := range 16 {
			if c := 16*k + j; w&(1<<j) != 0 && c < s.cells && counts[c] != drivers.NoReading {
				q := s.value(c, counts[c]) / b.ohms * seconds(long)
				b.charge[c] += q
				b.total += q
			}
		}
	}
}
