package qualify

import (
	"fmt"
	"math"
	"strconv"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// Status says whether the data proves a figure.
type Status string

// Statuses.
const (
	OK       Status = "ok"
	Unproven Status = "unproven"
)

// Names of the figures of a module. Criteria refer to these; never rename.
// Figures of cells carry the cell's number beside the name.
const (
	// Capacity is the charge of a full discharge in Ah: the mean of the last
	// cycles once these agree.
	Capacity = "capacity"
	// CapacityReceived is a full discharge before balancing, in Ah. It tells
	// how the module arrived and is never judged.
	CapacityReceived = "capacity_as_received"
	// CellCapacity is what the last full discharge tells of each cell's own
	// capacity, in Ah: a bound but for a cell that ended charge and discharge, and
	// never judged.
	CellCapacity = "cell_capacity_at_least"
	// CapacitySpread is the greatest less the least capacity of the cycles that
	// Capacity is the mean of, in % of the rated capacity.
	CapacitySpread = "capacity_spread"
	// Energy is the energy out of the module in the same discharges, in Wh.
	Energy = "energy"
	// ChargeReturned is the charge that refills the module, in Ah, and
	// EnergyReturned the energy, in Wh.
	ChargeReturned = "charge_returned"
	EnergyReturned = "energy_returned"
	// Efficiencies over complete cycles with equal end states, in %.
	CoulombicEfficiency = "coulombic_efficiency"
	EnergyEfficiency    = "energy_efficiency"
	VoltageEfficiency   = "voltage_efficiency"
	// ResistanceSpread is the greatest less the least cell resistance in % of
	// the median, at the longest time of a discharge pulse. The resistances
	// themselves are named by ResistanceName.
	ResistanceSpread = "resistance_spread"
	// JointExcess is what a cell's resistance has over its siblings' median, in
	// mOhm, at the shortest time of a pulse; the module's is the greatest.
	JointExcess = "joint_excess"
	// RestVoltage is each cell's open-circuit voltage after the rest, in V, and
	// RestSpread the greatest less the least, in mV; RestSpreadBefore the same
	// in the last rest before balancing.
	RestVoltage      = "rest_voltage"
	RestSpread       = "rest_voltage_spread"
	RestSpreadBefore = "rest_voltage_spread_before_balancing"
	// SumDifference is how far the sum of the taps lies from the meter at rest,
	// in mV, without its sign.
	SumDifference = "sum_difference"
	// RestUnsettled is how far the worst cell's voltage is from where it would
	// settle, by a fit of the relaxation, in mV.
	RestUnsettled = "rest_unsettled"
	// SelfDischarge of each cell from its drift at rest, in mA, without the
	// monitor's declared drain; the module's is the worst cell's.
	SelfDischarge = "self_discharge"
	// TwoLevel and ModuleTwoLevel are resistances between two currents, in mOhm.
	TwoLevel       = "resistance_two_level"
	ModuleTwoLevel = "module_resistance_two_level"
	// Imbalance is the greatest excess charge over the least when balancing
	// ended, in % of the capacity.
	Imbalance = "imbalance"
	// TemperatureMax is the hottest reading of the run in degC, TemperatureRise
	// the greatest rise of any sensor over its first reading in K, and
	// TemperatureSpread the greatest difference between the sensors of one
	// frame in K, while current flows.
	TemperatureMax    = "temperature_max"
	TemperatureRise   = "temperature_rise"
	TemperatureSpread = "temperature_spread"
	// CapacityLag is how much less charge the weakest cell gave in a discharge than
	// its siblings' median would have, in % of the rated capacity.
	CapacityLag = "capacity_lag"
	// TerminalResistance is what the meter sees beyond the taps per ampere, in
	// mOhm: both terminals and the leads inside the module.
	TerminalResistance = "terminal_resistance"
	// TapNoise is the noise of a tap's readings at rest. No figure is told of it:
	// it is one of the quantities by which cells are held against each other.
	TapNoise = "tap_noise"
	// RestDrift is how fast a cell's resting voltage still moves, mV/h. It is no figure
	// either.
	RestDrift = "rest_drift"
	// OddCells is the number of cells whose resistance, resting voltage or noise does
	// not belong to their siblings'.
	OddCells = "odd_cells"
)

// ResistanceName names the d.c. resistance, in mOhm, the given seconds after
// the edge of a pulse: resistance_10s of each cell and module_resistance_10s of
// the module in discharge, resistance_10s_charge and so on in charge.
func ResistanceName(module bool, after float64, charging bool) string {
	s := "resistance_" + strconv.FormatFloat(after, 'g', -1, 64) + "s"
	if module {
		s = "module_" + s
	}
	if charging {
		s += "_charge"
	}
	return s
}

// Figure is one result. U is the half width of its interval, U = K*u, that holds
// the value with the probability Coverage. K is 2 where Gaussian parts rule,
// Student's factor where readings are few, and comes from propagated
// distributions (JCGM 101:2008) where rectangular accuracies rule.
type Figure struct {
	Name string `json:"name"`
	// Cell is the cell's number, counted from one at the negative end; 0 where
	// the figure is the module's.
	Cell  int     `json:"cell,omitempty"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	U     float64 `json:"U"`
	K     float64 `json:"k"`
	// Coverage is the probability of the interval, gum.Level; 0 without one.
	Coverage float64 `json:"coverage,omitempty"`
	// Spread is the distribution of the value's error, in the figure's unit.
	Spread gum.Spread `json:"spread,omitzero"`
	// NoValue says that there is nothing in Value; Status is Unproven then.
	NoValue bool   `json:"no_value,omitempty"`
	Status  Status `json:"status"`
	// Reason says why a figure is unproven.
	Reason string `json:"reason,omitempty"`
	// Detail tells what belongs to the figure: the cell that ended a step, the
	// rule that was used.
	Detail string `json:"detail,omitempty"`
	// Worst is the cell, from one, that a module's figure is about; 0 where it is
	// about none or not told apart.
	Worst int `json:"worst_cell,omitempty"`
	// Unjudged marks a figure for people only; a criterion that asks for it is
	// unproven.
	Unjudged bool `json:"unjudged,omitempty"`
	// Budget lists what makes up the uncertainty of a module's figure, the
	// greatest part first.
	Budget []Part `json:"budget,omitempty"`
	// Temperature is the mean of the sensors when it was measured, degC; set
	// where a figure depends on it.
	Temperature *float64 `json:"temperature_degC,omitempty"`
}

// Part is one contribution to a standard uncertainty, in the figure's unit.
type Part struct {
	Source string `json:"source"`
	// U is the contribution, signed where the source is Shared: an error of the
	// bench's own instrument that every figure of this bench has in common.
	U      float64 `json:"u"`
	Shared bool    `json:"shared,omitempty"`
}

// Step is what one pass of a profile's step did.
type Step struct {
	Step    int    `json:"step"`
	Pass    int    `json:"pass"`
	Label   string `json:"label"`
	Kind    string `json:"kind"`
	Use     string `json:"use,omitempty"`
	StartUS int64  `json:"start_us"` // microseconds since the Unix epoch
	// Seconds is the time in the step, FlowSeconds that with current.
	Seconds     float64 `json:"seconds"`
	FlowSeconds float64 `json:"flow_seconds"`
	// MeanCurrent (while it flows) in A, Charge in Ah and Energy in Wh are signed: charge is
	// positive. Voltages are the meter's, in V: the last before the step and
	// the last of the step, 0 where the meter gave none.
	MeanCurrent  float64 `json:"mean_current_A"`
	Charge       float64 `json:"charge_Ah"`
	Energy       float64 `json:"energy_Wh"`
	StartVoltage float64 `json:"start_voltage_V"`
	EndVoltage   float64 `json:"end_voltage_V"`
	// End is the machine's word for how the step ended; EndCell the cell (from
	// one) that stood highest when a charge or lowest when a discharge ended.
	End     string `json:"end,omitempty"`
	EndCell int    `json:"end_cell,omitempty"`
	// TempRise is the greatest rise of a sensor in the step, in K.
	TempRise float64 `json:"temperature_rise_K"`
	Status   Status  `json:"status"`
	Reason   string  `json:"reason,omitempty"`
}

// Odd is a cell that does not belong to its siblings.
type Odd struct {
	Figure string  `json:"figure"`
	Cell   int     `json:"cell"`
	Value  float64 `json:"value"`
	Median float64 `json:"median"`
	Unit   string  `json:"unit"`
	// Z is the robust z-score of the value.
	Z    float64 `json:"z"`
	Hint string  `json:"hint"`
}

// Figures are the results of one run.
type Figures struct {
	Module  string   `json:"module"`
	Profile string   `json:"profile"`
	Bench   string   `json:"bench,omitempty"`
	Figures []Figure `json:"figures"`
	Steps   []Step   `json:"steps"`
	Odd     []Odd    `json:"odd,omitempty"`
	// Curve is the incremental capacity curve, for those who look for it.
	Curve []CurvePoint `json:"incremental_capacity,omitempty"`
	// Notes tell what a reader should know: frames left out, steps not listed.
	Notes []string `json:"notes,omitempty"`
	// Frames counts what was used, Left what was left out.
	Frames int64 `json:"frames"`
	Left   int64 `json:"frames_left_out"`
}

// Find returns the module's figure of that name.
func (f *Figures) Find(name string) (Figure, bool) {
	for _, g := range f.Figures {
		if g.Name == name && g.Cell == 0 {
			return g, true
		}
	}
	return Figure{}, false
}

// Cells returns the figures of that name of all cells, in the cells' order.
func (f *Figures) Cells(name string) []Figure {
	var out []Figure
	for _, g := range f.Figures {
		if g.Name == name && g.Cell > 0 {
			out = append(out, g)
		}
	}
	return out
}

// Row is one line of a table for people.
type Row struct {
	Name, Value, Unit, Interval, Note string
}

// Table returns the module's figures as rows in their stable order; figures of
// single cells are left to Cells.
func (f *Figures) Table() []Row {
	var rows []Row
	for _, g := range f.Figures {
		if g.Cell == 0 {
			rows = append(rows, g.Row())
		}
	}
	return rows
}

// Row formats the figure: the interval to two significant digits, the value to
// the same place (GUM 7.2.6).
func (g Figure) Row() Row {
	r := Row{Name: g.Name, Unit: g.Unit, Note: g.Detail}
	if g.Cell > 0 {
		r.Name = fmt.Sprintf("%s cell %d", g.Name, g.Cell)
	}
	if g.Status == Unproven {
		r.Note = "unproven: " + g.Reason
	}
	if g.NoValue {
		r.Value = "-"
		return r
	}
	places := 3
	if g.U > 0 {
		places = min(max(1-int(math.Floor(math.Log10(g.U))), 0), 9)
		r.Interval = strconv.FormatFloat(g.U, 'f', places, 64)
	} else if g.Value == math.Trunc(g.Value) {
		places = 0
	}
	r.Value = strconv.FormatFloat(g.Value, 'f', places, 64)
	return r
}
