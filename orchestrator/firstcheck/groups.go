package firstcheck

import (
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// nearZero is what a group counts as dead under: no chemistry in use rests
// there. Common practice, no source.
const nearZero = drivers.Volt / 2

// groups judges the groups one by one, and their sum against the terminals.
func groups(a *Article, e Expected, h *Hand) []Finding {
	var list []Finding
	var reversed, dead, low, high []int
	var sum, sumError drivers.Microvolts
	for k, v := range h.Groups {
		sum += v
		sumError += h.errorAt(v)
		switch {
		case abs(v) < nearZero:
			dead = append(dead, k)
		case v < 0:
			reversed = append(reversed, k)
		case v < a.NoCharge:
			low = append(low, k)
		case v > a.CellMax+h.errorAt(v):
			high = append(high, k)
		}
	}
	if len(dead) > 0 {
		list = append(list, deadGroups(a, dead, h))
	}
	if len(reversed) > 0 {
		list = append(list, Finding{GroupReversed, Stop, reversed,
			fmt.Sprintf("%s read negative: %s", plural(reversed), readings(h.Groups, reversed)),
			"Swap the meter's leads back if they were swapped. If not, the group is welded in the wrong way round: do not plug the cell monitor in, do not charge, and rebuild the module. " + noTouch})
	}
	if len(low) > 0 {
		list = append(list, neverCharge(a, low, readings(h.Groups, low)))
	}
	if len(high) > 0 {
		list = append(list, Finding{OverVoltage, Danger, high,
			fmt.Sprintf("%s read more than the maker's %v: %s", plural(high), a.CellMax, readings(h.Groups, high)),
			"Check the meter. If it is right, keep away and let the person responsible decide: an overcharged cell may vent or burn. Do not charge it."})
	}
	if len(list) == 0 {
		list = append(list, spread(a, e, h)...)
	}
	within := sumError + h.errorAt(h.Total)
	if abs(sum-h.Total) > within {
		list = append(list, Finding{SumOff, Stop, nil,
			fmt.Sprintf("the groups add up to %v, the terminals read %v; they may differ by %v", sum, h.Total, within),
			"Measure again: one of the readings belongs to another place, or a joint or terminal has no contact. Do not plug the cell monitor in. " + noTouch})
	}
	return list
}

func deadGroups(a *Article, dead []int, h *Hand) Finding {
	f := Finding{GroupDead, Danger, dead, fmt.Sprintf("%s read near 0 V: %s", plural(dead), readings(h.Groups, dead)), keepAway + " " + noTouch}
	if a.Parallel > 1 {
		f.What += "; with cells in parallel that may be an internal short or a reversed pouch, which heat by themselves"
	} else {
		f.What += "; a group that is bridged, shorted inside or was discharged to the end"
	}
	return f
}

func neverCharge(a *Article, low []int, read string) Finding {
	return Finding{NeverCharge, Quarantine, low,
		fmt.Sprintf("%s are under the maker's no-charge voltage of %v: %s", plural(low), a.NoCharge, read),
		"Never charge this module (INV-10): copper may have dissolved, and the cell may short inside later. Mark it, put it into quarantine away from other modules, and keep its record as failed."}
}

// spread compares the groups with each other and, where that is known, with
// what they should read.
func spread(a *Article, e Expected, h *Hand) []Finding {
	sorted := slices.Sorted(slices.Values(h.Groups))
	middle := sorted[len(sorted)/2]
	want, within := middle, e.Within
	if e.Voltage > 0 {
		want = e.Voltage
	}
	if within == 0 {
		within = middle / 100 // common practice, no source: fresh cells of a lot lie far nearer
	}
	within += h.errorAt(middle)
	var odd []int
	for k, v := range h.Groups {
		if abs(v-want) > within {
			odd = append(odd, k)
		}
	}
	if len(odd) == 0 {
		return []Finding{{GroupsFit, Good, nil,
			fmt.Sprintf("all %d groups read %v to %v, within %v of %v", a.Series, sorted[0], sorted[len(sorted)-1], within, want),
			"Go on: plug the cell monitor in, nothing else yet."}}
	}
	return []Finding{{Spread, Stop, odd,
		fmt.Sprintf("%s differ by more than %v from %v: %s", plural(odd), within, want, readings(h.Groups, odd)),
		"Let them rest and measure again. A group that keeps falling leaks; one that was merely delivered fuller or emptier is brought to its siblings before the module is charged. Do not charge it as it is."}}
}

// readings lists what was read at some cells, at most eight of them.
func readings(all []drivers.Microvolts, at []int) string {
	s := ""
	for i, k := range at {
		if i == 8 {
			return s + fmt.Sprintf(" and %d more", len(at)-i)
		}
		if i > 0 {
			s += ", "
		}
		s += fmt.Sprintf("%02d at %v", k+1, all[k])
	}
	return s
}
