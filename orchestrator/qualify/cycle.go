package qualify

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// Stability says when capacity has settled: the last Count full discharges
// differ by at most Share of the rated capacity, and the capacity is their
// mean. Three within 3 % is GB 38031-2025 clause 7.1.2, as quoted; a plan that
// compares fewer or closer sets its own.
const (
	stableCount = 3
	stableShare = 0.03
	cyclesMax   = 8 // the greatest count a plan may ask for
	// fullLoss is how much of the rated charge may pass, filling a link before
	// contactors close for one, while a full module still counts as full.
	fullLoss = 1e-4
)

// discharge is one full discharge for the capacity.
type discharge struct {
	run    *run // nothing but its sums is used once it is closed
	reason string
	full   *run // the charge it started from, nil where unknown
}

// round is one complete cycle from empty to empty.
type round struct {
	in, out flow
	reason  string
	// lost is the charge bled from the cells, mean and half the range, A.s.
	lost, lostHalf float64
	// ends is how far, A.s, the two empty states may lie apart: by one step of the
	// tap that ended each discharge, and by the tap's whole error where different
	// cells ended them.
	ends float64
}

type cycles struct {
	count  int
	limit  float64 // A.s, greatest spread
	rated  float64 // A.s
	series int

	discharges []discharge // the latest, at most count
	rounds     []round
	seen       int
	received   *discharge

	full *run // the charge that left the module full, nil where it is not
	// Since the module was last empty by the same end voltage:
	empty   *run
	in, out flow
	flaws   []string
	// unbalanced is why a discharge that was meant to count tells only what the
	// module held as it came.
	unbalanced string
	bledEmpty  []float64
}

func (c *cycles) init(plan *machine.Plan) {
	c.rated = float64(plan.Rated) * 1e-9
	c.count, c.limit, c.series = stableCount, stableShare*c.rated, plan.Series
	for i := range plan.Code {
		x := plan.Code[i].Compare
		if x == nil || x.List <= 0 || x.Count < 2 || x.Count > cyclesMax || x.Value <= 0 {
			continue
		}
		c.count, c.limit = x.Count, float64(x.Value)*1e-9
	}
}

// close takes a step that has ended.
func (c *cycles) close(a *Analyser, r *run) {
	c.flaw(r)
	if r.in.t+r.out.t == 0 && r.how(&a.scan) == endOther {
		return // nothing flowed
	}
	c.in.add(r.in)
	c.out.add(r.out)
	switch {
	case r.spec.Kind == "balance":
		// Topping up after bleeding leaves the module as full as before.
	case r.sign > 0:
		c.full = nil
		if r.how(&a.scan) != endOther && r.reason() == "" {
			c.full = r
		}
	case r.sign < 0:
		c.discharged(a, r)
		c.full = nil
	case math.Abs(r.in.q-r.out.q) > fullLoss*c.rated:
		c.full = nil
	}
}

func (c *cycles) flaw(r *run) {
	if why := r.reason(); why != "" {
		c.flaws = append(c.flaws, r.spec.Label+": "+why)
	} else if r.blind > 0 {
		c.flaws = append(c.flaws, r.spec.Label+": "+r.blindReason())
	}
	if len(c.flaws) > 4 {
		c.flaws = c.flaws[:4] // enough to say
	}
}

// use says what the profile means a discharge for.
func use(r *run) (capacity, received bool) {
	u := strings.ReplaceAll(r.spec.Use, "_", " ")
	received = strings.Contains(u, "received")
	return u == "capacity" || received, received
}

func (c *cycles) discharged(a *Analyser, r *run) {
	capacity, received := use(r)
	empty := r.how(&a.scan) == endCell
	if capacity {
		d := discharge{run: r, full: c.full, reason: r.reason()}
		switch {
		case d.reason != "":
		case !empty:
			d.reason = "no cell reached its end voltage: the discharge ended by " + orUnknown(r.endText)
		case d.full == nil:
			d.reason = "the discharge did not start from a full charge"
		}
		// What was not balanced before is how the module arrived, whatever the
		// profile calls it. A single cell has nothing to balance.
		if received || !a.balance.done && c.series > 1 {
			if !received && a.balance.reason != "" {
				c.unbalanced = a.balance.reason
			}
			if c.received == nil || c.received.reason != "" {
				c.received = &d
			}
		} else {
			c.seen++
			c.discharges = keep(c.discharges, d, c.count)
		}
	}
	if !empty {
		return
	}
	if c.empty != nil && sameEnd(c.empty.drive, r.drive) && capacity {
		c.rounds = keep(c.rounds, c.round(a, c.empty, r), c.count)
	}
	c.empty = r
	c.in, c.out, c.flaws = flow{}, flow{}, nil
	c.bledEmpty = append(c.bledEmpty[:0], a.bled.charge...)
}

// endShare is by how much two currents may differ, as a share, while the end
// voltage under them stands for the same state.
const endShare = 0.02

// sameEnd says that two discharges end at the same state: at the same voltage
// under the same current.
func sameEnd(p, q *machine.Drive) bool {
	a, b := float64(p.Current), float64(q.Current)
	return p.CellEnd == q.CellEnd && math.Abs(a-b) <= endShare*max(a, b)
}

// keep appends and forgets the oldest over n.
func keep[T any](list []T, x T, n int) []T {
	if len(list) == n {
		copy(list, list[1:])
		list = list[:n-1]
	}
	return append(list, x)
}

func orUnknown(s string) string {
	if s == "" {
		return "something unknown"
	}
	return s
}

// round closes the cycle from the last empty state to this one. What cells bled
// in between went in and did not come out; cells that bled different amounts
// did not all return to the same state.
func (c *cycles) round(a *Analyser, from, to *run) round {
	o := round{in: c.in, out: c.out, reason: strings.Join(c.flaws, "; ")}
	lo, hi, sum := math.Inf(1), math.Inf(-1), 0.0
	for i, q := range a.bled.charge {
		q -= c.bledEmpty[i]
		lo, hi, sum = min(lo, q), max(hi, q), sum+q
	}
	if n := len(a.bled.charge); n > 0 {
		o.lost, o.lostHalf = sum/float64(n), (hi-lo)/2
	}
	if o.lostHalf > 0.005*c.rated && o.reason == "" {
		o.reason = fmt.Sprintf("cells were bled by amounts that differ by %.3g Ah within the cycle", 2*o.lostHalf/3600)
	}
	o.ends = a.apart(from, to)
	return o
}

// apart is how far two states at the end of discharges may differ, A.s.
func (a *Analyser) apart(from, to *run) float64 {
	q := 0.0
	for _, r := range []*run{from, to} {
		per := r.slope.chargePerVolt(&a.scan)
		if per == 0 {
			continue
		}
		volts := a.scan.mul[r.slope.cellEnd]
		if from.endCell != to.endCell {
			gain, offset := a.scan.accuracy(r.slope.cellEnd)
			volts += gain*math.Abs(r.slope.vEnd) + offset
		}
		q += per * volts
	}
	return q
}

// figures of capacity, energy and efficiency; residual is the charge, A.s, by
// which cells are told to differ after balancing.
func (c *cycles) figures(b *instruments, residual float64) []Figure {
	capacity, spread, energy := c.capacity(b, residual)
	out := []Figure{capacity}
	if d := c.received; d != nil {
		f := figure(CapacityReceived, "Ah", c.value(b, d)).because(d.reason).with(ended(d, b))
		f.Unjudged = true
		out = append(out, f)
	}
	out = append(out, spread, energy)
	return append(out, c.efficiencies(b)...)
}

// value is one discharge's charge in Ah with the error of the taps that ended
// it and the charge before it.
func (c *cycles) value(b *instruments, d *discharge) gum.Value {
	v := b.charge(d.run.out, -1)
	v = v.With(gum.Rectangular("tap at the end of discharge", b.tapCharge(d.run)), 1.0/3600)
	if d.full != nil {
		v = v.With(gum.Rectangular("tap at the end of charge", b.tapCharge(d.full)), 1.0/3600)
	}
	return v
}

// capacity is the mean over the last discharges, their spread, and the energy.
func (c *cycles) capacity(b *instruments, residual float64) (capacity, spread, energy Figure) {
	n := len(c.discharges)
	if n == 0 {
		why := "no full discharge for the capacity was made after balancing"
		if c.unbalanced != "" {
			why += ", which does not count: " + c.unbalanced
		}
		return unproven(Capacity, "Ah", why), unproven(CapacitySpread, "%", why), unproven(Energy, "Wh", why)
	}
	q, e := make([]gum.Value, n), make([]gum.Value, n)
	reason, blind := "", ""
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range c.discharges {
		d := &c.discharges[i]
		q[i], e[i] = c.value(b, d), b.energy(d.run.out, -1)
		lo, hi = min(lo, d.run.out.q), max(hi, d.run.out.q)
		if reason == "" && d.reason != "" {
			reason = fmt.Sprintf("%s, pass %d: %s", d.run.spec.Label, d.run.pass, d.reason)
		}
		if blind == "" {
			blind = d.run.blindReason()
		}
	}
	switch {
	case reason != "":
	case n < c.count:
		reason = fmt.Sprintf("%d of %d full discharges", n, c.count)
	case hi-lo > c.limit:
		reason = fmt.Sprintf("not stable: the last %d differ by %.3g Ah, over %.3g Ah", n, (hi-lo)/3600, c.limit/3600)
	}
	last := &c.discharges[n-1]
	detail := fmt.Sprintf("mean of the last %d of %d discharges; %s", n, c.seen, ended(last, b))
	value := scattered(q)
	if !last.oneCell(b) && residual > 0 {
		// Balanced wholly it would give up to as much more as balancing left: anywhere
		// between nothing and all of it (a correction with its own uncertainty, GUM 3.2.4).
		value = gum.Add(value, gum.New(residual/2/3600, gum.Rectangular("residual imbalance", residual/2/3600)))
		detail += fmt.Sprintf("; %.3g Ah of it for what balancing left", residual/2/3600)
	}
	capacity = figure(Capacity, "Ah", value).because(reason).with(detail)
	share := 100 * (hi - lo) / c.rated
	spread = figure(CapacitySpread, "%", gum.Exact(share)).because(reason)
	energy = figure(Energy, "Wh", scattered(e)).because(reason).because(blind)
	return capacity, spread, energy
}

// scattered is the mean of repeated measurements with their scatter as one more
// source (GUM 4.2).
func scattered(values []gum.Value) gum.Value {
	mean := gum.Mean(values...)
	n := float64(len(values))
	if n < 2 {
		return mean
	}
	var sum float64
	for _, v := range values {
		sum += (v.X() - mean.X()) * (v.X() - mean.X())
	}
	return mean.With(gum.Normal("repeatability", math.Sqrt(sum/(n-1)/n), n-1), 1)
}

// oneCell says that surely the same cell ended charge and discharge: then what
// it holds was measured whole. Otherwise the cell that was empty first had not
// been quite full, by what balancing left between it and the fullest one.
func (d *discharge) oneCell(b *instruments) bool {
	if d.full == nil || d.run.endCell == 0 || d.run.endCell != d.full.endCell {
		return false
	}
	return !d.run.doubtful(b) && !d.full.doubtful(b)
}

// ended names the cells that ended charge and discharge. Another cell's
// capacity is not measured.
func ended(d *discharge, b *instruments) string {
	s := "discharge " + endedBy(d.run, b)
	if d.full != nil {
		s += ", charge " + endedBy(d.full, b)
	}
	return s
}

func endedBy(r *run, b *instruments) string {
	if r.endCell == 0 {
		return "ended by no cell that is known"
	}
	s := fmt.Sprintf("ended by cell %d", r.endCell)
	if r.doubtful(b) {
		s += fmt.Sprintf(" (%.0f mV from cell %d, within the taps' accuracy)", r.margin*1000, r.next)
	}
	return s
}

// doubtful says that another cell may have ended the step: the taps cannot tell.
func (r *run) doubtful(b *instruments) bool {
	gain, offset := b.scan.accuracy(r.endCell - 1)
	return r.next > 0 && r.margin < 2*(gain*math.Abs(r.extreme)+offset)
}

// efficiencies over the complete cycles.
func (c *cycles) efficiencies(b *instruments) []Figure {
	names := [...][2]string{{ChargeReturned, "Ah"}, {EnergyReturned, "Wh"}, {CoulombicEfficiency, "%"}, {EnergyEfficiency, "%"}, {VoltageEfficiency, "%"}}
	out := make([]Figure, len(names))
	n := len(c.rounds)
	var q, e []gum.Value
	in, released := gum.Exact(0), gum.Exact(0)
	ein, eout := gum.Exact(0), gum.Exact(0)
	reason := ""
	for i := range c.rounds {
		o := &c.rounds[i]
		charge, energy := b.charge(o.in, 1), b.energy(o.in, 1)
		if o.lost > 0 {
			bled := gum.New(-o.lost/3600, gum.Rectangular("bled charge", o.lostHalf/3600))
			volts := 0.0
			if o.in.t > 0 {
				volts = o.in.vt / o.in.t
			}
			charge, energy = gum.Add(charge, bled), gum.Add(energy, gum.Scale(volts, bled))
		}
		if o.ends > 0 {
			unequal := gum.Rectangular("equal end states", o.ends/3600)
			charge = charge.With(unequal, 1)
			if o.in.t > 0 {
				energy = energy.With(unequal, o.in.vt/o.in.t)
			}
		}
		q, e = append(q, charge), append(e, energy)
		in, released = gum.Add(in, charge), gum.Add(released, b.charge(o.out, -1))
		ein, eout = gum.Add(ein, energy), gum.Add(eout, b.energy(o.out, -1))
		if reason == "" {
			reason = o.reason
		}
	}
	if n == 0 || in.X() <= 0 || ein.X() <= 0 || eout.X() <= 0 {
		why := "no complete cycle from empty to empty with equal end states"
		if n > 0 && in.X() > 0 {
			why = "no module voltage: energy is unproven"
		}
		for i, x := range names {
			out[i] = unproven(x[0], x[1], why)
		}
		return out
	}
	coulombic, energy := gum.Div(released, in), gum.Div(eout, ein)
	values := [...]gum.Value{scattered(q), scattered(e), gum.Scale(100, coulombic), gum.Scale(100, energy), gum.Scale(100, gum.Div(energy, coulombic))}
	detail := fmt.Sprintf("over %d complete cycles", n)
	for i, x := range names {
		out[i] = figure(x[0], x[1], values[i]).because(reason).with(detail)
	}
	return slices.Clip(out)
}
