package drivers

import "strings"

// Bench describes the instruments of one bench: what they can do, how well
// they measure, how fast they react. It comes from the bench file; the machine,
// the host and the virtual bench all work from this one description.
type Bench struct {
	Name    string      `json:"name"`
	Monitor MonitorSpec `json:"monitor"`
	Supply  PowerSpec   `json:"supply"`
	Load    PowerSpec   `json:"load"`
	Box     BoxSpec     `json:"box"`
	Meter   MeterSpec   `json:"meter"`
	// Lease is how long the bench stays energised without a renewal.
	Lease Span `json:"lease_us"`
	// BehindWires says, by the bench file's own word, that virtual instruments
	// answer at its addresses.
	BehindWires bool `json:"behind_wires,omitempty"`
}

// Wire is how an instrument is reached, and who must answer there.
type Wire struct {
	// Driver names the driver: virtual, scpi, canbus, modbus, plugin.
	Driver string `json:"driver"`
	// Address is where the instrument answers, in the driver's own form.
	Address string `json:"address,omitempty"`
	// Map is the file that tells the driver how this instrument speaks: an SCPI
	// dialect, a CAN signal map, a Modbus register map. As written in the bench
	// file: a shipped name, or a path seen from that file.
	Map string `json:"map,omitempty"`
	// MapDigest is the SHA-256 of what that file, and a DBC file that it names,
	// said when the run was planned, in hex: readings mean what they say. The
	// program that opens the drivers fills it in.
	MapDigest string `json:"map_digest,omitempty"`
	// Expect is what the instrument must say of itself; parts left empty are
	// not compared (ErrIdentity).
	Expect Identity `json:"expect,omitzero"`
}

// MonitorSpec describes a cell monitor.
type MonitorSpec struct {
	Wire
	Cells int `json:"cells"`
	Temps int `json:"temps"`
	// Period is the time between readings.
	Period Span `json:"period_us"`
	// Steps of the readings and their declared accuracies.
	CellStep     Microvolts `json:"cell_step_uV"`
	CellAccuracy Accuracy   `json:"cell_accuracy"`
	// CellErrors says how the taps err: each on its own, or all together by the
	// monitor's reference. Where it is not declared, an uncertainty takes
	// whichever is worse.
	CellErrors   CellErrors   `json:"cell_errors,omitempty"`
	TempStep     Millikelvins `json:"temp_step_mK"`
	TempAccuracy Accuracy     `json:"temp_accuracy"`
	CurrentStep  Microamps    `json:"current_step_uA"`
	CurrentAcc   Accuracy     `json:"current_accuracy"`
	CurrentRange Microamps    `json:"current_range_uA"`
	// Skew is how much earlier than the current the cells are sampled, at most;
	// Window is the averaging window of a cell's and the current's reading.
	Skew   Span `json:"skew_us"`
	Window Span `json:"window_us"`
	// Drain is what the monitor itself takes out of the cells at rest, and
	// DrainWithin how far that may be off; both 0: not declared.
	Drain       Microamps `json:"drain_uA,omitempty"`
	DrainWithin Microamps `json:"drain_within_uA,omitempty"`
	// Bleed is the resistance of each cell's bleed path; 0: no bleeding.
	Bleed Microohms `json:"bleed_uOhm"`
	// BleedNeighbours says whether two neighbouring cells may bleed at once.
	BleedNeighbours bool `json:"bleed_neighbours"`
	// BleedTimeout is how long the monitor bleeds without a renewed command.
	BleedTimeout Span `json:"bleed_timeout_us"`
}

// CellErrors says what the errors of one monitor's taps have in common.
type CellErrors string

// How taps err.
const (
	ErrorsUndeclared CellErrors = ""
	ErrorsOwn        CellErrors = "own"
	ErrorsShared     CellErrors = "shared"
)

// PowerSpec describes a supply or a load.
type PowerSpec struct {
	Wire
	VoltageMax  Microvolts `json:"voltage_max_uV"`
	CurrentMax  Microamps  `json:"current_max_uA"`
	PowerMaxMW  int64      `json:"power_max_mW"`
	VoltageStep Microvolts `json:"voltage_step_uV"`
	CurrentStep Microamps  `json:"current_step_uA"`
	VoltageAcc  Accuracy   `json:"voltage_accuracy"`
	CurrentAcc  Accuracy   `json:"current_accuracy"`
	// Delay is the longest time from a command to the output's first reaction;
	// Slew is how fast the current then changes, in uA per second.
	Delay Span      `json:"delay_us"`
	Slew  Microamps `json:"slew_uA_per_s"`
	// CommTimeout is the instrument's own silence limit; 0: it has none.
	CommTimeout Span `json:"comm_timeout_us"`
}

// BoxSpec describes a contactor box.
type BoxSpec struct {
	Wire
	Precharge Microohms `json:"precharge_uOhm"`
	// ResistorEnergy is what the precharge resistor may take at once, and
	// ResistorSpan how long it needs to shed all of it; 0: not declared.
	ResistorEnergy Energy     `json:"resistor_uJ,omitempty"`
	ResistorSpan   Span       `json:"resistor_us,omitempty"`
	LinkNF         int64      `json:"link_nF"`
	LinkBleed      Microohms  `json:"link_bleed_uOhm"` // 0: none
	LinkStep       Microvolts `json:"link_step_uV"`
	LinkAcc        Accuracy   `json:"link_accuracy"`
	// LinkPeriod is the time between readings while precharging.
	LinkPeriod Span `json:"link_period_us"`
	// DifferenceMax is the greatest voltage across a contactor that may close.
	DifferenceMax Microvolts `json:"difference_max_uV"`
	// OpeningCurrent may be opened at any time without wear; BreakingCurrent is
	// the declared breaking rating; OpeningTime is how long after a halt the
	// contactors wait for the current to fall (INV-03).
	OpeningCurrent  Microamps `json:"opening_current_uA"`
	BreakingCurrent Microamps `json:"breaking_current_uA"`
	OpeningTime     Span      `json:"opening_time_us"`
	// SwitchTime is the longest time from a command to the contact's feedback.
	SwitchTime  Span      `json:"switch_time_us"`
	CurrentStep Microamps `json:"current_step_uA"` // 0: no current sensor
	CurrentAcc  Accuracy  `json:"current_accuracy"`
	Heartbeat   Span      `json:"heartbeat_us"` // drops out without one; 0: never
}

// MeterSpec describes the independent voltmeter across the article.
type MeterSpec struct {
	Wire
	VoltageStep Microvolts `json:"voltage_step_uV"`
	VoltageAcc  Accuracy   `json:"voltage_accuracy"`
}

// Wires returns how each instrument is reached, by role: monitor, supply, load,
// box, meter. They may be changed in place.
func (b *Bench) Wires() map[string]*Wire {
	return map[string]*Wire{
		"monitor": &b.Monitor.Wire, "supply": &b.Supply.Wire, "load": &b.Load.Wire, "box": &b.Box.Wire, "meter": &b.Meter.Wire,
	}
}

// What a virtual instrument says of itself on a real wire: its maker, and how its
// model begins.
const (
	VirtualMaker = "rigwarden"
	VirtualModel = "virtual "
)

// Simulated says that what the bench measures belongs to no real article: an
// instrument is a virtual one, by its driver, by who must answer at its address,
// or by the bench file's word. What such a bench measures releases nothing.
func (b *Bench) Simulated() bool {
	for _, w := range b.Wires() {
		if w.Driver == "virtual" || w.Expect.Maker == VirtualMaker && strings.HasPrefix(w.Expect.Model, VirtualModel) {
			return true
		}
	}
	return b.BehindWires
}

// SilenceMargin is how much later than declared an instrument may be off by
// itself: its own timer may be a tenth late (common practice, no source), and its
// next measurement must show it. To this a silence limit is proven, and plans and
// printed paths count on no less.
func (b *Bench) SilenceMargin(timeout Span) Span { return timeout/10 + b.Monitor.Period }

// plain carries beats and state bits unscaled.
var plain = Scale{Num: 1, Den: 1}

// Layout returns the channels of the bench's frames, in order.
func (b *Bench) Layout() (*Layout, error) {
	l := b.channels()
	return l, l.Index()
}

func (b *Bench) channels() *Layout {
	m := &b.Monitor
	l := &Layout{}
	add := func(k Kind, i int, step int64, a Accuracy, skew, window Span) {
		l.Channels = append(l.Channels, Channel{Kind: k, Index: i, Scale: Scale{Num: step, Den: 1}, Accuracy: a, Skew: skew, Window: window})
	}
	for i := range m.Cells {
		add(CellVoltage, i, int64(m.CellStep), m.CellAccuracy, m.Skew, m.Window)
	}
	for i := range m.Temps {
		add(Temperature, i, int64(m.TempStep), m.TempAccuracy, 0, 0)
	}
	add(ModuleCurrent, 0, int64(m.CurrentStep), m.CurrentAcc, 0, m.Window)
	add(ModuleVoltage, 0, int64(b.Meter.VoltageStep), b.Meter.VoltageAcc, 0, 0)
	add(LinkVoltage, 0, int64(b.Box.LinkStep), b.Box.LinkAcc, 0, 0)
	if b.Box.CurrentStep > 0 {
		add(BoxCurrent, 0, int64(b.Box.CurrentStep), b.Box.CurrentAcc, 0, 0)
	}
	for _, p := range []struct {
		spec          *PowerSpec
		volts, ampere Kind
	}{{&b.Supply, SupplyVoltage, SupplyCurrent}, {&b.Load, LoadVoltage, LoadCurrent}} {
		add(p.volts, 0, int64(p.spec.VoltageStep), p.spec.VoltageAcc, 0, 0)
		add(p.ampere, 0, int64(p.spec.CurrentStep), p.spec.CurrentAcc, 0, 0)
	}
	for _, k := range []Kind{BoxState, SupplyState, LoadState, MonitorBeat, MeterBeat, BoxBeat, SupplyBeat, LoadBeat} {
		l.Channels = append(l.Channels, Channel{Kind: k, Scale: plain})
	}
	for k := 0; k*16 < m.Cells; k++ {
		l.Channels = append(l.Channels, Channel{Kind: BleedState, Index: k, Scale: plain})
	}
	return l
}
