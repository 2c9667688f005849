package plant

import "github.com/rigwarden/rigwarden/drivers"

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
// instrument holds the link's voltage with less current. Current 0 is off.
type Source struct {
	Current, Voltage, Slew float64
}

// Contacts is the true state of the contactors' contacts. The link is
// connected when Negative and at least one of the others are closed.
type Contacts struct{ Negative, Precharge, Positive bool }

// Bench is a module in its network, and the present moment.
type Bench struct{ module *Module }

// NewBench puts a module, which it then owns, into a network with open
// contactors, a discharged link and both instruments off.
func NewBench(m *Module, n Network) (*Bench, error) { return nil, nil }

// Module returns the article, for looking and for its faults and bleeds.
func (b *Bench) Module() *Module { return b.module }

// Now returns the time since the bench began.
func (b *Bench) Now() drivers.Span { return 0 }

// Advance moves time forward by d. What was set before holds all the while; to
// let an event land, advance to it, set, and advance on.
func (b *Bench) Advance(d drivers.Span) {}

// Switch sets the contacts at once. A welded contact stays closed.
func (b *Bench) Switch(c Contacts) {}

// Weld makes the given contacts stay closed from now on: those open now stay
// open until they are next closed.
func (b *Bench) Weld(c Contacts) {}

// Contacts returns the true state of the contacts.
func (b *Bench) Contacts() Contacts { return Contacts{} }

// SetSupply and SetLoad change the instruments' settings now.
func (b *Bench) SetSupply(s Source) {}

// SetLoad changes the load's setting now.
func (b *Bench) SetLoad(s Source) {}

// Short puts ohms across the link; 0 or less takes it away.
func (b *Bench) Short(ohms float64) {}

// FuseBlown says that the fuse has opened; it stays so.
func (b *Bench) FuseBlown() bool { return false }

// LinkVoltage returns the voltage across the link, V.
func (b *Bench) LinkVoltage() float64 { return 0 }

// SupplyCurrent returns the supply's current into the link, A.
func (b *Bench) SupplyCurrent() float64 { return 0 }

// LoadCurrent returns the load's current out of the link, A.
func (b *Bench) LoadCurrent() float64 { return 0 }

// SupplyHolding says that the supply holds its voltage, not its current.
func (b *Bench) SupplyHolding() bool { return false }

// LoadHolding says that the load holds its voltage, not its current.
func (b *Bench) LoadHolding() bool { return false }

// Worst returns how far the truth went since ResetWorst or the beginning.
func (b *Bench) Worst() Worst { return Worst{} }

// ResetWorst starts the record of extremes anew from the present moment.
func (b *Bench) ResetWorst() {}

// Counters returns the exact totals since the bench began.
func (b *Bench) Counters() Counters { return Counters{} }

// Clone returns a bench that shares nothing mutable with b.
func (b *Bench) Clone() *Bench { return nil }

// AppendState appends the whole state, bit for bit, for a digest.
func (b *Bench) AppendState(dst []byte) []byte { return dst }

// Counters are totals since the bench began, by the truth.
type Counters struct {
	ChargeIn, ChargeOut float64 // C through the module's terminals, both >= 0
	EnergyIn, EnergyOut float64 // J at the module's terminals, both >= 0
	Heat                float64 // J set free in cells and joints
	Bled                float64 // J in the bleed resistors
	Precharge           float64 // J in the precharge resistor
}
