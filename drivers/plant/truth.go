package plant

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// Len returns the number of cells (groups) in series.
func (m *Module) Len() int { return len(m.cells) }

// Voltage returns the true voltage of cell k at its own terminals, V; positive
// for a healthy cell whichever way round it is welded in.
func (m *Module) Voltage(k int) float64 { return m.cells[k].v }

// Tap returns the voltage between the sense wires of cell k, V: the cell and
// its joint, negative for a reversed cell.
func (m *Module) Tap(k int) float64 { return m.cells[k].tap }

// Kelvin returns the temperature of cell k, K.
func (m *Module) Kelvin(k int) float64 { return m.cells[k].kelvin }

// Ambient returns the ambient temperature, K.
func (m *Module) Ambient() float64 { return m.ambient }

// SoC returns the state of charge of cell k: 0 empty, 1 full; a cell under
// abuse leaves that range.
func (m *Module) SoC(k int) float64 { return float64(m.cells[k].q * m.cells[k].perCapacity) }

// Charge returns the charge in cell k above empty, C.
func (m *Module) Charge(k int) float64 { return m.cells[k].q }

// Capacity returns the true capacity of cell k, C.
func (m *Module) Capacity(k int) float64 { return m.cells[k].capacity }

// Resistance returns the present R0 of cell k in the present direction, joint
// not included, Ohm.
func (m *Module) Resistance(k int) float64 {
	dir, _ := m.direction(&m.cells[k])
	return float64(m.cells[k].r0 * dir)
}

// Joint returns the resistance of joint k, Ohm.
func (m *Module) Joint(k int) float64 { return m.cells[k].joint }

// Polarisation returns the voltage across both RC pairs of cell k, V: what is still
// to relax.
func (m *Module) Polarisation(k int) float64 { return m.cells[k].u1 + m.cells[k].u2 }

// SelfDischarge returns what cell k loses by itself and through a leak, A.
func (m *Module) SelfDischarge(k int) float64 { return m.cells[k].selfDischarge + m.cells[k].leak }

// Excess returns the charge that cell k must lose for all cells to become full
// together, C: zero for the cell that lacks most.
func (m *Module) Excess(k int) float64 {
	lack := math.Inf(-1)
	for j := range m.cells {
		lack = max(lack, m.cells[j].capacity-m.cells[j].q)
	}
	return lack - (m.cells[k].capacity - m.cells[k].q)
}

// Imbalance returns the greatest excess as a part of the smallest capacity.
func (m *Module) Imbalance() float64 {
	most, least := math.Inf(-1), math.Inf(1)
	for j := range m.cells {
		lack := m.cells[j].capacity - m.cells[j].q
		most, least = max(most, lack), min(least, lack)
	}
	return (most - least) / m.Usable()
}

// Usable returns the charge that a full discharge from balanced-full delivers
// at vanishing current: the smallest capacity, C.
func (m *Module) Usable() float64 {
	least := math.Inf(1)
	for j := range m.cells {
		least = min(least, m.cells[j].capacity)
	}
	return least
}

// Current returns the module's current, A, charging positive.
func (m *Module) Current() float64 { return m.current }

// TerminalVoltage returns the voltage across the module's terminals, V.
func (m *Module) TerminalVoltage() float64 { return m.emf + float64(m.res*m.current) }

// SetBleed switches the bleed resistor of cell k; without resistors in the
// build it does nothing.
func (m *Module) SetBleed(k int, on bool) {
	c := &m.cells[k]
	on = on && m.bleed > 0
	if c.bleeding == on {
		return
	}
	c.bleeding, c.bleed = on, 0
	m.settle()
}

// Bleeding says whether cell k bleeds.
func (m *Module) Bleeding(k int) bool { return m.cells[k].bleeding }

// BleedCurrent returns the present current in the bleed resistor of cell k, A.
func (m *Module) BleedCurrent(k int) float64 { return m.cells[k].bleed }

// SetAmbient sets the ambient temperature, K.
func (m *Module) SetAmbient(kelvin float64) { m.ambient = kelvin }

// SetHeat puts extra heat into cell k, W: a fault beside or inside it.
func (m *Module) SetHeat(k int, watts float64) { m.cells[k].warmth = watts }

// SetLeak draws a current inside cell k, A: an internal short. It passes the
// cell's resistance, and its heat stays in the cell.
func (m *Module) SetLeak(k int, amperes float64) {
	m.cells[k].leak = amperes
	m.settle()
}

// SetJoint sets the resistance of joint k, Ohm: a weld that lets go.
func (m *Module) SetJoint(k int, ohms float64) {
	m.cells[k].joint = ohms
	m.settle()
}

// SetSoC sets the state of charge of cell k and lets it rest: polarisation and
// hysteresis are gone.
func (m *Module) SetSoC(k int, soc float64) {
	c := &m.cells[k]
	c.q = float64(soc * c.capacity)
	c.u1, c.u2, c.h = 0, 0, 0
	c.refresh(&m.spec)
	m.settle()
}

// SetKelvin sets the temperature of cell k, K.
func (m *Module) SetKelvin(k int, kelvin float64) {
	c := &m.cells[k]
	c.kelvin = kelvin
	c.refresh(&m.spec)
	m.settle()
	m.worst.KelvinMax = max(m.worst.KelvinMax, kelvin)
	m.worst.KelvinMin = min(m.worst.KelvinMin, kelvin)
}

// Clone returns a module that shares nothing mutable with m.
func (m *Module) Clone() *Module {
	n := *m
	n.cells = append([]cell(nil), m.cells...)
	n.heatPath = m.heatPath.clone()
	return &n
}

// Worst is how far the truth went since the last reset.
type Worst struct {
	VoltageMax, VoltageMin         float64 // V, of any true cell
	VoltageMaxCell, VoltageMinCell int
	KelvinMax, KelvinMin           float64 // K, of any cell
	KelvinMaxCell, KelvinMinCell   int
	ChargeMax, DischargeMax        float64 // A, magnitudes of the module's current
	// Broken is the greatest current, A, that a contactor interrupted; Made the
	// greatest voltage, V, over which the main path closed.
	Broken, Made float64
	// When the first three extremes were reached, since the bench began.
	VoltageMaxAt, VoltageMinAt, KelvinMaxAt drivers.Span
}

// Worst returns how far the truth went since ResetWorst or the beginning.
func (m *Module) Worst() Worst { return m.worst }

// ResetWorst starts the record of extremes anew from the present moment.
func (m *Module) ResetWorst() {
	w := Worst{
		VoltageMax: math.Inf(-1), VoltageMin: math.Inf(1),
		KelvinMax: math.Inf(-1), KelvinMin: math.Inf(1),
	}
	for k := range m.cells {
		t := m.cells[k].kelvin
		if t > w.KelvinMax {
			w.KelvinMax, w.KelvinMaxCell, w.KelvinMaxAt = t, k, m.now
		}
		if t < w.KelvinMin {
			w.KelvinMin, w.KelvinMinCell = t, k
		}
	}
	m.worst = w
	m.output(m.current)
}
