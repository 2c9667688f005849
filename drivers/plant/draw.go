package plant

import (
	"fmt"
	"math"
)

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
	// BleedHeat is the part of a bleed resistor's heat that its cell gets.
	BleedHeat float64
	// Ends is how much better the two end cells of the stack are cooled, W/K.
	Ends float64
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
	// Amount and Above: see the kinds.
	Amount float64
	Above  float64 `json:",omitempty"`
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
	LooseJoint                         // Ohm that the joint has more above a current of Above, A
	WarmJoint                          // Ohm that the joint has more above a temperature of Above, K
	OpenPouch                          // part of the group's pouches that is joined, 0.5 say: the others hang in the air
	BadTerminal                        // Ohm added to the terminals, which no tap sees; Cell unused
)

// Streams of a seed, one per drawn quantity, so that widening one spread leaves
// the other draws as they were.
const (
	streamCapacity = iota + 1
	streamResistance
	streamSoC
	streamSelfDischarge
	streamJoint
	streamKelvin
)

// Draw makes a module from a seed: the same seed and build give the same
// module on every processor. A drawn state of charge is held within 0.5 % of
// empty and full. Mistakes in the build or the defects are all errors.
func Draw(seed uint64, b Build, s Spread, defects ...Defect) (*Module, error) {
	spec, err := b.check(s)
	if err != nil {
		return nil, err
	}
	m := &Module{
		spec: spec, cells: make([]cell, b.Series), perDischarge: 1 / spec.Discharge,
		terminals: b.Terminals, bleed: b.Bleed, bleedHeat: b.BleedHeat, ambient: b.Kelvin,
		heatPath: newThermal(&spec, b.Series, b.Ends),
	}
	capacity := drawn(seed, streamCapacity, s.Capacity)
	resistance := drawn(seed, streamResistance, s.Resistance)
	soc := drawn(seed, streamSoC, s.SoC)
	self := drawn(seed, streamSelfDischarge, s.SelfDischarge)
	joint := drawn(seed, streamJoint, s.Joint)
	kelvin := drawn(seed, streamKelvin, s.Kelvin)
	for k := range m.cells {
		c := &m.cells[k]
		c.polarity = 1
		c.setCapacity(float64(spec.Capacity*(1+capacity())), spec.Memory)
		c.spread = 1 + resistance()
		level := b.SoC
		if d := soc(); s.SoC > 0 {
			level = min(max(level+d, 0.005), 0.995)
		}
		c.q = float64(c.capacity * level)
		c.selfDischarge = float64(spec.SelfDischarge * (1 + self()))
		c.joint = float64(b.Joint * (1 + joint()))
		c.kelvin = b.Kelvin + kelvin()
	}
	for _, d := range defects {
		if err := m.spoil(d); err != nil {
			return nil, err
		}
	}
	for k := range m.cells {
		m.cells[k].refresh(&m.spec)
	}
	m.see()
	m.ResetWorst()
	return m, nil
}

// drawn returns a source of deviations of at most reach.
func drawn(seed, stream uint64, reach float64) func() float64 {
	r := NewRand(seed, stream)
	return func() float64 {
		for {
			if z := r.Normal(); z >= -2 && z <= 2 {
				return float64(0.5 * float64(reach*z))
			}
		}
	}
}

// check returns the cell's specification made whole, or what is wrong.
func (b *Build) check(s Spread) (CellSpec, error) {
	spec, err := b.Cell.normal()
	if err != nil {
		return spec, err
	}
	if b.Series < 1 {
		return spec, fmt.Errorf("module: %d cells in series; it needs at least one", b.Series)
	}
	if !(b.Kelvin > 0 && b.Kelvin < 1000) {
		return spec, fmt.Errorf("module: starts at %g K; give an absolute temperature", b.Kelvin)
	}
	if !(b.SoC >= -0.5 && b.SoC <= 1.5) {
		return spec, fmt.Errorf("module: starts at a state of charge of %g; it lies between 0 and 1", b.SoC)
	}
	for _, f := range []struct {
		name       string
		value, max float64
	}{
		{"joint resistance", b.Joint, 1e6}, {"terminal resistance", b.Terminals, 1e6},
		{"bleed resistance", b.Bleed, 1e9}, {"part of the bleed's heat", b.BleedHeat, 1},
		{"end cells' conductance", b.Ends, 1e6},
		{"spread of capacity", s.Capacity, 0.9}, {"spread of resistance", s.Resistance, 0.9},
		{"spread of state of charge", s.SoC, 0.5}, {"spread of self-discharge", s.SelfDischarge, 1},
		{"spread of joints", s.Joint, 1}, {"spread of temperature", s.Kelvin, 50},
	} {
		if !(f.value >= 0 && f.value <= f.max) {
			return spec, fmt.Errorf("module: %s is %g; it must lie between 0 and %g", f.name, f.value, f.max)
		}
	}
	return spec, nil
}

// spoil gives one cell its defect.
func (m *Module) spoil(d Defect) error {
	if d.Cell < 0 || d.Cell >= len(m.cells) {
		return fmt.Errorf("defect: cell index %d; the module has %d cells, counted from 0", d.Cell, len(m.cells))
	}
	if math.IsNaN(d.Amount) || math.IsInf(d.Amount, 0) {
		return fmt.Errorf("defect of cell index %d: amount %g is no number", d.Cell, d.Amount)
	}
	c := &m.cells[d.Cell]
	level := float64(c.q * c.perCapacity)
	switch d.Kind {
	case WeakCell:
		if !(d.Amount >= 0 && d.Amount < 1) {
			return fmt.Errorf("weak cell index %d: a loss of %g; it must lie between 0 and 1", d.Cell, d.Amount)
		}
		c.setCapacity(float64(c.capacity*(1-d.Amount)), m.spec.Memory)
		c.q = float64(level * c.capacity)
	case StiffCell:
		if d.Amount <= -1 {
			return fmt.Errorf("stiff cell index %d: a rise of %g leaves no resistance", d.Cell, d.Amount)
		}
		c.spread = float64(c.spread * (1 + d.Amount))
	case BadJoint:
		if c.joint+d.Amount < 0 {
			return fmt.Errorf("bad joint index %d: %g Ohm more leaves a negative resistance", d.Cell, d.Amount)
		}
		c.joint += d.Amount
	case LooseJoint, WarmJoint:
		if !(d.Amount >= 0 && d.Above >= 0) {
			return fmt.Errorf("loose joint index %d: %g Ohm above %g; neither may be negative", d.Cell, d.Amount, d.Above)
		}
		c.weld, c.loose, c.looseAmps, c.looseKelvin = c.joint, d.Amount, math.Inf(1), math.Inf(1)
		if d.Kind == LooseJoint {
			c.looseAmps = d.Above
		} else {
			c.looseKelvin = d.Above
		}
	case OpenPouch:
		if !(d.Amount > 0 && d.Amount <= 1) {
			return fmt.Errorf("open pouch index %d: %g of the group joined; it must lie above 0 and reach 1 at most", d.Cell, d.Amount)
		}
		c.setCapacity(float64(c.capacity*d.Amount), m.spec.Memory)
		c.q = float64(level * c.capacity)
		c.spread = float64(c.spread / d.Amount)
	case BadTerminal:
		if m.terminals+d.Amount < 0 {
			return fmt.Errorf("bad terminal: %g Ohm more leaves a negative resistance", d.Amount)
		}
		m.terminals += d.Amount
	case LeakingCell:
		c.leak = d.Amount
	case ReversedCell:
		c.polarity = -1
	case DeadCell:
		c.q = float64(m.spec.Chemistry.SoC(d.Amount) * c.capacity)
	case LaggardCell:
		c.q = float64((level - d.Amount) * c.capacity)
	default:
		return fmt.Errorf("defect: unknown kind %d", d.Kind)
	}
	return nil
}
