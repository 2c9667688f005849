package machine

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// Action is one output of the machine. Each prints as one line that
// ParseAction reads back. Device actions carry an epoch; every halt starts a
// new epoch, and an answer to an older epoch changes nothing.
type Action interface {
	String() string
	action()
}

// The actions.
type (
	// Halt takes supply and load off, at once, ahead of everything queued for
	// them. Level counts how often the machine had to repeat it (INV-04).
	Halt struct {
		Epoch uint64
		Level int
	}
	// Permit is the durable mark that precedes energy (INV-05): what may now
	// happen at most. Nothing is energised before Stored answers it.
	Permit struct {
		Epoch      uint64
		Direction  Direction
		Current    drivers.Microamps
		Voltage    drivers.Microvolts
		Contactors drivers.Contactors
		Bounds     Bounds
	}
	// Arm sets and reads back the instruments' own limits.
	Arm struct {
		Epoch        uint64
		Supply, Load drivers.Protection
	}
	// Set commands the supply (Charging) or the load (Discharging).
	Set struct {
		Epoch     uint64
		Direction Direction
		Current   drivers.Microamps
		Voltage   drivers.Microvolts
	}
	// Switch closes exactly these contactors.
	SwitchTo struct {
		Epoch  uint64
		Closed drivers.Contactors
	}
	// BleedCells bleeds exactly these cells (words of 16).
	BleedCells struct {
		Epoch uint64
		Words []int32
	}
	// Compute asks the planner.
	Compute struct {
		Epoch     uint64
		TargetPPM int64
		Capacity  drivers.Charge
		Chunk     drivers.Span
	}
	// Record is a line for the run's journal: a step begun or ended, a finding,
	// a note. Urgent ones are committed at once.
	Record struct {
		Kind   RecordKind
		Urgent bool
		Epoch  uint64 // answered by Stored where Urgent
		// Step, Pass, Label place it: pass counts how often the step ran.
		Step  int
		Pass  int
		Label string
		// Charge, Energy and Span are the step's counts at its end.
		Charge drivers.Charge
		Energy drivers.Energy
		Span   drivers.Span
		// Finding is set for trips, pauses and warnings.
		Finding guard.Finding
		Text    string
	}
	// Notify tells people, outside the trip path.
	Notify struct {
		Severity Severity
		Text     string
	}
	// Finish ends the run.
	Finish struct {
		Outcome Outcome
		Reason  string
	}
)

// RecordKind says what a Record tells.
type RecordKind string

// Record kinds.
const (
	RecordStart  RecordKind = "start"
	RecordStep   RecordKind = "step" // a step begins
	RecordEnd    RecordKind = "end"  // a step ends; Text says by which end
	RecordPause  RecordKind = "pause"
	RecordResume RecordKind = "resume"
	RecordNote   RecordKind = "note"
	RecordTrip   RecordKind = "trip"  // latches (INV-05)
	RecordClear  RecordKind = "clear" // current measured zero: Span since the breaching frame
	RecordAck    RecordKind = "acknowledge"
	RecordWatch  RecordKind = "watch" // watching after the end is over
	RecordAlarm  RecordKind = "alarm"
)

// Severity orders notifications.
type Severity string

// Severities.
const (
	SeverityInfo  Severity = "info"
	SeverityAsk   Severity = "ask"
	SeverityAlarm Severity = "alarm"
)

// TripWord begins the notification of a trip.
const TripWord = "TRIP"

// Outcome is how a run ended.
type Outcome string

// Outcomes.
const (
	OutcomeDone        Outcome = "done"
	OutcomeFailed      Outcome = "failed" // the profile could not do its job
	OutcomeStopped     Outcome = "stopped"
	OutcomeTripped     Outcome = "tripped"
	OutcomeInterrupted Outcome = "interrupted" // daemon died; set by the store
	OutcomeRefused     Outcome = "refused"     // readiness not met; nothing energised
)

func (Halt) action()       {}
func (Permit) action()     {}
func (Arm) action()        {}
func (Set) action()        {}
func (SwitchTo) action()   {}
func (BleedCells) action() {}
func (Compute) action()    {}
func (Record) action()     {}
func (Notify) action()     {}
func (Finish) action()     {}
