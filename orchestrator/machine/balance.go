package machine

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// Balance is how far balancing has come, for people. A copy may keep its lists:
// they are never written to again.
type Balance struct {
	// UncertaintyPPM is the imbalance's 95 % half width, 1,000,000 where no more
	// than a bound is known.
	UncertaintyPPM int64
	// CellsLeft is the charge each cell has still to bleed, Left that of all
	// together, Need the time that takes with its pauses.
	CellsLeft []drivers.Charge
	Left      drivers.Charge
	Need      drivers.Span
	// Excess is each cell's charge at the top over the least cell's at the latest
	// look, Doubts the 95 % half widths; -1 where Excess is no more than a bound.
	Excess, Doubts []drivers.Charge
	// Spread is the highest less the lowest voltage at that look, at rest;
	// Telling says whether it means anything there.
	Spread  drivers.Microvolts
	Telling bool
}

func balanceView(e *Computed) Balance {
	return Balance{
		UncertaintyPPM: e.UncertaintyPPM, CellsLeft: e.CellsLeft, Left: e.Left, Need: e.Need,
		Excess: e.Excess, Doubts: e.Doubts, Spread: e.Spread, Telling: e.Telling,
	}
}

// spend takes from what is left to bleed what these cells bled in a slot.
func (b *Balance) spend(words []int32, spent drivers.Span, current drivers.Microamps) {
	if spent <= 0 {
		return
	}
	q := drivers.Charge(int64(current) * int64(spent/drivers.Millisecond))
	b.CellsLeft = slices.Clone(b.CellsLeft)
	b.Left = 0
	bled := false
	for i := range b.CellsLeft {
		if words[i/16]>>(i%16)&1 != 0 {
			b.CellsLeft[i], bled = max(0, b.CellsLeft[i]-q), true
		}
		b.Left += b.CellsLeft[i]
	}
	if bled {
		b.Need = max(0, b.Need-spent)
	}
}
