package plant

import "github.com/rigwarden/rigwarden/drivers"

// Module is N cells in series with their joints and terminals. It is made by
// Draw, moved by a Bench or a Parallel, and looked at by anyone. All it tells
// is the truth; no instrument sees it exactly.
type Module struct{ cells []cell }

type cell struct{ v, tap, kelvin, soc, q, capacity float64 }

// Len returns the number of cells (groups) in series.
func (m *Module) Len() int { return len(m.cells) }

// Voltage returns the true voltage of cell k at its own terminals, V.
func (m *Module) Voltage(k int) float64 { return m.cells[k].v }

// Tap returns the voltage between the sense wires of cell k, V: the cell and
// its joint, negative for a reversed cell.
func (m *Module) Tap(k int) float64 { return m.cells[k].tap }

// Kelvin returns the temperature of cell k, K.
func (m *Module) Kelvin(k int) float64 { return m.cells[k].kelvin }

// Ambient returns the ambient temperature, K.
func (m *Module) Ambient() float64 { return 0 }

// SoC returns the state of charge of cell k: 0 empty, 1 full; a cell under
// abuse leaves that range.
func (m *Module) SoC(k int) float64 { return m.cells[k].soc }

// Charge returns the charge in cell k above empty, C.
func (m *Module) Charge(k int) float64 { return m.cells[k].q }

// Capacity returns the true capacity of cell k, C.
func (m *Module) Capacity(k int) float64 { return m.cells[k].capacity }

// Resistance returns the present R0 of cell k, joint not included, Ohm.
func (m *Module) Resistance(k int) float64 { return 0 }

// Excess returns the charge that cell k must lose for all cells to become full
// together, C: zero for the cell that lacks most.
func (m *Module) Excess(k int) float64 { return 0 }

// Imbalance returns the greatest excess as a part of the smallest capacity.
func (m *Module) Imbalance() float64 { return 0 }

// Usable returns the charge that a full discharge from balanced-full would
// deliver: the smallest capacity, C.
func (m *Module) Usable() float64 { return 0 }

// Current returns the module's current, A, charging positive.
func (m *Module) Current() float64 { return 0 }

// TerminalVoltage returns the voltage across the module's terminals, V.
func (m *Module) TerminalVoltage() float64 { return 0 }

// SetBleed switches the bleed resistor of cell k.
func (m *Module) SetBleed(k int, on bool) {}

// Bleeding says whether cell k bleeds.
func (m *Module) Bleeding(k int) bool { return false }

// BleedCurrent returns the present current in the bleed resistor of cell k, A.
func (m *Module) BleedCurrent(k int) float64 { return 0 }

// SetAmbient sets the ambient temperature, K.
func (m *Module) SetAmbient(kelvin float64) {}

// SetHeat puts extra heat into cell k, W: a fault beside or inside it.
func (m *Module) SetHeat(k int, watts float64) {}

// SetLeak draws a current inside cell k, A: a soft internal short. Its heat
// stays in the cell.
func (m *Module) SetLeak(k int, amperes float64) {}

// SetJoint sets the resistance of joint k, Ohm: a weld that lets go.
func (m *Module) SetJoint(k int, ohms float64) {}

// SetSoC sets the state of charge of cell k and lets it rest (no polarisation).
func (m *Module) SetSoC(k int, soc float64) {}

// Clone returns a module that shares nothing mutable with m.
func (m *Module) Clone() *Module { return nil }

// Worst is how far the truth went since the last reset.
type Worst struct {
	VoltageMax, VoltageMin       float64 // V, of any true cell
	VoltageMaxCell               int
	VoltageMinCell               int
	KelvinMax, KelvinMin         float64 // K, of any cell
	KelvinMaxCell, KelvinMinCell int
	ChargeMax, DischargeMax      float64 // A, magnitudes of the module's current
	// Broken is the greatest current, A, that a contactor interrupted; Made the
	// greatest voltage, V, over which the main contactors closed.
	Broken, Made float64
	// At is when each of the first extremes was reached, since the bench began.
	VoltageMaxAt, VoltageMinAt, KelvinMaxAt drivers.Span
}
