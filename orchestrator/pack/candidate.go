package pack

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// Quantity is a measured value with the distribution of its error.
type Quantity struct {
	Value  float64
	Spread gum.Spread
	// Shared are the parts of its standard uncertainty that it has in common with
	// other modules, signed, by the name of their source: one bench's instruments err
	// alike for all modules that it measured. They are contained in Spread.
	Shared map[string]float64
}

// Candidate is a module that may go into the pack.
type Candidate struct {
	Name string
	// Capacity is in Ah, Resistance in mOhm at one temperature for all, Leak the
	// self-discharge of its worst cell in mA; Volts is the mean voltage of a
	// discharge, V.
	Capacity, Resistance, Leak Quantity
	Volts                      float64
}

func (c *Candidate) check() error {
	finite := func(q Quantity) bool {
		u := q.Spread.U()
		return !math.IsNaN(q.Value) && !math.IsInf(q.Value, 0) && !math.IsNaN(u) && !math.IsInf(u, 0)
	}
	switch {
	case c.Name == "":
		return fmt.Errorf("a module has no name")
	case !finite(c.Capacity) || c.Capacity.Value <= 0:
		return fmt.Errorf("%s: capacity %g Ah; more than 0 would be right", c.Name, c.Capacity.Value)
	case !finite(c.Resistance) || c.Resistance.Value <= 0:
		return fmt.Errorf("%s: resistance %g mOhm; more than 0 would be right", c.Name, c.Resistance.Value)
	case !finite(c.Leak):
		return fmt.Errorf("%s: self-discharge %g mA; a number would be right", c.Name, c.Leak.Value)
	case !(c.Volts > 0) || math.IsInf(c.Volts, 0):
		return fmt.Errorf("%s: mean voltage %g V; more than 0 would be right", c.Name, c.Volts)
	}
	return nil
}

// numbers are the candidates' values, one list for each quantity; a draw has its
// own.
type numbers struct {
	charge, ohms, leak, volts []float64
}

func values(list []Candidate) *numbers {
	n := &numbers{}
	for i := range list {
		n.charge = append(n.charge, list[i].Capacity.Value)
		n.ohms = append(n.ohms, list[i].Resistance.Value)
		n.leak = append(n.leak, list[i].Leak.Value)
		n.volts = append(n.volts, list[i].Volts)
	}
	return n
}
