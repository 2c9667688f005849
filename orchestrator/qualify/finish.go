package qualify

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// Finish ends the pass and returns the figures, in an order that is the same
// for every run. The analyser takes nothing more afterwards.
func (a *Analyser) Finish() *Figures {
	if a.run != nil {
		a.run.flaw("the record ends in the middle of the step")
		a.end(a.last.at)
	}
	a.pulses.finish()
	a.settle()
	b := newInstruments(a.plan, &a.scan, a.coefficient)
	out := &Figures{
		Module: a.plan.Module, Profile: a.plan.Profile, Bench: a.plan.Bench.Name, Steps: a.steps,
		Frames: a.frames, Left: a.left.disordered + a.left.misfit + a.left.repeated + a.left.blind,
	}
	resist, cellResist := a.pulses.figures(b)
	two, cellTwo := a.levels.figures(&a.pulses, b)
	rest, cellRest := a.rests.figures(b)
	leak, cellLeak := a.leaks.figures(a, b)
	odd, count := a.odd(b)
	out.Odd = odd
	out.Figures = slices.Concat(a.cycles.figures(b, a.residual()), resist, two, rest, []Figure{leak, a.imbalance()},
		a.thermal.figures(b), []Figure{count}, a.cycles.bounds(b), cellResist, cellTwo, cellRest, cellLeak)
	out.Curve = a.curve.points()
	out.Notes = a.remarks()
	return out
}

// residual is the charge, A.s, by which balancing left the cells apart.
func (a *Analyser) residual() float64 {
	if !a.balance.told || !a.balance.done {
		return 0
	}
	return float64(a.balance.ppm) * 1e-6 * a.cycles.rated
}

func (a *Analyser) imbalance() Figure {
	switch {
	case !a.balance.told:
		return unproven(Imbalance, "%", "the balance planner told no imbalance")
	case a.balance.gaveUp || !a.balance.done:
		f := unproven(Imbalance, "%", "balancing was not completed")
		f.Value, f.NoValue = float64(a.balance.ppm)*1e-4, false
		return f
	}
	return Figure{
		Name: Imbalance, Unit: "%", Value: float64(a.balance.ppm) * 1e-4, U: float64(a.balance.within) * 1e-4,
		K: gum.Factor, Status: OK, Detail: "of the capacity, by the balance planner",
	}
}

// remarks tell what was left out.
func (a *Analyser) remarks() []string {
	out := a.notes
	if s := a.pulses.remark(); s != "" {
		out = append(out, s)
	}
	for _, x := range []struct {
		n    int64
		what string
	}{
		{a.left.disordered, "frames left out: their time does not rise"},
		{a.left.misfit, "frames left out: they do not follow the plan's layout"},
		{a.left.repeated, "frames left out: the monitor had not measured anew"},
		{a.left.blind, "frames left out: no module current"},
		{int64(a.unlisted), "steps are not listed one by one"},
	} {
		if x.n > 0 {
			out = append(out, fmt.Sprintf("%d %s", x.n, x.what))
		}
	}
	return out
}

// finish ends a pulse that the record cut off.
func (p *pulses) finish() {
	if p.phase != pulseIdle {
		p.over()
	}
}

// Rules for an odd cell: both tests must agree, so that chance alone rarely
// accuses one, and the distance must be more than the readings' own noise.
const (
	oddZ     = 3.5  // Iglewicz and Hoaglin's recommendation, from memory
	oddAlpha = 0.01 // of the generalised ESD test
	// siblingsMin is the fewest cells among which one can be called odd.
	siblingsMin = 5
)

// odd finds the cells that do not belong to their siblings.
func (a *Analyser) odd(b *instruments) ([]Odd, Figure) {
	var found []Odd
	var looked, doubts []string
	doubt := func(what string, x []float64, reason string) {
		switch {
		case len(x) < siblingsMin:
			reason = fmt.Sprintf("%d cells are too few to compare", len(x))
		case slices.ContainsFunc(x, math.IsNaN):
			reason = "a cell's " + what + " is missing"
		}
		if reason != "" {
			doubts = append(doubts, reason)
		}
		looked = append(looked, what)
	}
	if r := a.pulses.reference(); r != nil {
		x := make([]float64, len(r.cells))
		noise := make([]float64, len(r.cells))
		for c := range x {
			x[c] = r.cells[c] / r.di * 1000
			noise[c] = 2 * math.Sqrt2 * max(r.noise[c], a.scan.mul[c]/math.Sqrt(12)) / math.Abs(r.di) * 1000
		}
		found = append(found, outliers("resistance", "mOhm", x, noise, "a joint, a weld or a pouch that does not carry its share", "a tap on the wrong side of a joint, or a reading that is too low")...)
		doubt("resistance", x, r.conditions(b.coefficient))
	}
	// What balancing has set right to within its target is no cell's own; its
	// remainder is the planner's, and told by the imbalance.
	if t := a.rests.best(); t != nil && !a.balance.done {
		noise := make([]float64, len(t.cells))
		for c := range noise {
			noise[c] = 2 * b.tap(c, t.cells[c]).U()
		}
		found = append(found, outliers(RestVoltage, "V", t.cells, noise, "less discharged than its siblings, or a tap that reads high", "self-discharge, a weak cell, or a tap that reads low")...)
		doubt("resting voltage", t.cells, t.reason)
	}
	if len(looked) == 0 {
		return nil, unproven(OddCells, "1", "neither a resistance nor a resting voltage could be compared")
	}
	cells := map[int]bool{}
	for _, o := range found {
		cells[o.Cell] = true
	}
	f := Figure{Name: OddCells, Unit: "1", Value: float64(len(cells)), K: gum.Factor, Status: OK, Detail: "by " + strings.Join(looked, " and ")}
	f = f.because(strings.Join(doubts, "; "))
	if len(found) > 0 {
		var names []string
		for _, o := range found {
			names = append(names, fmt.Sprintf("cell %d (%s)", o.Cell, o.Figure))
		}
		f.Detail += ": " + strings.Join(names, ", ")
	}
	return found, f
}

// outliers returns the values that both robust z-score and generalised ESD call
// odd, with a hint for high and for low ones.
func outliers(name, unit string, x, noise []float64, high, low string) []Odd {
	if len(x) < siblingsMin || slices.ContainsFunc(x, math.IsNaN) {
		return nil
	}
	z := sample.RobustZ(x)
	median := sample.Median(x)
	steps, n := sample.GESD(x, max(1, len(x)/4), oddAlpha)
	var out []Odd
	for _, s := range steps[:n] {
		c := s.Index
		if math.Abs(z[c]) <= oddZ || math.Abs(x[c]-median) <= noise[c] {
			continue
		}
		hint := high
		if z[c] < 0 {
			hint = low
		}
		out = append(out, Odd{Figure: name, Cell: c + 1, Value: x[c], Median: median, Unit: unit, Z: z[c], Hint: hint})
	}
	slices.SortFunc(out, func(a, b Odd) int { return a.Cell - b.Cell })
	return out
}
