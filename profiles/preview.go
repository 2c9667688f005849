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
func Predict(plan *machine.Plan) Preview {
	var p Preview
	for _, s := range plan.Steps {
		n := max(s.Repeat, 1)
		step := PreviewStep{
			Label: s.Label, Kind: s.Kind, Use: s.Use, Passes: n,
			Span:   s.Predicted * drivers.Span(n),
			Charge: s.Charge * drivers.Charge(n),
			Energy: s.Energy * drivers.Energy(n),
		}
		p.Steps = append(p.Steps, step)
		p.Span += step.Span
		p.Charged += max(step.Charge, 0)
		p.Discharged += max(-step.Charge, 0)
		p.EnergyIn += max(step.Energy, 0)
		p.EnergyOut += max(-step.Energy, 0)
	}
	return p
}
