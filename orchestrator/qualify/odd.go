package qualify

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

const (
	// oddAlpha is the probability with which a run accuses a cell of a good module
	// at all, by any of its comparisons together, if good cells differ normally. It
	// is shared out evenly among the comparisons (Bonferroni), which holds however
	// they depend on each other; what remains for each is the level of its
	// generalised ESD test, which has the count of cells in it.
	oddAlpha = 0.01
	// siblingsMin is the fewest cells among which one can be called odd.
	siblingsMin = 5
	// restsMax is how many rests are compared.
	restsMax = 6
	// bentMax is the greatest scatter of resting voltages, V, that is compared: with
	// more the cells stand at a bent end of the curve, where voltages of cells that
	// differ normally do not, and what they differ by is told in charge (ours).
	bentMax = 10e-3
	// noisyRatio is how much noisier than its siblings a tap must be, whatever their
	// scatter, to be called odd: a loose wire is noisier by far (common practice, no
	// source). noisyPairs is the fewest pairs of readings for that.
	noisyRatio, noisyPairs = 1.5, 200
)

// comparison is one quantity of all cells, by which they are held against each
// other.
type comparison struct {
	figure, what, unit string
	x                  []float64
	noise              []float64 // a distance from the median that is nothing
	reason             string    // why it proves nothing
	bound              []float64 // half widths of the declared accuracies, nil where they say nothing
	high, low          string    // what a high and a low value hint at; no hint: not looked at on that side
}

// odd finds the cells that do not belong to their siblings.
func (a *Analyser) odd(b *instruments) ([]Odd, Figure) {
	all := slices.Concat(a.pulses.compared(b), a.comparedRests(b), a.comparedDrifts())
	if len(all) == 0 {
		return nil, unproven(OddCells, "1", "neither a resistance nor a resting voltage could be compared")
	}
	all = append(all, a.hiss.compared()...) // a quiet tap alone proves nothing
	var found []Odd
	var looked, doubts []string
	for i := range all {
		c := &all[i]
		switch {
		case len(c.x) < siblingsMin:
			c.reason = fmt.Sprintf("%d cells are too few to compare", len(c.x))
		case slices.ContainsFunc(c.x, math.IsNaN):
			c.reason = "a cell's " + c.what + " is missing"
		}
		if c.reason != "" && !slices.Contains(doubts, c.reason) {
			doubts = append(doubts, c.reason)
		}
		if !slices.Contains(looked, c.what) {
			looked = append(looked, c.what)
		}
		found = append(found, c.outliers(oddAlpha/float64(len(all)))...)
	}
	f := Figure{Name: OddCells, Unit: "1", K: gum.Factor, Status: OK, Detail: fmt.Sprintf("by %s, %d comparisons", inWords(looked), len(all))}
	f = f.because(strings.Join(doubts, "; "))
	cells := map[int]bool{}
	var names []string
	for _, o := range found {
		if name := fmt.Sprintf("cell %d (%s)", o.Cell, o.Figure); !slices.Contains(names, name) {
			names = append(names, name)
		}
		cells[o.Cell] = true
	}
	f.Value = float64(len(cells))
	if len(names) > 0 {
		f.Detail += ": " + strings.Join(names, ", ")
	}
	return found, f
}

func inWords(list []string) string {
	if n := len(list); n > 1 {
		return strings.Join(list[:n-1], ", ") + " and " + list[n-1]
	}
	return strings.Join(list, "")
}

// outliers returns the values that the generalised ESD test calls odd at a level.
func (c *comparison) outliers(alpha float64) []Odd {
	if len(c.x) < siblingsMin || slices.ContainsFunc(c.x, math.IsNaN) {
		return nil
	}
	z, median := sample.RobustZ(c.x), sample.Median(c.x)
	steps, n := sample.GESD(c.x, max(1, len(c.x)/4), alpha)
	var out []Odd
	suspects := c.unbelievable()
	for _, s := range steps[:n] {
		if !slices.Contains(suspects, s.Index) {
			suspects = append(suspects, s.Index)
		}
	}
	for _, k := range suspects {
		hint := c.high
		if c.x[k] < median {
			hint = c.low
		}
		if math.Abs(c.x[k]-median) <= c.noise[k] || hint == "" {
			continue
		}
		out = append(out, Odd{Figure: c.figure, Cell: k + 1, Value: c.x[k], Median: median, Unit: c.unit, Z: z[k], Hint: hint})
	}
	slices.SortFunc(out, func(a, b Odd) int { return a.Cell - b.Cell })
	return out
}

// A tap that reads further from its siblings than its accuracy allows is out of it, or
// its cell is odd: where siblings scatter by no more than errors alone do, so that the
// curve is flat and they stand at one voltage. flatMax is their greatest deviation for
// that, as a share of what even errors have; flatApart how much, as a share of the
// accuracy, cells may differ there all the same; flatMean how many deviations the mean
// of the siblings may be wrong by (all ours).
const flatMax, flatApart, flatMean = 1.15, 0.25, 3.0

// unbelievable are the values beyond their accuracies.
func (c *comparison) unbelievable() (out []int) {
	if c.bound == nil {
		return nil
	}
	n := len(c.x)
	others := make([]float64, 0, n)
	for k, x := range c.x {
		others = append(append(others[:0], c.x[:k]...), c.x[k+1:]...)
		mean, sd := sample.MeanSD(others)
		a := c.bound[k]
		if sd <= flatMax*a/math.Sqrt(3) && math.Abs(x-mean) > (1+flatApart)*a+flatMean*sd/math.Sqrt(float64(n-1)) {
			out = append(out, k)
		}
	}
	return out
}

// compared holds the cells' resistances against each other, at the longest time
// of a discharge.
func (p *pulses) compared(b *instruments) []comparison {
	r := p.reference()
	if r == nil {
		return nil
	}
	c := comparison{
		figure: "resistance", what: "resistance", unit: "mOhm", reason: r.conditions(b.coefficient),
		high: "a joint, a weld or a pouch that does not carry its share",
		low:  "a tap on the wrong side of a joint, or a reading that is too low",
	}
	for k := range r.cells {
		c.x = append(c.x, r.cells[k]/r.di*1000)
		c.noise = append(c.noise, 2*math.Sqrt2*max(r.noise[k], p.scan.mul[k]/math.Sqrt(12))/math.Abs(r.di)*1000)
	}
	return []comparison{c}
}

// comparedRests holds the cells' resting voltages against each other, of each
// rest: where the curve is steep they tell of charge, where it is flat of taps.
// What balancing has set right to within its target is no cell's own; its
// remainder is the planner's, and told by the imbalance.
func (a *Analyser) comparedRests(b *instruments) (out []comparison) {
	if a.balance.done {
		return nil
	}
	for _, t := range a.rests.all {
		if _, mad := sample.MAD(t.cells); mad*1.4826 > bentMax {
			continue
		}
		c := comparison{
			figure: RestVoltage, what: "resting voltage", unit: "V", x: t.cells, reason: t.reason,
			high: "less discharged than its siblings, or a tap that reads high",
			low:  "self-discharge, a weak cell, or a tap that reads low",
		}
		for k := range t.cells {
			c.noise = append(c.noise, 2*b.tap(k, t.cells[k]).U())
			if gain, offset := b.scan.accuracy(k); b.errors != drivers.ErrorsShared && gain+offset > 0 {
				c.bound = append(c.bound, gain*t.cells[k]+offset+b.tapStep(k))
			}
		}
		if len(c.bound) < len(c.x) {
			c.bound = nil
		}
		out = append(out, c)
	}
	return out
}
