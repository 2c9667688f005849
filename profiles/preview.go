package profiles

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Preview is what a plan is expected to take.
type Preview struct {
	Steps []PreviewStep
	// Span is the whole length; Charged and Discharged are the charge into and
	// out of the article, EnergyIn and EnergyOut the energy, all positive.
	Span                drivers.Span
	Charged, Discharged drivers.Charge
	EnergyIn, EnergyOut drivers.Energy
}

// PreviewStep is one step's share, over all its expected passes.
type PreviewStep struct {
	Label, Kind, Use string
	Passes           int
	Span             drivers.Span
	Charge           drivers.Charge // signed: into the article is positive
	Energy           drivers.Energy
}

// Predict sums up what the compiler predicted for a plan.
func Predict(plan *machine.Plan) Preview { return Preview{} }
