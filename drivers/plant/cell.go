package plant

import (
	"fmt"
	"math"
)

// Constants of nature and of the reference state.
const (
	gasConstant = 8.314462618 // J/(mol K), SI 2019
	kelvin25C   = 298.15
)

// Pair is one RC pair of a cell's equivalent circuit.
type Pair struct {
	R   float64 // Ohm at 25 degC and half charge, while charging
	Tau float64 // s, held constant: the capacitance follows R
}

// CellSpec describes a cell, or a parallel group of cells (see Parallel), as
// its equivalent circuit and heat capacity. An effect whose field is zero is
// off (for Efficiency and Discharge, 1 is off and 0 is read as 1).
type CellSpec struct {
	Chemistry *Chemistry
	Capacity  float64 // C (coulomb) between state of charge 0 and 1
	R0        float64 // Ohm at 25 degC and half charge, while charging
	Pairs     [2]Pair

	// Activation is the Arrhenius energy of R0 and both pairs, J/mol.
	Activation float64
	// Rise is the relative rise of the resistances at state of charge 0 and 1
	// over half charge; it grows with the square of the distance.
	Rise float64
	// Discharge multiplies the resistances while discharging.
	Discharge float64

	// Hysteresis is half the gap between the charge and the discharge branch of
	// the open-circuit voltage, V; Memory is the part of the capacity that must
	// flow for the branch to come nearer by a factor e (0.02, say).
	Hysteresis, Memory float64

	Efficiency    float64 // coulombic: part of the charging charge that is stored
	SelfDischarge float64 // A inside the cell, always

	// Entropy switches dU/dT: reversible heat and the shift of the voltage.
	Entropy bool

	HeatCapacity float64 // J/K; 0: the temperature never moves
	ToAmbient    float64 // W/K
	ToNeighbour  float64 // W/K to each neighbour in the stack
}

// Effect names parts of the physics that can be switched off, so that a closed
// form can judge what is left.
type Effect uint16

// Effects.
const (
	Polarisation  Effect = 1 << iota // both RC pairs
	Temperature                      // Arrhenius dependence of the resistances
	ChargeState                      // their dependence on state of charge
	Direction                        // their dependence on direction
	Hysteresis                       // of the open-circuit voltage
	Entropy                          // reversible heat and the voltage's shift
	Efficiency                       // coulombic losses
	SelfDischarge                    // inside the cell
	Heating                          // the temperature never moves

	AllEffects = Polarisation | Temperature | ChargeState | Direction | Hysteresis |
		Entropy | Efficiency | SelfDischarge | Heating
)

// Without returns s with the given effects switched off.
func (s CellSpec) Without(e Effect) CellSpec {
	if e&Polarisation != 0 {
		s.Pairs = [2]Pair{}
	}
	if e&Temperature != 0 {
		s.Activation = 0
	}
	if e&ChargeState != 0 {
		s.Rise = 0
	}
	if e&Direction != 0 {
		s.Discharge = 1
	}
	if e&Hysteresis != 0 {
		s.Hysteresis = 0
	}
	if e&Entropy != 0 {
		s.Entropy = false
	}
	if e&Efficiency != 0 {
		s.Efficiency = 1
	}
	if e&SelfDischarge != 0 {
		s.SelfDischarge = 0
	}
	if e&Heating != 0 {
		s.HeatCapacity = 0
	}
	return s
}

// Parallel returns the group of n equal cells of s in parallel, as one cell.
// ToNeighbour stays: groups touch their neighbours by one cell's face.
func (s CellSpec) Parallel(n int) CellSpec {
	k := float64(n)
	s.Capacity = float64(s.Capacity * k)
	s.R0 /= k
	s.Pairs[0].R /= k
	s.Pairs[1].R /= k
	s.SelfDischarge = float64(s.SelfDischarge * k)
	s.HeatCapacity = float64(s.HeatCapacity * k)
	s.ToAmbient = float64(s.ToAmbient * k)
	return s
}

// normal returns s with the fields that read 0 as 1 filled in, or what is
// wrong with it.
func (s CellSpec) normal() (CellSpec, error) {
	if s.Discharge == 0 {
		s.Discharge = 1
	}
	if s.Efficiency == 0 {
		s.Efficiency = 1
	}
	if s.Chemistry == nil {
		return s, fmt.Errorf("cell: no chemistry; LFP, NMC811 or Linear make one")
	}
	if !(s.Capacity > 0) || math.IsInf(s.Capacity, 0) {
		return s, fmt.Errorf("cell: capacity %g C; it must be positive", s.Capacity)
	}
	if !(s.Efficiency > 0 && s.Efficiency <= 1) {
		return s, fmt.Errorf("cell: coulombic efficiency %g; it must be over 0 and at most 1", s.Efficiency)
	}
	if !(s.Discharge > 0) || math.IsInf(s.Discharge, 0) {
		return s, fmt.Errorf("cell: discharge factor %g; it must be positive", s.Discharge)
	}
	if s.Hysteresis != 0 && !(s.Memory > 0) {
		return s, fmt.Errorf("cell: hysteresis of %g V needs a positive memory, have %g", s.Hysteresis, s.Memory)
	}
	for _, f := range []struct {
		name  string
		value float64
	}{
		{"R0", s.R0}, {"first pair's R", s.Pairs[0].R}, {"first pair's time constant", s.Pairs[0].Tau},
		{"second pair's R", s.Pairs[1].R}, {"second pair's time constant", s.Pairs[1].Tau},
		{"activation energy", s.Activation}, {"rise", s.Rise},
		{"hysteresis", s.Hysteresis}, {"self-discharge", s.SelfDischarge}, {"heat capacity", s.HeatCapacity},
		{"conductance to ambient", s.ToAmbient}, {"conductance to neighbours", s.ToNeighbour},
	} {
		if !(f.value >= 0) || math.IsInf(f.value, 0) {
			return s, fmt.Errorf("cell: %s is %g; it must be finite and not negative", f.name, f.value)
		}
	}
	return s, nil
}

// PouchLFP is our invented 20 Ah LFP pouch cell; all figures are of the usual
// size for such a cell (common practice, no source), the activation energy and
// the rise at both ends those of a published sample circuit (check values,
// section 8: 20 kJ/mol, 20 %).
func PouchLFP() CellSpec {
	return CellSpec{
		Chemistry:     LFP(),
		Capacity:      20 * 3600,
		R0:            1.5e-3,
		Pairs:         [2]Pair{{R: 0.8e-3, Tau: 4}, {R: 1.0e-3, Tau: 80}},
		Activation:    20e3,
		Rise:          0.2,
		Discharge:     1.08,
		Hysteresis:    8e-3,
		Memory:        0.03,
		Efficiency:    0.9998,
		SelfDischarge: 0.2e-3,
		Entropy:       true,
		HeatCapacity:  450,
		ToAmbient:     0.30,
		ToNeighbour:   3.0,
	}
}

// PouchNMC is our invented 20 Ah NMC pouch cell (common practice, no source).
func PouchNMC() CellSpec {
	s := PouchLFP()
	s.Chemistry = NMC811()
	s.R0 = 1.2e-3
	s.Pairs = [2]Pair{{R: 0.7e-3, Tau: 3}, {R: 0.9e-3, Tau: 60}}
	s.Activation = 25e3
	s.Hysteresis, s.Memory = 3e-3, 0.03
	s.Efficiency = 0.9995
	s.HeatCapacity = 400
	return s
}

// cell is one cell's state beside what the step needs to know of it, laid out
// for one pass over all cells.
type cell struct {
	// State.
	q      float64 // C above empty
	u1, u2 float64 // V on the RC pairs
	h      float64 // -1 on the discharge branch to 1 on the charge branch
	kelvin float64
	heat   float64 // J set free since the last thermal step

	// As seen from outside, for the present current.
	v      float64 // V at the cell's own terminals
	tap    float64 // V between the sense wires
	bleed  float64 // A in the bleed resistor, from tap + to tap -
	ocv    float64 // V, hysteresis not included
	source float64 // V of the tap at no current
	rho    float64 // Ohm between the taps

	// Refreshed once a second.
	r0, r1, r2 float64 // Ohm, while charging
	g1, g2     float64 // tau/(2R), while charging: energy kept per squared volt
	shift      float64 // V by which entropy moves the open-circuit voltage
	entropy    float64 // V/K

	// Drawn, or set by a fault.
	polarity      float64 // -1 for a cell welded in the wrong way round
	capacity      float64 // C
	perCapacity   float64 // 1/C
	perMemory     float64 // 1/C
	spread        float64 // factor on the resistances
	selfDischarge float64 // A
	joint         float64 // Ohm, as it is now
	leak          float64 // A
	warmth        float64 // W of extra heat
	bleeding      bool
	// A joint that lets go: loose comes on top of weld, Ohm, above a current, A,
	// or a temperature, K.
	weld, loose, looseAmps, looseKelvin float64
}

// settleJoint makes a loose joint what the current leaves of it.
func (c *cell) settleJoint(current float64) {
	if c.loose == 0 {
		return
	}
	c.joint = c.weld
	if current > c.looseAmps || -current > c.looseAmps || c.kelvin > c.looseKelvin {
		c.joint += c.loose
	}
}

// setCapacity keeps the reciprocals beside the capacity.
func (c *cell) setCapacity(capacity, memory float64) {
	c.capacity = capacity
	c.perCapacity = 1 / capacity
	c.perMemory = 0
	if memory > 0 {
		c.perMemory = 1 / float64(memory*capacity)
	}
}

// refresh brings the slow dependences up to the cell's temperature and charge.
func (c *cell) refresh(s *CellSpec) {
	soc := float64(c.q * c.perCapacity)
	k := c.spread
	if s.Activation > 0 {
		k = float64(k * Exp(float64(s.Activation/gasConstant*(1/c.kelvin-1/kelvin25C))))
	}
	if s.Rise > 0 {
		d := min(max(float64(2*soc)-1, -1.5), 1.5)
		k = float64(k * (1 + float64(s.Rise*float64(d*d))))
	}
	c.r0 = float64(s.R0 * k)
	c.r1 = float64(s.Pairs[0].R * k)
	c.r2 = float64(s.Pairs[1].R * k)
	c.g1, c.g2 = 0, 0
	if c.r1 > 0 {
		c.g1 = s.Pairs[0].Tau / float64(2*c.r1)
	}
	if c.r2 > 0 {
		c.g2 = s.Pairs[1].Tau / float64(2*c.r2)
	}
	if s.Entropy {
		c.entropy = s.Chemistry.Entropy(soc)
		c.shift = float64(c.entropy * (c.kelvin - kelvin25C))
	}
}
