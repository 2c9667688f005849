package pack

import "math"

// Worst is what may happen at most to one branch, over everything that is not
// known exactly. Currents are in A, all positive.
type Worst struct {
	// ClosingCharge and ClosingDischarge are the greatest currents at the moment of
	// closing: exact over the intervals of voltages and resistances.
	ClosingCharge    float64 `json:"closing_charge_A"`
	ClosingDischarge float64 `json:"closing_discharge_A"`
	// Charge and Discharge are what no course exceeds at any time, whatever the
	// curves and capacities: they decide. Of two branches they are the currents at
	// closing. Of more, each may meet the others at one end of all voltages while it
	// stands at the other, since those between move first.
	Charge    float64 `json:"charge_A"`
	Discharge float64 `json:"discharge_A"`
	// Moved is the greatest charge that passes until states of charge are equal, Ah,
	// without its sign.
	Moved float64 `json:"moved_Ah"`
}

func worst(branches []Branch, states []state) []Worst {
	out := make([]Worst, len(branches))
	reach := 0.0 // the greatest difference of two voltages
	for i := range states {
		for j := range states {
			if i != j {
				reach = max(reach, states[i].volts.High-states[j].volts.Low)
			}
		}
	}
	for i := range branches {
		w := &out[i]
		w.ClosingCharge, w.ClosingDischarge = closing(branches, states, i, true), closing(branches, states, i, false)
		w.Charge, w.Discharge = w.ClosingCharge, w.ClosingDischarge
		if len(branches) > 2 {
			// Voltages never leave the range in which they began: the highest branch
			// only gives, the lowest only takes.
			w.Charge = max(w.Charge, reach/loop(branches, i))
			w.Discharge = max(w.Discharge, reach/loop(branches, i))
		}
		for _, low := range []bool{true, false} {
			w.Moved = max(w.Moved, math.Abs(levelled(branches, states, i, low)))
		}
	}
	return out
}

// loop is the least resistance of branch i in series with all others, ohm.
func loop(branches []Branch, i int) float64 {
	g := 0.0
	for j := range branches {
		if j != i {
			g += 1 / branches[j].lowest()
		}
	}
	return branches[i].lowest() + 1/g
}

// levelled is the charge that branch i takes where it stands at one end of its
// states of charge and all others at the other, Ah. The charge that a branch takes
// rises with the others' states and falls with its own, so no state between moves
// more.
func levelled(branches []Branch, states []state, i int, low bool) float64 {
	sources := make([]source, len(branches))
	for j := range branches {
		b, soc := &branches[j], states[j].soc.High
		if (j == i) == low {
			soc = states[j].soc.Low
		}
		sources[j] = b.source(soc, float64(b.Series)*b.Curve.Voltage(soc), b.Resistance)
	}
	return sources[i].taken(settled(sources)) / 3600
}

// closing is the greatest current of branch i at the moment of closing, A, over
// the intervals of all voltages and resistances; 0 where it can only flow the other
// way. The current is monotone in each of the others' conductances, in the
// direction of that branch's voltage as seen from the common point: so those above
// some voltage have their least resistance and those below their greatest, and each
// such division is tried.
func closing(branches []Branch, states []state, i int, charging bool) float64 {
	lead := func(j int) float64 { // how far j drives i in the asked direction
		if charging {
			return states[j].volts.High - states[i].volts.Low
		}
		return states[i].volts.High - states[j].volts.Low
	}
	most := 0.0
	for at := range branches {
		if at == i {
			continue
		}
		drive, g := 0.0, 0.0
		for j := range branches {
			if j == i {
				continue
			}
			r := branches[j].highest()
			if lead(j) >= lead(at) {
				r = branches[j].lowest()
			}
			drive += lead(j) / r
			g += 1 / r
		}
		most = max(most, drive/(1+branches[i].lowest()*g))
	}
	return most
}

// allowed is the greatest difference of open-circuit voltages at which no branch
// exceeds its weakest limit, V, whichever of them stands apart; and the branch and
// direction that say so.
func allowed(branches []Branch) (volts float64, at int, charging bool) {
	volts = math.Inf(1)
	for i := range branches {
		for _, dir := range []bool{true, false} {
			amps, _ := branches[i].limit(dir)
			if d := amps * loop(branches, i); d < volts {
				volts, at, charging = d, i, dir
			}
		}
	}
	return volts, at, charging
}
