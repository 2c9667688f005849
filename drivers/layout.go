package drivers

import "fmt"

// Kind says what a channel measures.
type Kind uint8

// Channel kinds. Values are stored; never renumber.
const (
	KindUnspecified Kind = iota
	CellVoltage          // Index is the cell group, 0 at the negative end
	Temperature          // Index is the sensor
	ModuleCurrent        // the monitor's shunt in the module's own line
	ModuleVoltage        // independent meter across the article's terminals, signed
	LinkVoltage          // contactor box, on the instruments' side of the contactors
	BoxCurrent           // contactor box's own sensor, independent of the shunt
	SupplyVoltage
	SupplyCurrent // out of the supply, into the link: positive
	LoadVoltage
	LoadCurrent // out of the link, into the load: positive
	BoxState
	SupplyState
	LoadState
	BleedState // Index k carries cells 16k to 16k+15, bit set: bleeding
	MonitorBeat
	MeterBeat
	BoxBeat
	SupplyBeat
	LoadBeat
)

var kindNames = [...]string{
	"unspecified", "cell_voltage", "temperature", "module_current", "module_voltage",
	"link_voltage", "box_current", "supply_voltage", "supply_current", "load_voltage",
	"load_current", "box_state", "supply_state", "load_state", "bleed_state",
	"monitor_beat", "meter_beat", "box_beat", "supply_beat", "load_beat",
}

func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("kind(%d)", uint8(k))
}

// Accuracy is an instrument's declared error: |error| <= Gain*|value| + Offset,
// with Gain in parts per million and Offset in the channel's base unit. It bounds
// every single reading: half a step of rounding and four standard deviations of
// noise are inside it.
type Accuracy struct {
	GainPPM int64 `json:"gain_ppm,omitempty"`
	Offset  int64 `json:"offset,omitempty"`
}

// At returns the greatest error declared at the given value.
func (a Accuracy) At(value int64) int64 {
	if value < 0 {
		value = -value
	}
	return a.Offset + (value/1000)*a.GainPPM/1000 + 1
}

// Channel is one entry of a frame.
type Channel struct {
	Kind     Kind     `json:"kind"`
	Index    int      `json:"index,omitempty"`
	Scale    Scale    `json:"scale"`
	Accuracy Accuracy `json:"accuracy,omitzero"`
	// Skew is how much earlier than the frame's instant the channel was
	// sampled; Window is the length of its averaging window.
	Skew   Span `json:"skew_us,omitempty"`
	Window Span `json:"window_us,omitempty"`
}

// Name is the channel's stable name: cell_01, temperature_3, module_current.
// People count from one.
func (c Channel) Name() string {
	switch c.Kind {
	case CellVoltage:
		return fmt.Sprintf("cell_%02d", c.Index+1)
	case Temperature:
		return fmt.Sprintf("temperature_%d", c.Index+1)
	case BleedState:
		return fmt.Sprintf("bleed_state_%d", c.Index+1)
	}
	return c.Kind.String()
}

// Layout is the ordered list of channels that every frame of a bench follows.
// Cells come first, then temperatures, then one channel of each other kind the
// bench has, then the bleed words.
type Layout struct {
	Channels []Channel `json:"channels"`

	cells, temps, bleeds int
	at                   [LoadBeat + 1]int16
}

// Cells returns the number of cell channels; they are Channels[:Cells()].
func (l *Layout) Cells() int { return l.cells }

// Temps returns the number of temperature channels; they follow the cells.
func (l *Layout) Temps() int { return l.temps }

// Cell returns the position of cell group i.
func (l *Layout) Cell(i int) int { return i }

// Temp returns the position of temperature sensor i.
func (l *Layout) Temp(i int) int { return l.cells + i }

// Bleed returns the position of bleed word k, or -1.
func (l *Layout) Bleed(k int) int {
	if k < 0 || k >= l.bleeds {
		return -1
	}
	return int(l.at[BleedState]) + k
}

// Find returns the position of the first channel of the kind, or -1 where the
// bench has none.
func (l *Layout) Find(k Kind) int {
	if int(k) >= len(l.at) {
		return -1
	}
	return int(l.at[k])
}

// Index prepares the look-ups after the channels were set or decoded, and
// reports a list that breaks the layout's order.
func (l *Layout) Index() error {
	if err := l.index(); err != nil {
		return err
	}
	if l.cells == 0 {
		return fmt.Errorf("layout: no cell channels")
	}
	return nil
}

func (l *Layout) index() error {
	l.cells, l.temps, l.bleeds = 0, 0, 0
	for k := range l.at {
		l.at[k] = -1
	}
	for i, c := range l.Channels {
		if c.Scale.Num <= 0 || c.Scale.Den <= 0 {
			return fmt.Errorf("layout: channel %d (%s): scale %d/%d must be positive", i, c.Name(), c.Scale.Num, c.Scale.Den)
		}
		var want int
		switch c.Kind {
		case CellVoltage:
			want, l.cells = l.cells, l.cells+1
			if i != want {
				return fmt.Errorf("layout: %s stands at position %d; cells come first", c.Name(), i)
			}
		case Temperature:
			want, l.temps = l.temps, l.temps+1
			if i != l.cells+want {
				return fmt.Errorf("layout: %s stands at position %d; temperatures follow the cells", c.Name(), i)
			}
		case BleedState:
			want, l.bleeds = l.bleeds, l.bleeds+1
		case KindUnspecified:
			return fmt.Errorf("layout: channel %d has no kind", i)
		default:
			if int(c.Kind) >= len(l.at) {
				return fmt.Errorf("layout: channel %d has unknown kind %d", i, c.Kind)
			}
			if l.at[c.Kind] >= 0 {
				return fmt.Errorf("layout: %s appears twice", c.Name())
			}
		}
		if c.Index != want {
			return fmt.Errorf("layout: %s at position %d: expected index %d", c.Name(), i, want)
		}
		if l.at[c.Kind] < 0 {
			l.at[c.Kind] = int16(i)
		}
	}
	return nil
}
