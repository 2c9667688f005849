package plant

import (
	"encoding/binary"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// Module returns the article, for looking and for its faults and bleeds.
func (b *Bench) Module() *Module { return b.module }

// Exchange puts another module in the place of the present one; what the link
// holds stays there. The counters that belong to a module (heat, bled) and the
// extremes begin anew with it.
func (b *Bench) Exchange(m *Module) {
	b.module = m
	b.settle()
}

// Now returns the time since the bench began.
func (b *Bench) Now() drivers.Span { return b.now }

// Switch sets the contacts at once. A welded contact stays closed.
func (b *Bench) Switch(c Contacts) {
	w := b.welded
	next := Contacts{
		Negative:  c.Negative || w.Negative && b.closed.Negative,
		Precharge: c.Precharge || w.Precharge && b.closed.Precharge,
		Positive:  c.Positive || w.Positive && b.closed.Positive,
	}
	if next == b.closed {
		return
	}
	was, will := b.closed.main(), next.main()
	if !was && will {
		b.made = max(b.made, math.Abs(b.link-b.module.TerminalVoltage()))
	}
	if was && !will || b.closed.connected() && !next.connected() {
		b.broken = max(b.broken, math.Abs(b.module.current))
	}
	b.closed = next
	b.settle()
}

// connected says that the link is connected to the module.
func (c Contacts) connected() bool { return c.Negative && (c.Precharge || c.Positive) }

// main says that the link is connected past the precharge resistor.
func (c Contacts) main() bool { return c.Negative && c.Positive }

// Weld makes the given contacts stay closed from now on: those open now stay
// open until they are next closed. Contacts not given are healthy.
func (b *Bench) Weld(c Contacts) { b.welded = c }

// Contacts returns the true state of the contacts.
func (b *Bench) Contacts() Contacts { return b.closed }

// SetSupply changes the supply's setting now. Negative currents read as 0.
func (b *Bench) SetSupply(s Source) { b.supply.take(s); b.settle() }

// SetLoad changes the load's setting now. Negative currents read as 0.
func (b *Bench) SetLoad(s Source) { b.load.take(s); b.settle() }

// Supply returns the supply's setting.
func (b *Bench) Supply() Source { return b.supply.set }

// Load returns the load's setting.
func (b *Bench) Load() Source { return b.load.set }

func (l *limit) take(s Source) {
	s.Current = max(s.Current, 0)
	l.set = s
	if !(s.Slew > 0) || math.IsInf(s.Slew, 1) {
		l.now = s.Current
	}
}

// Short puts ohms across the link; 0 or less takes it away.
func (b *Bench) Short(ohms float64) {
	b.short = max(ohms, 0)
	b.settle()
}

// Drain makes an idle supply's output conduct so much, S, out of the link; 0 or
// less: nothing.
func (b *Bench) Drain(siemens float64) {
	if g := max(siemens, 0); g != b.drain {
		b.drain = g
		b.settle()
	}
}

// DrainCurrent returns the current that Drain takes out of the link, A.
func (b *Bench) DrainCurrent() float64 { return float64(b.drain * b.link) }

// FuseBlown says that the fuse has opened; it stays so.
func (b *Bench) FuseBlown() bool { return b.blown }

// LinkVoltage returns the voltage across the link, V.
func (b *Bench) LinkVoltage() float64 { return b.link }

// SupplyCurrent returns the supply's current into the link, A.
func (b *Bench) SupplyCurrent() float64 { return b.supplyCurrent }

// LoadCurrent returns the load's current out of the link, A.
func (b *Bench) LoadCurrent() float64 { return b.loadCurrent }

// SupplyHolding says that the supply holds its voltage, not its current.
func (b *Bench) SupplyHolding() bool { return b.supplyHolds }

// LoadHolding says that the load holds its voltage, not its current.
func (b *Bench) LoadHolding() bool { return b.loadHolds }

// Worst returns how far the truth went since ResetWorst or the beginning.
func (b *Bench) Worst() Worst {
	w := b.module.worst
	w.Broken, w.Made = b.broken, b.made
	return w
}

// ResetWorst starts the record of extremes anew from the present moment.
func (b *Bench) ResetWorst() {
	b.broken, b.made = 0, 0
	b.module.ResetWorst()
}

// Counters are totals since the bench began, by the truth.
type Counters struct {
	ChargeIn, ChargeOut float64 // C through the module's terminals, both >= 0
	EnergyIn, EnergyOut float64 // J at the module's terminals, both >= 0
	Heat                float64 // J set free in cells, joints and terminals, reversible heat included
	Bled                float64 // J in the bleed resistors
	Precharge           float64 // J in the precharge resistor
}

// Counters returns the totals since the bench began.
func (b *Bench) Counters() Counters {
	t := b.total
	t.Heat, t.Bled = b.module.heat, b.module.bled
	return t
}

// Clone returns a bench that shares nothing mutable with b.
func (b *Bench) Clone() *Bench {
	n := *b
	n.module = b.module.Clone()
	return &n
}

// AppendState appends the state that decides the future, bit for bit, for a
// digest. It is no storage format.
func (b *Bench) AppendState(dst []byte) []byte {
	num := func(vs ...float64) {
		for _, v := range vs {
			dst = binary.BigEndian.AppendUint64(dst, math.Float64bits(v))
		}
	}
	flag := func(vs ...bool) {
		for _, v := range vs {
			if v {
				dst = append(dst, 1)
			} else {
				dst = append(dst, 0)
			}
		}
	}
	dst = binary.BigEndian.AppendUint64(dst, uint64(b.now))
	c, w := b.closed, b.welded
	flag(c.Negative, c.Precharge, c.Positive, w.Negative, w.Precharge, w.Positive, b.blown)
	num(b.short, b.link, b.melted, b.supply.now, b.load.now)
	for _, s := range [...]Source{b.supply.set, b.load.set} {
		num(s.Current, s.Voltage, s.Slew)
	}
	if b.drain > 0 {
		num(b.drain)
	}
	m := b.module
	num(m.ambient, m.current, m.emf, m.res)
	flag(m.charging)
	for k := range m.cells {
		c := &m.cells[k]
		num(c.q, c.u1, c.u2, c.h, c.kelvin, c.heat, c.v, c.tap, c.bleed, c.ocv, c.r0, c.r1, c.r2,
			c.polarity, c.capacity, c.spread, c.selfDischarge, c.joint, c.leak, c.warmth)
		flag(c.bleeding)
		if c.loose > 0 {
			num(c.weld, c.loose, c.looseAmps, c.looseKelvin)
		}
	}
	return dst
}
