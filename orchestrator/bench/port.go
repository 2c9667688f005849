package bench

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Journal is where the loop records a run: everything appended is durable after
// the next Commit, and what safety needs is durable at once.
type Journal interface {
	Appender
	Marker
}

// Appender takes what may wait for the next commit. Frame and Line are called
// from the loop's goroutine, in order, and never touch the disk; Commit may, and
// live executors call it from a goroutine of their own.
type Appender interface {
	// Frame appends a frame; the journal copies what it keeps.
	Frame(f *drivers.Frame) error
	// Line appends an event's or action's line with its place in the sequence.
	Line(seq uint64, at drivers.Instant, line string) error
	// Commit makes everything appended so far durable.
	Commit() error
	// Pending is the instant of the oldest frame not yet durable, 0 for none.
	Pending() drivers.Instant
}

// Marker makes single lines durable at once, from space that is reserved for
// them (INV-05).
type Marker interface {
	// MarkEnergised stores a permit and that the run may now be energised.
	MarkEnergised(seq uint64, at drivers.Instant, epoch uint64, line string) error
	// MarkSafe takes that mark away: zero current measured, contactors open.
	MarkSafe() error
	// Trip stores a trip and latches the bench.
	Trip(seq uint64, at drivers.Instant, line, reason string) error
	// Urgent stores any other line that must not wait.
	Urgent(seq uint64, at drivers.Instant, line string) error
}

// Latches keeps a bench's latch outside of any run.
type Latches interface {
	SetLatch(reason string, at drivers.Instant) error
	ClearLatch(who, reason string, at drivers.Instant) error
}

// Planner computes what needs floating point: how long each cell must bleed.
// It sees every frame of a bleed step's loop and answers when asked.
type Planner interface {
	Observe(f *drivers.Frame, v *machine.View)
	Compute(c machine.Compute) machine.Computed
}

// Rig is a bench whose time the caller owns: the virtual executor's port.
type Rig interface {
	// Set returns the instruments; calls act at the rig's present instant.
	Set() drivers.Set
	// Now is the rig's present instant.
	Now() drivers.Instant
	// Next is the instant of the next frame.
	Next() drivers.Instant
	// Advance moves time forward to t, at most to Next, computing the physics.
	Advance(t drivers.Instant)
	// Frame fills f with the frame due at Now; ok is false where the frame was
	// lost on its way.
	Frame(f *drivers.Frame) (ok bool)
	// Fast asks for frames at the box's link period (precharging) or not.
	Fast(on bool)
}
