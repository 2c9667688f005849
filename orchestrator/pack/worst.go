package pack

import (
	"math"
)

// Worst is what may happen at most to one branch, over everything that is not
// known exactly.
type Worst struct {
	// Charging and Discharging are in A, both positive.
	Charging    float64 `json:"charging_A"`
	Discharging float64 `json:"discharging_A"`
	// Moved is the greatest charge that passes, Ah, without its sign; Heat in J.
	Moved float64 `json:"moved_Ah"`
	Heat  float64 `json:"heat_J"`
}

// worst is the extreme over all corners: each branch at the low end of what it may
// be with all others at the high end, and the reverse. At the moment of closing the
// extreme over the resistances is exact; the courses after it are simulated with
// the least resistances, since the current of a branch between others may rise
// later.
func worst(branches []Branch, states []state) ([]Worst, error) {
	out := make([]Worst, len(branches))
	for i := range branches {
		for _, low := range []bool{true, false} {
			sources := corner(branches, states, i, low)
			first := closing(branches, sources, i, low)
			w := &out[i]
			if low {
				w.Charging = max(w.Charging, first)
			} else {
				w.Discharging = max(w.Discharging, first)
			}
			c, err := run(sources, false)
			if err != nil {
				return nil, err
			}
			for j := range out {
				out[j].Charging = max(out[j].Charging, c.Charging[j])
				out[j].Discharging = max(out[j].Discharging, c.Discharging[j])
				out[j].Moved = max(out[j].Moved, math.Abs(c.Moved[j]))
				out[j].Heat = max(out[j].Heat, c.Heat[j])
			}
		}
	}
	return out, nil
}

// corner puts branch i at one end and all others at the other.
func corner(branches []Branch, states []state, i int, low bool) []source {
	sources := make([]source, len(branches))
	for j := range branches {
		b, s := &branches[j], &states[j]
		if (j == i) == low {
			sources[j] = b.source(s.soc.Low, s.volts.Low, b.lowest())
		} else {
			sources[j] = b.source(s.soc.High, s.volts.High, b.lowest())
		}
	}
	return sources
}

// closing is the greatest current of branch i at the moment of closing, A, over
// the intervals of all resistances; 0 where it would flow the other way. The
// current is monotone in each of the others' conductances, in the direction of
// that branch's voltage as seen from the common point: so those above some voltage
// have their least resistance and those below their greatest, and each such
// division is tried.
func closing(branches []Branch, sources []source, i int, low bool) float64 {
	sign := 1.0
	if !low {
		sign = -1
	}
	lead := func(j int) float64 { // how far j drives i in the asked direction
		return sign * (sources[j].volts(sources[j].soc) - sources[i].volts(sources[i].soc))
	}
	most := 0.0
	for at := range sources {
		if at == i {
			continue
		}
		drive, g := 0.0, 0.0
		for j := range sources {
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
// limit that say so.
func allowed(branches []Branch) (volts float64, at int, charging bool) {
	volts = math.Inf(1)
	for i := range branches {
		others := 0.0
		for j := range branches {
			if j != i {
				others += 1 / branches[j].lowest()
			}
		}
		for _, dir := range []bool{true, false} {
			amps, _ := branches[i].limit(dir)
			if d := amps * (branches[i].lowest() + 1/others); d < volts {
				volts, at, charging = d, i, dir
			}
		}
	}
	return volts, at, charging
}
