package plant

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// Network is what stands between a module and the instruments.
type Network struct {
	// Link is the capacitance across the link, F, output capacitors of supply
	// and load included; it must be positive.
	Link float64
	// LinkBleed is the resistor across the link, Ohm; 0: none.
	LinkBleed float64
	// Precharge is the precharge resistor, Ohm.
	Precharge float64
	// Contact is the resistance of one closed main contactor, Leads that of the
	// wiring between module and link, Ohm.
	Contact, Leads float64
	// FuseRating (A) and FuseMelt (A2s over the rating): the fuse in the
	// module's line; FuseMelt 0: none.
	FuseRating, FuseMelt float64
	// MaxStep bounds a step; 0: 100 ms. At most 1 s.
	MaxStep drivers.Span
}

// Source is a setting of the supply or the load, in force at once: delays are
// the instrument's business. The current limit moves to Current at Slew (A/s;
// 0: at once). Voltage is the supply's ceiling, or the load's floor: at it the
// instrument holds the link's voltage with less current, and beyond it gives
// or takes nothing. Current 0 is off.
type Source struct {
	Current, Voltage, Slew float64
}

// Contacts is the true state of the contactors' contacts. The link is
// connected when Negative and at least one of the others are closed.
type Contacts struct{ Negative, Precharge, Positive bool }

// Steps: the longest by default; while the link follows a change; while a
// current limit moves.
const (
	frameStep = 100 * drivers.Millisecond
	fineStep  = drivers.Millisecond
	rampStep  = 10 * drivers.Millisecond
	// settled is how near to its final voltage, V, the link must be for long
	// steps.
	settled = 1e-3
	// leastPath keeps an ideal path from dividing by zero, Ohm.
	leastPath = 1e-9
)

// Bench is a module in its network, and the present moment.
type Bench struct {
	module *Module
	net    Network
	now    drivers.Span

	closed, welded Contacts
	short          float64 // Ohm; 0: none
	drain          float64 // S; 0: none
	link           float64 // V
	supply, load   limit
	melted         float64 // A2s
	blown          bool

	// For the present moment.
	supplyCurrent, loadCurrent float64
	supplyHolds, loadHolds     bool

	total        Counters
	broken, made float64
}

// limit is an instrument's current limit on its way to its setting.
type limit struct {
	set Source
	now float64
}

// after returns the limit sec later.
func (l *limit) after(sec float64) float64 {
	if l.now == l.set.Current {
		return l.now
	}
	move := float64(l.set.Slew * sec)
	if l.now < l.set.Current {
		return min(l.now+move, l.set.Current)
	}
	return max(l.now-move, l.set.Current)
}

// until returns how long the limit still moves, rounded up to a microsecond.
func (l *limit) until() drivers.Span {
	if l.now == l.set.Current {
		return 0
	}
	us := float64(1e6*math.Abs(l.set.Current-l.now)) / l.set.Slew
	return drivers.Span(math.Ceil(min(us, 1e15)))
}

// NewBench puts a module, which it then owns, into a network with open
// contactors, a discharged link and both instruments off.
func NewBench(m *Module, n Network) (*Bench, error) {
	if m == nil {
		return nil, fmt.Errorf("bench: no module")
	}
	if !(n.Link > 0) || math.IsInf(n.Link, 0) {
		return nil, fmt.Errorf("bench: link capacitance %g F; it must be positive", n.Link)
	}
	if !(n.Precharge > 0) {
		return nil, fmt.Errorf("bench: precharge resistor %g Ohm; it must be positive", n.Precharge)
	}
	if n.MaxStep == 0 {
		n.MaxStep = frameStep
	}
	if n.MaxStep < drivers.Microsecond || n.MaxStep > warmEvery {
		return nil, fmt.Errorf("bench: longest step %d us; it must lie between 1 us and 1 s", n.MaxStep)
	}
	for _, f := range []struct {
		name  string
		value float64
	}{
		{"link bleed", n.LinkBleed}, {"contact resistance", n.Contact}, {"lead resistance", n.Leads},
		{"fuse rating", n.FuseRating}, {"fuse melting integral", n.FuseMelt},
	} {
		if !(f.value >= 0) || math.IsInf(f.value, 0) {
			return nil, fmt.Errorf("bench: %s is %g; it must be finite and not negative", f.name, f.value)
		}
	}
	b := &Bench{module: m, net: n}
	b.settle()
	return b, nil
}

// Advance moves time forward by d. What was set before holds all the while; to
// let an event land, advance to it, set, and advance on.
func (b *Bench) Advance(d drivers.Span) {
	for end := b.now + d; b.now < end; {
		b.step(b.stride(end - b.now))
	}
}

// stride returns the length of the next step, at most left.
func (b *Bench) stride(left drivers.Span) drivers.Span {
	dt := min(left, b.net.MaxStep, b.module.untilWarm())
	for _, l := range [...]*limit{&b.supply, &b.load} {
		if u := l.until(); u > 0 {
			dt = min(dt, u, rampStep)
		}
	}
	if path := b.path(); path > 0 && dt > fineStep {
		final := (float64(path*b.module.emf) + b.supplyCurrent - b.loadCurrent) / (path + b.other())
		if math.Abs(b.link-final) > settled || b.overFuse() {
			dt = fineStep
		}
	}
	return dt
}

// path returns the conductance between the module's inner source and the link,
// S; 0 where it is open.
func (b *Bench) path() float64 {
	r := b.line()
	if math.IsInf(r, 1) {
		return 0
	}
	return 1 / max(r+b.module.res, leastPath)
}

// line returns the resistance between the module's terminals and the link.
func (b *Bench) line() float64 {
	c := b.closed
	if b.blown || !c.Negative || !c.Precharge && !c.Positive {
		return math.Inf(1)
	}
	r := b.net.Contact + b.net.Leads
	switch {
	case !c.Positive:
		return r + b.net.Precharge
	case c.Precharge:
		return r + float64(b.net.Contact*b.net.Precharge)/(b.net.Contact+b.net.Precharge)
	}
	return r + b.net.Contact
}

// other returns the conductance across the link, S.
func (b *Bench) other() float64 {
	g := 0.0
	if b.net.LinkBleed > 0 {
		g = 1 / b.net.LinkBleed
	}
	if b.short > 0 {
		g += 1 / b.short
	}
	if b.drain > 0 {
		g += b.drain
	}
	return g
}

// regime is which instrument gives way to its voltage during a step.
type regime uint8

const (
	free      regime = iota
	supplyOff        // the link is above the supply's ceiling
	supplyHolds
	loadOff // the link is under the load's floor
	loadHolds
)

// step moves everything by dt.
func (b *Bench) step(dt drivers.Span) {
	m, sec := b.module, float64(dt)/1e6
	s1, l1 := b.supply.after(sec), b.load.after(sec)
	n := newNode(b.path(), b.other(), b.net.Link, dt)
	how, mean, square := b.predict(&n, s1, l1)
	if n.path > 0 && mean != 0 && (mean > 0) != m.charging {
		// The resistances of the other direction apply.
		m.face(mean > 0)
		n = newNode(b.path(), b.other(), b.net.Link, dt)
		how, mean, square = b.predict(&n, s1, l1)
	}
	e0, r0 := m.emf, m.res
	m.step(dt, mean, square)
	b.now += dt

	n.path = b.path() // follows the module's resistance
	b.link = b.arrive(&n, how, e0, s1, l1)
	b.supply.now, b.load.now = s1, l1
	b.wear(sec, square)
	b.settle()
	b.count(sec, mean, square, float64(0.5*(e0+m.emf)), r0)
}

// predict finds the regime of a step and the module's current in it.
func (b *Bench) predict(n *node, s1, l1 float64) (how regime, mean, square float64) {
	s0, l0, e, v := b.supply.now, b.load.now, b.module.emf, b.link
	ceiling, floor := b.supply.set.Voltage, b.load.set.Voltage
	end := n.end(v, e, e, s0-l0, s1-l1)
	if s0+s1 > 0 && end > ceiling {
		if n.end(v, e, e, -l0, -l1) < ceiling {
			mean, _ = n.flow(v, e, s0-l0, s1-l1)
			return b.hold(n, supplyHolds, min(mean, b.heldAt(n, ceiling)))
		}
		s0, s1, how = 0, 0, supplyOff
		end = n.end(v, e, e, -l0, -l1)
	}
	if l0+l1 > 0 && end < floor {
		if n.end(v, e, e, s0, s1) > floor {
			mean, _ = n.flow(v, e, s0-l0, s1-l1)
			return b.hold(n, loadHolds, max(mean, b.heldAt(n, floor)))
		}
		l0, l1, how = 0, 0, loadOff
	}
	mean, square = n.flow(v, e, s0-l0, s1-l1)
	return how, mean, square
}

// heldAt returns the mean current of a step that keeps the link at v: half-way
// between those of both ends, the later of which answers to it.
func (b *Bench) heldAt(n *node, v float64) float64 {
	if n.path == 0 {
		return 0
	}
	rest, slope := b.module.outlook(n.dt)
	return float64(n.path*(v-float64(0.5*(b.module.emf+rest)))) / (1 + float64(0.5*float64(n.path*slope)))
}

// hold is the current of a step in which an instrument holds the link.
func (b *Bench) hold(n *node, how regime, mean float64) (regime, float64, float64) {
	if n.path == 0 {
		mean = 0
	}
	return how, mean, float64(mean * mean)
}

// arrive returns the link's voltage at the end of a step, now that the module's
// voltage there is known.
func (b *Bench) arrive(n *node, how regime, e0, s1, l1 float64) float64 {
	s0, l0, e1 := b.supply.now, b.load.now, b.module.emf
	switch how {
	case supplyOff:
		s0, s1 = 0, 0
	case loadOff:
		l0, l1 = 0, 0
	case supplyHolds:
		// Held only if the supply's limit suffices to the end, and is needed.
		ceiling := b.supply.set.Voltage
		return max(n.end(b.link, e0, e1, -l0, -l1), min(ceiling, n.end(b.link, e0, e1, s0-l0, s1-l1)))
	case loadHolds:
		floor := b.load.set.Voltage
		return min(n.end(b.link, e0, e1, s0, s1), max(floor, n.end(b.link, e0, e1, s0-l0, s1-l1)))
	}
	return n.end(b.link, e0, e1, s0-l0, s1-l1)
}

// settle finds the currents of the present moment: the link's voltage cannot
// jump, everything else follows from it.
func (b *Bench) settle() {
	m := b.module
	current := 0.0
	if path := b.path(); path > 0 {
		if above := b.link > m.emf; above != m.charging && b.link != m.emf {
			m.face(above)
			path = b.path()
		}
		current = float64(path * (b.link - m.emf))
	}
	m.output(current)

	out := current + float64(b.other()*b.link) // what leaves the link besides the load
	s, l := b.supply.now, b.load.now
	ceiling, floor := b.supply.set.Voltage, b.load.set.Voltage
	b.supplyCurrent, b.loadCurrent = s, l
	b.supplyHolds, b.loadHolds = false, false
	const near = 1e-9 // V
	switch {
	case s == 0 || b.link < ceiling-near:
	case b.link > ceiling+near:
		b.supplyCurrent, b.supplyHolds = 0, true
	default:
		b.supplyCurrent = min(max(out+l, 0), s)
		b.supplyHolds = b.supplyCurrent < s
	}
	switch {
	case l == 0 || b.link > floor+near:
	case b.link < floor-near:
		b.loadCurrent, b.loadHolds = 0, true
	default:
		b.loadCurrent = min(max(b.supplyCurrent-out, 0), l)
		b.loadHolds = b.loadCurrent < l
	}
}

// overFuse says that the current is over the fuse's rating.
func (b *Bench) overFuse() bool {
	return b.net.FuseMelt > 0 && math.Abs(b.module.current) > b.net.FuseRating
}

// wear melts the fuse.
func (b *Bench) wear(sec, square float64) {
	if b.net.FuseMelt == 0 {
		return
	}
	over := square - float64(b.net.FuseRating*b.net.FuseRating)
	b.melted = max(b.melted+float64(over*sec), 0)
	if b.melted > b.net.FuseMelt {
		b.blown = true
	}
}

// count adds a step to the totals; the module was a source of emf behind res.
func (b *Bench) count(sec, mean, square, emf, res float64) {
	dq := float64(mean * sec)
	de := float64(emf*dq) + float64(float64(res*square)*sec)
	if dq >= 0 {
		b.total.ChargeIn += dq
		b.total.EnergyIn += de
	} else {
		b.total.ChargeOut -= dq
		b.total.EnergyOut -= de
	}
	if b.closed.Precharge && b.closed.Negative && !b.blown {
		part := 1.0
		if b.closed.Positive {
			part = b.net.Contact / (b.net.Contact + b.net.Precharge)
		}
		b.total.Precharge += float64(float64(float64(float64(part*part)*square)*b.net.Precharge) * sec)
	}
}
