package qualify

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Analyser computes the figures of one run in one pass.
type Analyser struct{ plan *machine.Plan }

// New returns an analyser for a run of the plan, whose layout every frame
// follows.
func New(plan *machine.Plan) *Analyser { return &Analyser{plan: plan} }

// Record takes one record of the run, in its place between the frames. Kinds
// that the figures do not need are ignored.
func (a *Analyser) Record(at drivers.Instant, r machine.Record) {}

// Frame takes the next frame. It keeps nothing of f and allocates nothing.
func (a *Analyser) Frame(f *drivers.Frame) {}

// Finish ends the pass and returns the figures.
func (a *Analyser) Finish() *Figures { return &Figures{Module: a.plan.Module, Profile: a.plan.Profile} }
