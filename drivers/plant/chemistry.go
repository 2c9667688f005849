package plant

// Chemistry is a full cell's open-circuit voltage against state of charge, and
// how that voltage moves with temperature. It is immutable and shared.
type Chemistry struct {
	name  string
	table [tableSize + 1]float64 // V at equal steps of state of charge, at 25 degC
	// entropy is dU/dT in V/K at equal steps of state of charge.
	entropy []float64
}

// tableSize is the number of intervals: every multiple of 0.00025 is a node,
// so the published tables' nodes are ours too.
const tableSize = 4000

// Name returns the chemistry's name: "LFP", "NMC811".
func (c *Chemistry) Name() string { return c.name }

// LFP is LFP against graphite.
func LFP() *Chemistry { return nil }

// NMC811 is NMC811 against graphite-SiOx.
func NMC811() *Chemistry { return nil }

// Linear is a chemistry whose voltage rises in a straight line from empty to
// full volts: a capacitor, or with both equal an ideal source. For closed forms.
func Linear(empty, full float64) *Chemistry { return nil }

// OCV returns the open-circuit voltage at 25 degC, V. Outside 0 to 1 the end's
// slope goes on.
func (c *Chemistry) OCV(soc float64) float64 { return 0 }

// SoC returns the state of charge whose open-circuit voltage is v.
func (c *Chemistry) SoC(v float64) float64 { return 0 }

// Entropy returns dU/dT, V/K.
func (c *Chemistry) Entropy(soc float64) float64 { return 0 }
