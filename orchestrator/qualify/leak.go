package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// Rules for self-discharge from the drift of a resting voltage.
const (
	// leakMin is the shortest rest that anything is told of: in less, what relaxes
	// looks like what leaks (common practice, no source).
	leakMin = 12 * drivers.Hour
	// leakFrom is where in a rest the drift is taken from on: by then the fast
	// relaxations are over.
	leakFrom = 1.0 / 3
	// leakFlat is the greatest share of the rated capacity that one step of the
	// reading may stand for: on a flatter curve a voltage tells nothing.
	leakFlat = 0.01
	// leakSlope is how well the slope of a discharge curve stands for that of the
	// open-circuit curve, and leakEntropy how much a resting voltage may move with
	// temperature, V/K (both common practice, no source).
	leakSlope   = 0.2
	leakEntropy = 0.5e-3
)

// leak is what self-discharge is computed from.
type leak struct {
	label  string
	long   drivers.Span
	reason string
	drifts []drift
	// slowing is by how much each drift changes from one half of the time to the
	// other, V/s: a leak goes on as it is, a relaxation slows down.
	slowing []float64
	warm    float64   // K/s, the temperature's change over the same time
	perVolt []float64 // A.s/V of each cell there
}

// leaks remembers the best rest.
type leaks struct{ longest *leak }

func (l *leaks) close(a *Analyser, r *run) {
	long := r.ended.Sub(r.begun)
	if long < leakMin {
		return
	}
	n := &leak{label: r.spec.Label, long: long, reason: r.reason()}
	n.measure(a)
	// What can be told goes before what cannot, then the longer before the shorter.
	if o := l.longest; o == nil || o.reason != "" && n.reason == "" || (o.reason == "") == (n.reason == "") && long > o.long {
		l.longest = n
	}
}

// measure takes the cells' drift out of the rest that has ended.
func (n *leak) measure(a *Analyser) {
	t := &a.trend
	if t.holes || t.rows < 2*coursePoints {
		n.refuse("readings of cells are missing")
		return
	}
	if a.bled.total != a.bledRest {
		n.refuse("cells were bled in the rest")
		return
	}
	for c := range a.scan.cells {
		at, v := t.course(c, leakFrom)
		d, ok := drifting(at, v, t.end(), a.scan.mul[c])
		if !ok {
			n.refuse("too few readings")
			return
		}
		n.drifts = append(n.drifts, d)
		half := len(at) / 2
		early, err := gum.FitLine(at[:half], v[:half], 0)
		late, err2 := gum.FitLine(at[half:], v[half:], 0)
		if err != nil || err2 != nil {
			n.refuse("too few readings")
			return
		}
		n.slowing = append(n.slowing, math.Abs(late.Slope.X()-early.Slope.X()))
	}
	last := t.rows - 1
	for k := range t.rows {
		if t.t[k] >= leakFrom*t.t[last] {
			n.warm = (t.temp[last] - t.temp[k]) / (t.t[last] - t.t[k])
			break
		}
	}
	per, why := a.curve.perVolt(a.cycles.rated)
	if why != "" {
		n.refuse(why)
	}
	n.perVolt = per
}

func (n *leak) refuse(why string) {
	if n.reason == "" {
		n.reason = why
	}
}

// figures: the worst cell's self-discharge in mA, and each cell's.
func (l *leaks) figures(a *Analyser, b *instruments) (worst Figure, cells []Figure) {
	n := l.longest
	if n == nil {
		return unproven(SelfDischarge, "mA", fmt.Sprintf("the run has no rest of %.0f h", seconds(leakMin)/3600)), nil
	}
	if n.reason != "" || n.perVolt == nil {
		return unproven(SelfDischarge, "mA", n.label+": "+n.reason), nil
	}
	drain := gum.Own("monitor's own drain", float64(a.plan.Bench.Monitor.DrainWithin)*1e-3)
	at := -1
	for c := range n.drifts {
		f := n.cell(a, b, drain, c)
		f.Cell = c + 1
		cells = append(cells, f)
		if !f.NoValue && (at < 0 || f.Value > cells[at].Value) {
			at = c
		}
	}
	for _, f := range cells {
		if f.Status != OK {
			worst = f
			worst.Reason = fmt.Sprintf("cell %d: %s", f.Cell, f.Reason)
			worst.Cell = 0
			return worst, cells
		}
	}
	worst = cells[at]
	worst.Cell = 0
	worst.Detail = fmt.Sprintf("cell %d, %s", at+1, worst.Detail)
	for c := range cells {
		cells[c].Budget = nil
	}
	return worst, cells
}

// cell is I = -C*dV/dt less the monitor's drain, with C = dQ/dV.
func (n *leak) cell(a *Analyser, b *instruments, drain *gum.Input, c int) Figure {
	per, d := n.perVolt[c], n.drifts[c]
	step := a.scan.mul[c]
	if per <= 0 || per*step > leakFlat*a.cycles.rated {
		return unproven(SelfDischarge, "mA", fmt.Sprintf("the open-circuit curve is too flat here: one step of %.3g mV stands for %.2g %% of the capacity", step*1000, 100*math.Abs(per)*step/a.cycles.rated))
	}
	taken := float64(a.plan.Bench.Monitor.Drain) * 1e-3
	gain, _ := b.scan.accuracy(c)
	v := gum.Exact(-per*d.slope*1000-taken).
		With(gum.Normal("fit of the drift", d.error, d.dof), per*1000).
		With(gum.Rectangular("slope of the open-circuit curve", leakSlope), per*d.slope*1000).
		With(gum.Rectangular("tap gain", gain), per*d.slope*1000).
		With(gum.Rectangular("drift that slows down", n.slowing[c]), per*1000).
		With(gum.Rectangular("temperature", leakEntropy*math.Abs(n.warm)), per*1000).
		With(drain, 1)
	detail := fmt.Sprintf("%s, %.3g h: %.3g mV a day at %.4g Ah/V", n.label, seconds(n.long)/3600, d.slope*86400*1000, per/3600)
	if taken > 0 {
		detail += fmt.Sprintf(", less the monitor's %.3g mA", taken)
	} else {
		detail += "; the monitor's own drain is not declared and counts in"
	}
	return figure(SelfDischarge, "mA", v).with(detail)
}
