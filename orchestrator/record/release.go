package record

import (
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// Charged is the state of charge at the end of a run, by counting from the last
// full charge.
type Charged struct {
	// Known is false where no full charge was seen.
	Known bool
	// Share is the state of charge, 1 for full; Counted the charge that has moved
	// since the full charge, in Ah, out of it negative.
	Share, Counted float64
	// Capacity is what Share refers to, in Ah; Measured says that it is the
	// module's own, not the rated one.
	Capacity float64
	Measured bool
}

// StateOfCharge counts from the last step that filled the module: one that ended
// with the current tapered off.
func StateOfCharge(f *qualify.Figures, rated float64) Charged {
	out := Charged{Capacity: rated}
	if c, ok := f.Find(qualify.Capacity); ok && !c.NoValue && c.Value > 0 {
		out.Capacity, out.Measured = c.Value, true
	}
	for _, s := range f.Steps {
		if s.Kind == "charge" && s.Status == qualify.OK && strings.HasPrefix(s.End, "taper") {
			out.Known, out.Counted = true, 0
			continue
		}
		out.Counted += s.Charge
	}
	out.Share = 1
	if out.Capacity > 0 {
		out.Share += out.Counted / out.Capacity
	}
	out.Known = out.Known && out.Capacity > 0 && out.Share > -0.05 && out.Share < 1.05
	return out
}
