package rehearse

import (
	"fmt"
	"math"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// A run of which nothing went wrong must end as the truth of its article says:
// refused where a cell or a temperature is not what readiness asks for, failed
// where the profile's aim could not be reached, and done only where it was. One
// that ended otherwise signs off a bad article or sends a good one away.

// balanceSlack is how far the truth may lie from what the planner told, as a part
// of the target: half, for what its own uncertainty and later self-discharge
// leave open (common practice, no source).
const balanceSlack = 0.5

// unfounded says why the truth does not bear out how the first run ended; empty
// where it does, or where something had gone wrong that may have ended it.
func (x *rehearsal) unfounded() string {
	w, r := x.w, x.r
	if any, _ := w.blamed(""); any || r.Killed || x.end == nil {
		return ""
	}
	switch r.Outcome {
	case machine.OutcomeStopped:
		if x.w.stopped {
			return ""
		}
		return "stopped, and nobody did: " + r.Reason
	case machine.OutcomeRefused:
		if w.unwell() {
			return ""
		}
		return "refused, and the article is in good order: " + r.Reason
	case machine.OutcomeFailed:
		return x.failed()
	case machine.OutcomeDone:
		if target, hold := x.balances(); target > 0 {
			if is := x.imbalance(hold); is > target*(1+balanceSlack) {
				return fmt.Sprintf("done, and the article's imbalance is %.2f %% where %.2f %% was to be reached", 100*is, 100*target)
			}
		}
	}
	return "" // trips are judged one by one
}

// balances is what the plan's balancing is to reach, as a part of the capacity,
// and the voltage of its top-up, V; 0: it balances nothing.
func (x *rehearsal) balances() (target, hold float64) {
	for _, ins := range x.c.plan.Code {
		switch d := ins.Drive; {
		case ins.Op == machine.OpBleed:
			return float64(ins.Bleed.TargetPPM) / 1e6, hold
		case ins.Op == machine.OpDrive && d.Direction == machine.Charging && d.Hold > 0:
			hold = float64(d.Hold) / 1e6
		}
	}
	return 0, hold
}

// imbalance is the truth of what balancing is about, as a part of the rated
// capacity: by how much the cells lack unequal charges up to the voltage at which
// the top-up holds them. Above it nobody looks.
func (x *rehearsal) imbalance(hold float64) float64 {
	m := x.w.rig.Plant().Module()
	full := x.t.stateAt(hold)
	most, least := math.Inf(-1), math.Inf(1)
	for k := range m.Len() {
		lack := m.Capacity(k)*full - m.Charge(k)
		most, least = max(most, lack), min(least, lack)
	}
	return (most - least) / (float64(x.c.plan.Rated) / 1e9)
}

// stateAt is the state of charge at an open-circuit voltage, V, by the module
// file's table.
func (t *Twin) stateAt(volts float64) float64 {
	list := t.Module.OCV
	for i := 1; i < len(list); i++ {
		a, b := list[i-1], list[i]
		va, vb := float64(a.Voltage)/1e6, float64(b.Voltage)/1e6
		if volts <= vb {
			return (float64(a.SoC) + (volts-va)/(vb-va)*float64(b.SoC-a.SoC)) / 1e6
		}
	}
	return 1
}

// failed says why a failure is unfounded.
func (x *rehearsal) failed() string {
	w, r := x.w, x.r
	e, l := w.extremes(), &x.c.plan.Limits
	temp := float64(x.c.plan.Bench.Monitor.TempAccuracy.At(int64(l.TempMax))+int64(x.c.plan.Bench.Monitor.TempStep)) / 1e3
	switch {
	case strings.Contains(r.Reason, "balanc"):
		// Some cell stands so high from the start that no charge shows the others;
		// or there is much to bleed, and time or the article did not allow it.
		if target, hold := x.balances(); w.highest >= x.topped() || x.imbalance(hold) >= target*(1-balanceSlack) {
			return ""
		}
	case strings.Contains(r.Reason, "soft limit"), strings.Contains(r.Reason, "temperature"), strings.HasPrefix(r.Reason, "paused for"):
		if e.tempMax+temp >= float64(l.TempSoftMax-l.TempSoftHysteresis)/1e3 || e.tempMin-temp <= float64(l.TempChargeMin)/1e3 {
			return ""
		}
	case strings.Contains(r.Reason, "bound reached"):
		if w.nearest >= 1-boundSlack {
			return ""
		}
	}
	return "failed, and the article does not show why: " + r.Reason
}

// boundSlack is how far under a bound what has truly flowed may be when the
// counted reaches it.
const boundSlack = 0.02

// topped is from where on a cell that starts so high, V, lets no top-up flow that
// would show the others: less than the taper current fits under the hold.
func (x *rehearsal) topped() float64 {
	hold := math.Inf(1)
	for _, ins := range x.c.plan.Code {
		if d := ins.Drive; ins.Op == machine.OpDrive && d.Direction == machine.Charging && d.Taper > 0 {
			hold = min(hold, float64(d.Hold)/1e6-2*float64(d.Taper)*float64(x.c.plan.CellResistance)/1e12)
		}
	}
	return hold - float64(x.c.plan.Bench.Monitor.CellAccuracy.At(int64(x.c.plan.Limits.CellMax)))/1e6
}

// unwell says whether the article's truth of late is such that readiness may
// refuse it.
func (w *witness) unwell() bool {
	p, e := w.c.plan, w.extremes()
	l, r, mon := &p.Limits, &p.Ready, &p.Bench.Monitor
	cell := float64(mon.CellAccuracy.At(int64(l.CellMax))+int64(mon.CellStep)) / 1e6
	temp := float64(mon.TempAccuracy.At(int64(l.TempMax))+int64(mon.TempStep)) / 1e3
	most := min(l.TempMax, l.TempSoftMax-l.TempSoftHysteresis)
	if l.TempSoftMax == 0 {
		most = l.TempMax
	}
	return e.tapMax+cell >= float64(r.CellMax)/1e6 || e.tapMin-cell <= float64(r.CellMin)/1e6 ||
		e.tempMax+temp >= float64(most)/1e3 || e.tempMin-temp <= float64(l.TempMin)/1e3 ||
		e.tempMax-e.tempMin+2*temp >= float64(r.TempBand)/1e3
}

// starting notes how high the article stands when a run begins.
func (w *witness) starting() {
	m := w.rig.Plant().Module()
	w.highest, w.nearest = math.Inf(-1), 0
	for k := range m.Len() {
		w.highest = max(w.highest, m.Tap(k))
	}
}

// approach notes how near what has flowed came to a bound.
func (w *witness) approach(flowed drivers.Span, coulombs, joules float64, b *stepBounds) {
	for _, x := range [...][2]float64{{float64(flowed), float64(b.span)}, {coulombs, float64(b.charge) / 1e9}, {joules, float64(b.energy) / 1e6}} {
		if x[1] > 0 {
			w.nearest = max(w.nearest, x[0]/x[1])
		}
	}
}
