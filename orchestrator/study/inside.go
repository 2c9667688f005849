package study

import (
	"fmt"
	"math"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/balance"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// know adds what the plant knows to a record of a step's end or of balancing.
func (h *History) know(b *virtual.Bench, t told) told {
	if t.rec.Kind != machine.RecordEnd && !isImbalance(&t.rec) {
		return t
	}
	m := b.Plant().Module()
	most := 0.0
	for k := range m.Len() {
		t.cells = append(t.cells, inside{m.SoC(k), m.Capacity(k), m.Polarisation(k), m.SelfDischarge(k)})
		most = max(most, m.Excess(k))
	}
	t.apart = most
	return t
}

func isImbalance(r *machine.Record) bool {
	return r.Kind == machine.RecordNote && strings.HasPrefix(r.Text, "imbalance ")
}

// plantTruth are the figures that no reading of taps shows, however exact, from what
// the plant knew; the estimators have no part in them.
func (h *History) plantTruth() map[string]float64 {
	out := map[string]float64{}
	rated := float64(h.plan.Rated) * 1e-9 // A.s
	balanced, longest := false, drivers.Span(0)
	var begun drivers.Instant
	var full *told
	var more []float64
	for i := range h.told {
		t := &h.told[i]
		switch {
		case t.rec.Kind == machine.RecordStep:
			begun = t.at
			continue
		case isImbalance(&t.rec):
			out[qualify.Imbalance] = 100 * t.apart / rated
			continue
		case t.rec.Kind != machine.RecordEnd:
			continue
		}
		switch kind := h.plan.Steps[t.rec.Step].Kind; {
		case kind == "balance":
			balanced, longest = true, 0
		case kind == "discharge" && strings.Contains(t.rec.Text, "end voltage"):
			out[qualify.CapacityLag] = 100 * t.lag() / rated
			if balanced && full != nil {
				more = append(more, full.lack(t.weakest())/3600)
			}
		case kind == "charge":
			full = t
		case kind == "rest":
			// The figures are of the first rest after balancing, else of the longest.
			if long := t.at.Sub(begun); long > longest && (!balanced || longest == 0) {
				longest = long
				out[qualify.RestUnsettled] = 1000 * t.most(func(c inside) float64 { return math.Abs(c.relaxing) })
			}
			out[qualify.SelfDischarge] = 1000 * t.most(func(c inside) float64 { return c.losing })
		}
	}
	// Of the discharges after balancing the last three are the capacity.
	for _, q := range more[max(len(more)-3, 0):] {
		out[moreCapacity] += q / float64(min(len(more), 3))
	}
	return out
}

// moreCapacity is by how much, in Ah, the capacity would be greater if balancing had
// left nothing.
const moreCapacity = "more capacity"

// lack is how much more a cell lacks of being full than the fullest one, A.s.
func (t *told) lack(cell int) float64 {
	lack := func(c inside) float64 { return (1 - c.soc) * c.capacity }
	return lack(t.cells[cell]) + t.most(func(c inside) float64 { return -lack(c) })
}

// weakest is the cell of the least state of charge.
func (t *told) weakest() int {
	at := 0
	for k, c := range t.cells {
		if c.soc < t.cells[at].soc {
			at = k
		}
	}
	return at
}

// lag is what the cells still had to give, in A.s and their median, until they would
// have stood where the weakest stands: at its state of charge.
func (t *told) lag() float64 {
	least := -t.most(func(c inside) float64 { return -c.soc })
	left := make([]float64, len(t.cells))
	for k, c := range t.cells {
		left[k] = (c.soc - least) * c.capacity
	}
	return sample.Median(left)
}

func (t *told) most(of func(inside) float64) float64 {
	most := math.Inf(-1)
	for _, c := range t.cells {
		most = max(most, of(c))
	}
	return most
}

// rebalance is a measuring bench's own planner: what it would have told of a module's
// imbalance by its own readings, when the recorded run asked.
type rebalance struct {
	planner *balance.Planner
	ins     *machine.Bleed
	met     bool
}

// newRebalance returns nil where the plan does not balance.
func (s *Study) newRebalance() *rebalance {
	for i := range s.plan.Code {
		if ins := s.plan.Code[i].Bleed; ins != nil {
			p, err := balance.New(s.plan, s.curve())
			if err != nil {
				return nil // the run itself would have been refused
			}
			return &rebalance{planner: p, ins: ins}
		}
	}
	return nil
}

// retell puts the bench's own answer in the place of the recorded one.
func (r *rebalance) retell(rec machine.Record) machine.Record {
	c := r.planner.Compute(machine.Compute{TargetPPM: r.ins.TargetPPM, Capacity: r.ins.Capacity, Chunk: r.ins.Chunk})
	r.met = c.Met(r.ins)
	rec.Text = fmt.Sprintf("imbalance %d ppm of capacity, uncertainty %d ppm", c.ImbalancePPM, c.UncertaintyPPM)
	return rec
}
