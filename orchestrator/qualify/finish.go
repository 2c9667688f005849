package qualify

import (
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
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
	b := newInstruments(a.plan, &a.scan, &a.hiss, a.coefficient)
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
		a.thermal.figures(b), a.pulses.terminals(b), a.tail.figures(&a.pulses, b), []Figure{count}, a.cycles.bounds(b), cellResist, cellTwo, cellRest, cellLeak)
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
		f := unproven(Imbalance, "%", a.balance.why())
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
