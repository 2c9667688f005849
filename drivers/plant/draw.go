package plant

// Build says what a module is made of, before chance has its part.
type Build struct {
	Cell   CellSpec // of one group, parallel count folded in
	Series int
	// SoC is the state of charge at the start, Kelvin the temperature of cells
	// and ambient.
	SoC    float64
	Kelvin float64
	// Joint is the resistance of one weld, Ohm. Joint k is the weld at the
	// positive end of cell k, and the sense wires sit beyond it: its voltage
	// counts in tap k and not in the cell's own voltage.
	Joint float64
	// Terminals is the resistance of both terminals and leads inside the
	// module together, Ohm; it counts in no tap.
	Terminals float64
	// Bleed is each cell's bleed resistor, Ohm, across tap k; 0: none.
	Bleed float64
}

// Spread is how far a module's cells differ from their build: the greatest
// deviation. Each is drawn from a normal distribution whose standard deviation
// is half of it, drawn again when outside.
type Spread struct {
	Capacity      float64 // relative
	Resistance    float64 // relative; R0 and both pairs alike
	SoC           float64 // absolute, part of the capacity
	SelfDischarge float64 // relative
	Joint         float64 // relative
	Kelvin        float64 // K, of the temperature at the start
}

// Defect is a named fault of manufacture of one cell.
type Defect struct {
	Kind DefectKind
	Cell int
	// Amount: see the kinds.
	Amount float64
}

// DefectKind names a defect.
type DefectKind uint8

// Kinds of defect, with what Amount means.
const (
	WeakCell     DefectKind = iota + 1 // relative loss of capacity, 0.1 say
	StiffCell                          // relative rise of resistance
	BadJoint                           // Ohm added to the joint
	LeakingCell                        // A of leak, always
	ReversedCell                       // welded in the wrong way round; Amount unused
	DeadCell                           // open-circuit voltage at the start, V (near 0)
	LaggardCell                        // state of charge below the others', 0.05 say
)

// Draw makes a module from a seed: the same seed and build give the same
// module on every processor.
func Draw(seed uint64, b Build, s Spread, defects ...Defect) (*Module, error) { return nil, nil }
