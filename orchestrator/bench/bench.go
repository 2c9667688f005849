package bench

import (
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Errors of a bench's commands.
var (
	// ErrBusy: a run is under way; a bench runs one article at a time.
	ErrBusy = errors.New("bench is busy")
	// ErrLatched: a trip waits for a person's acknowledgement (INV-05).
	ErrLatched = errors.New("bench is latched by a trip")
	// ErrNotRunning: the command does not fit what the bench does now.
	ErrNotRunning = errors.New("not possible now")
	// ErrNoReason: an acknowledgement without a reason or a name.
	ErrNoReason = errors.New("an acknowledgement needs a name and a reason")
	// ErrClosed: the bench is closing down.
	ErrClosed = errors.New("bench is closed")
)

// StartRequest asks for a run. The caller has begun the run in the store and
// hands over its journal; the bench closes nothing it did not open.
type StartRequest struct {
	Run        string
	Plan       *machine.Plan
	PlanDigest string
	Journal    Journal
	Planner    Planner
	Who        string
	// Finished is called once, from the bench's goroutine, when the run is over
	// and everything it recorded is durable.
	Finished func(Ending)
}

// Ending tells how a run ended.
type Ending struct {
	Outcome machine.Outcome
	Reason  string
	At      drivers.Instant
	// Trip is the trip's sentence; Cleared says that current was measured zero,
	// ToZero how long after the breaching frame.
	Trip    string
	Cleared bool
	ToZero  drivers.Span
}

// Alert is a notification, and of what it is; Run and Module are empty without a
// run.
type Alert struct {
	Bench, Run, Module string
	machine.Notify
}

// Status is the latest that is known of a bench: a copy, free to keep.
type Status struct {
	Bench  string
	View   machine.View
	Layout *drivers.Layout // nil before a plan is loaded
	Frame  drivers.Frame   // Counts is a copy; empty before the first frame
	Module string          // serial of the article under test
	// Lease is the lease's length, and how long the latest renewal still holds.
	Lease, LeaseLeft drivers.Span
	// Latched is the trip that waits for acknowledgement, empty when none.
	Latched string
	// Lost counts frames that clients of this bench did not get.
	Lost uint64
}
