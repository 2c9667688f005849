package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// jointGrowth is how much the siblings' resistance must grow between the first
// and the last time of a pulse before growth can tell a joint from a cell.
const jointGrowth = 1.1

// shortest is the earliest good result of a discharge and latest the latest of
// the same pulse, each nil for none; else of a charge.
func (p *pulses) shortest() (first, last *resist) {
	for d := range p.results {
		for k := range p.results[d] {
			if r := &p.results[d][k]; r.seen && r.reason == "" {
				if first == nil {
					first = r
				}
				if r.index == first.index && r.pass == first.pass {
					last = r
				}
			}
		}
		if first != nil {
			return first, last
		}
	}
	return nil, nil
}

// joints infers what each cell's tap-to-tap resistance has over its siblings'
// median just after the edge, where a joint shows whole and the cell's slow part
// not yet. What siblings differ by themselves cannot be told from a joint: their
// scatter is told beside it. It is no part of the uncertainty, which is that of the
// excess as it is defined.
func (p *pulses) joints(b *instruments) (worst Figure, cells []Figure) {
	first, last := p.shortest()
	x, ok := first.values()
	if !ok || len(x) < siblingsMin {
		return unproven(JointExcess, "mOhm", fmt.Sprintf("needs the resistance of each of %d cells or more", siblingsMin)), nil
	}
	median, mad := sample.MAD(x)
	// The scatter of one, and that of the median, which is pi/2n of its square.
	n := float64(len(x))
	apart := math.Sqrt(1 + math.Pi/2/n)
	scatter := mad * 1.482602219 * apart
	at := 0
	for c := range x {
		v := gum.Exact(x[c]-median).
			With(b.cellGain(c), x[c]).With(b.shuntGain, -(x[c]-median)).
			With(gum.Normal("noise", apart*first.twice()*max(first.noise[c], p.scan.mul[c]/math.Sqrt(12))*1000/math.Abs(first.di), first.dof), 1)
		f := figure(JointExcess, "mOhm", v).because(first.conditions(b.coefficient)).
			with(fmt.Sprintf("its siblings scatter by %.2g mOhm; %s", scatter, first.split(last, x, median, c)))
		f.Budget, f.Cell = nil, c+1
		cells = append(cells, f)
		if x[c] > x[at] {
			at = c
		}
	}
	worst = cells[at]
	worst.Cell = 0
	worst.Detail = fmt.Sprintf("cell %d over its siblings' %.4g mOhm; %s", at+1, median, worst.Detail)
	return worst, cells
}

// values are the cells' resistances in mOhm; false where one is missing.
func (r *resist) values() ([]float64, bool) {
	if r == nil {
		return nil, false
	}
	x := make([]float64, len(r.cells))
	for c, dv := range r.cells {
		if math.IsNaN(dv) {
			return nil, false
		}
		x[c] = dv / r.di * 1000
	}
	return x, true
}

// split tells how much of a cell's excess stays as it is from the first to the
// last time of the pulse, as a joint's does, and how much grows with the
// siblings' resistance, as a smaller or missing pouch's does. A model: what the
// siblings do, the cell does by the same factor, and a joint is a constant.
func (r *resist) split(last *resist, x []float64, median float64, c int) string {
	y, ok := last.values()
	later := sample.Median(y)
	if !ok || later < jointGrowth*median {
		return "the pulse is too short to tell a joint from a cell"
	}
	factor := (y[c] - x[c]) / (later - median)
	constant := x[c] - factor*median
	return fmt.Sprintf("of it %.3g mOhm constant like a joint, the rest grows like a cell of %.3g times the siblings'", constant, factor)
}
