package balance

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Curve is a cell's open-circuit voltage over state of charge as known from its
// maker or from measurement, rising in both.
type Curve struct {
	Points []Point `json:"points"`
	// Error is the greatest error of a point's voltage; 0 means 5 mV.
	Error drivers.Microvolts `json:"error_uV,omitempty"`
}

// Point is one row of a Curve.
type Point struct {
	SoCPPM  int64              `json:"soc_ppm"`
	Voltage drivers.Microvolts `json:"voltage_uV"`
}

// Planner estimates each cell's excess charge.
type Planner struct{}

// New returns a planner for the plan's article, bench and layout.
func New(plan *machine.Plan, curve Curve) (*Planner, error) { return &Planner{}, nil }

// Observe takes in a frame.
func (p *Planner) Observe(f *drivers.Frame, v *machine.View) {}

// Compute answers how long each cell is to bleed.
func (p *Planner) Compute(c machine.Compute) machine.Computed { return machine.Computed{} }
