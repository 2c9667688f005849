package plant

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
	Polarisation Effect = 1 << iota // both RC pairs
	Temperature                     // Arrhenius dependence of the resistances
	ChargeState                     // their dependence on state of charge
	Direction                       // their dependence on direction
	Hysteresis
	Entropy
	Efficiency
	SelfDischarge
	Heating // the temperature never moves

	AllEffects = Polarisation | Temperature | ChargeState | Direction | Hysteresis |
		Entropy | Efficiency | SelfDischarge | Heating
)

// Without returns s with the given effects switched off.
func (s CellSpec) Without(e Effect) CellSpec { return s }

// Parallel returns the group of n equal cells of s in parallel.
func (s CellSpec) Parallel(n int) CellSpec { return s }

// PouchLFP is our invented 20 Ah LFP pouch cell: 25 degC figures of the usual
// size for such a cell (common practice, no source).
func PouchLFP() CellSpec { return CellSpec{} }

// PouchNMC is our invented 20 Ah NMC pouch cell (common practice, no source).
func PouchNMC() CellSpec { return CellSpec{} }
