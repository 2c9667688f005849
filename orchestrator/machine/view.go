package machine

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// Phase is the machine's state in a word for people.
type Phase string

// Phases.
const (
	PhaseIdle     Phase = "idle"
	PhaseArming   Phase = "arming"
	PhaseRunning  Phase = "running"
	PhasePausing  Phase = "pausing"
	PhasePaused   Phase = "paused"
	PhaseAsking   Phase = "asking"
	PhaseStopping Phase = "stopping" // orderly: zero current, then open
	PhaseTripped  Phase = "tripped"  // de-energising, current not yet proven zero
	PhaseLatched  Phase = "latched"  // zero current proven; waits for a person
	PhaseWatching Phase = "watching" // after an end, until temperatures settle
)

// View is what people and clients may know of the machine, a copy.
type View struct {
	At    drivers.Instant
	Phase Phase
	Run   string
	Step  int // index in the plan; -1 before the first
	Pass  int
	Label string
	Kind  string
	// Stage is what the step does right now in a word: precharge, hold, settle.
	Stage string
	// StepSpan is the time in the step; StepLeft and RunLeft what is left, by
	// the compiler's prediction corrected by what has happened.
	StepSpan, StepLeft, RunSpan, RunLeft drivers.Span
	// Charge and Energy counted in the step, signed as measured.
	Charge drivers.Charge
	Energy drivers.Energy
	// Direction and Current are what is commanded.
	Direction  Direction
	Current    drivers.Microamps
	Contactors drivers.Contactors
	// Finding and Cause tell the latest trip or pause.
	Finding guard.Finding
	Cause   string
	// ImbalancePPM is the planner's latest answer, -1 before one.
	ImbalancePPM int64
	// ToZero is the time from the breaching frame to proven zero current.
	ToZero drivers.Span
}
