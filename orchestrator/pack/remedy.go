package pack

import (
	"cmp"
	"math"
	"slices"
)

// Way is what has to be done with a module first.
type Way string

// Ways.
const (
	Leave        Way = "leave"
	ChargeUp     Way = "charge"
	DischargeOff Way = "discharge"
	// FillAndCount: nobody knows where it stands and no voltage tells it where it is
	// to go, so that it has to be filled and the charge then taken out.
	FillAndCount Way = "fill, then take out"
)

// Bring is what to do with one module.
type Bring struct {
	Module string `json:"module"`
	Way    Way    `json:"way"`
	// From and To are open-circuit voltages at rest, V; Charge is what that takes,
	// Ah, negative while it discharges; after it was filled where Way says so.
	From   float64 `json:"from_V"`
	To     float64 `json:"to_V"`
	Charge float64 `json:"charge_Ah"`
}

// Remedy is how to make modules fit to be connected.
type Remedy struct {
	// Target is the open-circuit voltage to bring them to, V, Within the greatest
	// distance from it that the check will then accept; not above 0: no voltage helps
	// while so little is known.
	Target float64 `json:"target_V"`
	Within float64 `json:"within_V"`
	// Most is what no module may exceed on the way, V: its cells' limit on average.
	Most float64 `json:"most_V"`
	// SoC is the state of charge there; ByCharge says that the curve is too flat
	// there for voltages to tell it, so that charge has to be counted.
	SoC      float64 `json:"soc"`
	ByCharge bool    `json:"by_counted_charge"`
	// Steps come in the order in which to do them: what has to move furthest first,
	// discharging before charging.
	Steps []Bring `json:"steps"`
}

// remedy finds the voltage that the fewest modules have to be brought to, and
// among those the one that takes the least charge.
func remedy(branches []Branch, states []state, rules Rules) *Remedy {
	most, _, _ := allowed(branches)
	unsure := 0.0
	for i := range states {
		unsure = max(unsure, (states[i].volts.High-states[i].volts.Low)/2)
	}
	r := &Remedy{Within: max(most/2-unsure, 0)}
	// The window of the fewest moves begins or ends at one of the modules.
	moves, charge := math.MaxInt, math.Inf(1)
	for i := range branches {
		for _, low := range []float64{branches[i].Voltage, branches[i].Voltage - 2*r.Within} {
			t := middle(branches, low, low+2*r.Within)
			if !fits(branches, t) {
				continue
			}
			steps, n, q := bring(branches, states, t, r.Within)
			if n < moves || n == moves && q < charge {
				moves, charge = n, q
				r.Target, r.Steps = t, steps
			}
		}
	}
	if r.Steps == nil {
		return nil // all stand outside their limits, which is told already
	}
	b := &branches[0]
	r.Most = b.CellMax * float64(b.Series)
	for i := range branches {
		r.Most = min(r.Most, branches[i].CellMax*float64(branches[i].Series))
	}
	cell := r.Target / float64(b.Series)
	r.SoC = min(max(b.Curve.SoC(cell), 0), 1)
	off := b.VoltageWithin/float64(b.Series) + b.CurveDoubt
	r.ByCharge = b.Curve.SoC(cell+off)-b.Curve.SoC(cell-off) > rules.Apart/2
	if r.ByCharge {
		r.count(branches, states, rules)
	}
	slices.SortStableFunc(r.Steps, func(a, b Bring) int {
		return cmp.Or(cmp.Compare(order(a.Way), order(b.Way)), cmp.Compare(math.Abs(b.Charge), math.Abs(a.Charge)), cmp.Compare(a.Module, b.Module))
	})
	return r
}

// count has those filled first whose state is not known well enough.
func (r *Remedy) count(branches []Branch, states []state, rules Rules) {
	for i := range r.Steps { // in the order of the branches still
		if s := &states[i].soc; s.High-s.Low > rules.Apart/2 {
			r.Steps[i].Way, r.Steps[i].To = FillAndCount, r.Target
			r.Steps[i].Charge = -(1 - r.SoC) * branches[i].Capacity
		}
	}
}

// order: discharging comes first, since it takes energy out of the bank.
func order(w Way) int { return slices.Index([]Way{DischargeOff, ChargeUp, FillAndCount, Leave}, w) }

// middle is the middle of the modules within a window, or the window's own.
func middle(branches []Branch, low, high float64) float64 {
	least, most := math.Inf(1), math.Inf(-1)
	for i := range branches {
		if v := branches[i].Voltage; v >= low-1e-9 && v <= high+1e-9 {
			least, most = min(least, v), max(most, v)
		}
	}
	if least > most {
		return (low + high) / 2
	}
	return (least + most) / 2
}

func fits(branches []Branch, volts float64) bool {
	for i := range branches {
		b := &branches[i]
		if cell := volts / float64(b.Series); cell < b.CellMin || cell > b.CellMax {
			return false
		}
	}
	return true
}

// bring tells what takes each module to the target; those within the window stay.
func bring(branches []Branch, states []state, target, within float64) (steps []Bring, moves int, charge float64) {
	for i := range branches {
		b := &branches[i]
		s := Bring{Module: b.Name, Way: Leave, From: b.Voltage, To: b.Voltage}
		if d := target - b.Voltage; math.Abs(d) > within+1e-9 {
			s.To, s.Way = target, ChargeUp
			if d < 0 {
				s.Way = DischargeOff
			}
			src := b.source(states[i].mid, b.Voltage, b.Resistance)
			s.Charge = src.taken(target) / 3600
			moves++
			charge += math.Abs(s.Charge)
		}
		steps = append(steps, s)
	}
	return steps, moves, charge
}
