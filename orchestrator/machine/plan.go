package machine

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// Plan is a compiled profile: everything the machine needs to run one article
// on one bench, in integers. profiles.Compile is the only maker; run, preview,
// rehearsal and proof use its result unchanged, and it is stored with the run.
type Plan struct {
	Profile string `json:"profile"`
	Module  string `json:"module"` // serial
	// ModuleDigest names the registered module file the plan was made from.
	ModuleDigest string `json:"module_digest"`
	// BenchDigest names the bench file, in a plan that proves its protections.
	BenchDigest string         `json:"bench_digest,omitempty"`
	Bench       drivers.Bench  `json:"bench"`
	Layout      drivers.Layout `json:"layout"`
	Limits      guard.Limits   `json:"limits"`
	// Absolute are the cell maker's limits, for the host's tripwire.
	Absolute Absolute `json:"absolute"`
	// SupplyArm and LoadArm are armed in the instruments and read back (INV-08).
	SupplyArm drivers.Protection `json:"supply_arm"`
	LoadArm   drivers.Protection `json:"load_arm"`
	// Rated is the rated capacity; CellResistance a starting value for control.
	Rated          drivers.Charge    `json:"rated_nC"`
	CellResistance drivers.Microohms `json:"cell_resistance_uOhm"`
	Series         int               `json:"series"`
	// Curve is a cell's open-circuit voltage by rising state of charge; empty: the
	// voltages' trend is not held against it.
	Curve []CurvePoint `json:"curve,omitempty"`
	// Ready says what the first frames must show before anything energises.
	Ready Ready `json:"ready"`
	// Probe is the small current that a run's first drive begins with; 0: none.
	Probe drivers.Microamps `json:"probe_uA,omitempty"`
	// Steps are what a person wrote; Code what the machine does.
	Steps []Step        `json:"steps"`
	Code  []Instruction `json:"code"`
	// Registers and Series name the integer results that code refers to.
	Registers []string `json:"registers,omitempty"`
	Lists     []string `json:"lists,omitempty"`
	// Pauses bounds how often soft limits may pause the run (INV-15).
	Pauses int `json:"pauses"`
	// PauseMin is the least length of such a pause.
	PauseMin drivers.Span `json:"pause_min_us"`
	// WatchSteady is how long temperatures must be steady or falling after an
	// end or trip before watching ends (INV-16).
	WatchSteady drivers.Span `json:"watch_steady_us"`
}

// Absolute are limits that no true cell may ever leave.
type Absolute struct {
	CellMax    drivers.Microvolts   `json:"cell_max_uV"`
	CellMin    drivers.Microvolts   `json:"cell_min_uV"`
	TempMax    drivers.Millikelvins `json:"temp_max_mK"`
	CurrentMax drivers.Microamps    `json:"current_max_uA"`
	// Allowance is what the plan holds back from these, per INV-12.
	AllowanceCell drivers.Microvolts   `json:"allowance_cell_uV"`
	AllowanceTemp drivers.Millikelvins `json:"allowance_temp_mK"`
}

// Ready is what readiness demands of the bench and article at rest.
type Ready struct {
	// Settle is how long frames must be good before arming ends.
	Settle drivers.Span `json:"settle_us"`
	// Timeout bounds arming.
	Timeout drivers.Span `json:"timeout_us"`
	// SumTolerance: |taps - meter| at rest; TempBand: hottest less coldest.
	SumTolerance drivers.Microvolts   `json:"sum_tolerance_uV"`
	TempBand     drivers.Millikelvins `json:"temp_band_mK"`
	// CellMin and CellMax: each cell at rest.
	CellMin drivers.Microvolts `json:"cell_min_uV"`
	CellMax drivers.Microvolts `json:"cell_max_uV"`
}

// Step is one step as the profile names it.
type Step struct {
	// Label is unique in the plan: "capacity/discharge"; Kind is the profile's
	// word: charge, discharge, rest, pulse, balance, prove, close, open, ask.
	Label string `json:"label"`
	Kind  string `json:"kind"`
	// Use says what the figures may use the step for, e.g. "capacity".
	Use string `json:"use,omitempty"`
	// Predicted length and charge, from the compiler.
	Predicted drivers.Span   `json:"predicted_us"`
	Charge    drivers.Charge `json:"charge_nC,omitempty"`
	Energy    drivers.Energy `json:"energy_uJ,omitempty"`
	// Repeat counts how often the compiler expects the step to run.
	Repeat int `json:"repeat"`
	// File position in the profile, "file:line:col".
	Pos string `json:"pos,omitempty"`
}

// Op is an instruction's operation.
type Op string

// The closed set of operations.
const (
	OpDrive   Op = "drive"   // energise supply or load until an end
	OpPulse   Op = "pulse"   // the same, with exact edges and no tapering
	OpWait    Op = "wait"    // outputs off
	OpBleed   Op = "bleed"   // ask the planner, then bleed what it says
	OpSwitch  Op = "switch"  // precharge and close, or open
	OpAsk     Op = "ask"     // safe, then wait for a person
	OpCompare Op = "compare" // go to Then when the comparison holds
	OpJump    Op = "jump"    // go to Target at most Max times, then fall through
	OpNote    Op = "note"    // record a sentence
	OpEnd     Op = "end"     // finish the run
)

// Instruction is one entry of a plan's code. Exactly the part that Op names is
// set.
type Instruction struct {
	Op      Op       `json:"op"`
	Step    int      `json:"step"` // index in Plan.Steps
	Drive   *Drive   `json:"drive,omitempty"`
	Wait    *Wait    `json:"wait,omitempty"`
	Bleed   *Bleed   `json:"bleed,omitempty"`
	Switch  *Switch  `json:"switch,omitempty"`
	Ask     *Ask     `json:"ask,omitempty"`
	Compare *Compare `json:"compare,omitempty"`
	Jump    *Jump    `json:"jump,omitempty"`
	Note    *Note    `json:"note,omitempty"`
	End     *End     `json:"end,omitempty"`
}

// Direction is which way current may flow.
type Direction string

// Directions.
const (
	Resting     Direction = ""
	Charging    Direction = "charge"
	Discharging Direction = "discharge"
)

// Bounds end a step that should have ended otherwise: reaching one is a
// failure, not an end (INV-11). All are positive.
type Bounds struct {
	Span   drivers.Span   `json:"span_us"`
	Charge drivers.Charge `json:"charge_nC"`
	Energy drivers.Energy `json:"energy_uJ"`
}

// Drive energises one direction. Zero means "no such end".
type Drive struct {
	Direction Direction         `json:"direction"`
	Current   drivers.Microamps `json:"current_uA"` // magnitude
	// Hold keeps the highest cell (charging) or lowest cell (discharging) at
	// this voltage by lowering the current.
	Hold drivers.Microvolts `json:"hold_uV,omitempty"`
	// Taper ends a hold once the current is at or under it.
	Taper drivers.Microamps `json:"taper_uA,omitempty"`
	// CellEnd ends the step when the first cell reaches it.
	CellEnd drivers.Microvolts `json:"cell_end_uV,omitempty"`
	// Voltage is the instrument's own constant-voltage bound.
	Voltage drivers.Microvolts `json:"voltage_uV"`
	// Span ends the step after a time (for a pulse, from half the edge).
	Span drivers.Span `json:"for_us,omitempty"`
	// Lead, where set, is a pulse's first level; Span contains it.
	Lead *Lead `json:"lead,omitempty"`
	// Charge ends the step by counted charge, or by PerMille of register
	// ChargeOf where PerMille is positive.
	Charge   drivers.Charge `json:"charge_nC,omitempty"`
	ChargeOf int            `json:"charge_of,omitempty"`
	PerMille int64          `json:"per_mille,omitempty"`
	Bounds   Bounds         `json:"bounds"`
	// SaveCharge and SaveEnergy name registers (index+1; 0: none); Push names a
	// list (index+1) that the charge is appended to.
	SaveCharge int `json:"save_charge,omitempty"`
	SaveEnergy int `json:"save_energy,omitempty"`
	Push       int `json:"push,omitempty"`
	// Expect, where set, makes the drive a proof: it is to end by a trip.
	Expect *Expect `json:"expect,omitempty"`
}

// Wait keeps outputs off.
type Wait struct {
	Span drivers.Span `json:"span_us"`
	// Open opens the contactors; compilers set it for waits over 10 minutes
	// (INV-16), with a Switch to close them again afterwards.
	Open bool `json:"open,omitempty"`
}

// Bleed asks the planner how long each cell is to bleed, then does it. The
// planner's answer fills registers Imbalance (ppm of capacity), Left (nC still to
// bleed over all cells) and Unmet (0: both conditions held for Held; else 1).
type Bleed struct {
	TargetPPM int64          `json:"target_ppm"`
	Capacity  drivers.Charge `json:"capacity_nC"`
	// Chunk bounds one round of bleeding; Settle is how long bleeding pauses
	// before cells are measured.
	Chunk  drivers.Span `json:"chunk_us"`
	Settle drivers.Span `json:"settle_us"`
	// Held is how long the conditions are to hold, nothing bleeding in between.
	Held drivers.Span `json:"held_us,omitempty"`
	// SpreadMax is the second condition: highest less lowest cell at rest, where
	// the curve is steep enough for it to tell anything; 0: none.
	SpreadMax drivers.Microvolts   `json:"spread_max_uV,omitempty"`
	TempMax   drivers.Millikelvins `json:"temp_max_mK"` // pauses bleeding above
	Bounds    Bounds               `json:"bounds"`
	Imbalance int                  `json:"imbalance"`       // register index+1
	Left      int                  `json:"left"`            // register index+1
	Unmet     int                  `json:"unmet,omitempty"` // register index+1
}

// Switch operates the contactors. Close runs the precharge sequence; otherwise
// everything opens.
type Switch struct {
	Close bool `json:"close"`
	// Expected time constant R*C and its tolerance in per mille.
	Tau         drivers.Span `json:"tau_us,omitempty"`
	TauPerMille int64        `json:"tau_per_mille,omitempty"`
	// Final is the expected final link voltage in per mille of the article's,
	// under 1000 where a bleed loads the link.
	FinalPerMille int64 `json:"final_per_mille,omitempty"`
	// Min and Max bound the precharge's length.
	Min drivers.Span `json:"min_us,omitempty"`
	Max drivers.Span `json:"max_us,omitempty"`
}

// Ask makes the bench safe and waits for a person to confirm.
type Ask struct {
	Text string `json:"text"`
}

// Compare tests a register or list and goes to Then when it holds.
type Compare struct {
	// Register (index+1) against Value; Op is "<=" or ">=".
	Register int    `json:"register,omitempty"`
	Op       string `json:"op,omitempty"`
	Value    int64  `json:"value,omitempty"`
	// List (index+1): at least Count entries, and the last Count differ by at
	// most Value between the greatest and the least.
	List  int `json:"list,omitempty"`
	Count int `json:"count,omitempty"`
	Then  int `json:"then"`
}

// Jump goes to Target at most Max times in a run, then falls through.
type Jump struct {
	Target int `json:"target"`
	Max    int `json:"max"`
}

// Note records a sentence.
type Note struct {
	Text string `json:"text"`
}

// End finishes the run. Failed says that the profile could not do what it was
// for (a criterion's figure will be unproven).
type End struct {
	Failed bool   `json:"failed,omitempty"`
	Reason string `json:"reason,omitempty"`
}
