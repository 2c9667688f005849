package firstcheck

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// What a person is told where life or the workshop may depend on it.
const (
	keepAway = "Stop. Keep away, isolate the module outdoors or in a fire-safe place, watch its temperature from afar, and call the person responsible. Do not charge it and do not bridge it."
	noTouch  = "The module is live whatever the meter says: insulated gloves and tools, one hand, no jewellery."
)

// Hand is what a person measured with a hand meter before the cell monitor was
// plugged in.
type Hand struct {
	// Total is across the terminals, red lead on the one marked positive.
	Total drivers.Microvolts
	// Accuracy is the meter's as its maker states it.
	Accuracy drivers.Accuracy
	// Groups are the groups one by one from the negative end, where they were
	// measured: all of them.
	Groups []drivers.Microvolts
}

// errorAt is the meter's greatest error at a reading.
func (h *Hand) errorAt(v drivers.Microvolts) drivers.Microvolts {
	return drivers.Microvolts(h.Accuracy.At(int64(v)))
}

// ByHand judges a module by a hand meter. Expected is not needed where the
// groups were measured: then they are compared with each other.
func ByHand(a *Article, e Expected, h *Hand) ([]Finding, error) {
	switch {
	case a.Series < 1:
		return nil, fmt.Errorf("first check: %d groups in series; at least 1 would be right", a.Series)
	case len(h.Groups) != 0 && len(h.Groups) != a.Series:
		return nil, fmt.Errorf("first check: %d groups were measured, the module has %d in series; all of them would be right", len(h.Groups), a.Series)
	case len(h.Groups) == 0 && e.Voltage <= 0:
		return nil, fmt.Errorf("first check: nothing says what a cell should read; a loose cell's voltage, the state of charge at delivery or the groups one by one would be right")
	case e.Within < 0:
		return nil, fmt.Errorf("first check: a cell may differ by %v; 0 V or more would be right", e.Within)
	}
	if len(h.Groups) == 0 {
		return []Finding{total(a, e, h)}, nil
	}
	return groups(a, e, h), nil
}

// nothingRead is the part of a group's voltage under which a total is taken for
// that of leads which touch nothing.
const nothingRead = 4

// total compares the terminals' voltage with what the groups should add up to.
// A group that is missing or near 0 V costs one group's voltage, a reversed one
// costs two: it takes away what it should have added.
func total(a *Article, e Expected, h *Hand) Finding {
	n := drivers.Microvolts(a.Series)
	want, within := n*e.Voltage, n*e.Within+h.errorAt(h.Total)
	read := fmt.Sprintf("the terminals read %v; %d groups of %v should add up to %v, give or take %v", h.Total, a.Series, e.Voltage, want, within)
	switch {
	case abs(h.Total) < e.Voltage/nothingRead && a.Series > 1:
		return Finding{NoContact, Stop, nil, read + ": next to nothing",
			"Check the meter on a known source, its range, its fuse and its leads, then measure again. " + noTouch}
	case abs(h.Total+want) <= within:
		return Finding{LeadsSwapped, Stop, nil, read + ": the same with the wrong sign",
			"Red lead to the terminal marked positive. If it was there, the terminals are marked the wrong way round: correct the marking and measure again. " + noTouch}
	case 2*within >= e.Voltage:
		// A missing group could not be told from good ones.
		return Finding{TotalUncertain, Unproven, nil, read + ": too wide to tell whether a group is missing",
			fmt.Sprintf("Measure a loose cell of the same lot, or each group, so that a group is known to better than %v.", (e.Voltage/2-h.errorAt(h.Total))/n)}
	case abs(h.Total-want) <= within:
		return Finding{TotalFits, Good, nil, read, "Go on: plug the cell monitor in, nothing else yet."}
	case h.Total > want:
		return Finding{TotalHigh, Stop, nil, read + ": more than that",
			"Compare the serial and the number of groups with the module's file, and measure a loose cell again. Do not plug the cell monitor in. " + noTouch}
	}
	return short(a, e, h, read, want-h.Total, within)
}

// short names what a total that is too low fits.
func short(a *Article, e Expected, h *Hand, read string, lost, within drivers.Microvolts) Finding {
	do := "Do not plug the cell monitor in and do not charge. Measure each group, from the negative end. " + noTouch
	count := (lost + e.Voltage/2) / e.Voltage
	if count < 1 || abs(lost-count*e.Voltage) > within {
		return Finding{TotalOff, Stop, nil, fmt.Sprintf("%s: %v are missing, which is no whole number of groups", read, lost), do}
	}
	one := fmt.Sprintf("%s: one group's voltage is missing, so a group is bridged, left out or near 0 V", read)
	switch {
	case count == 1 && a.Parallel > 1:
		return Finding{GroupMissing, Danger, nil, one + ", with cells in parallel possibly an internal short or a reversed pouch", keepAway + " " + noTouch}
	case count == 1:
		return Finding{GroupMissing, Stop, nil, one, do}
	}
	var ways []string
	if count >= 2 {
		ways = append(ways, fmt.Sprintf("%s reversed", groupCount(count/2)))
		if count%2 == 1 {
			ways[0] += " and one missing or near 0 V"
		}
	}
	ways = append(ways, fmt.Sprintf("%s missing or near 0 V", groupCount(count)))
	return Finding{GroupReversed, Stop, nil,
		fmt.Sprintf("%s: %d groups' voltage is missing. A reversed group costs two: %s", read, count, strings.Join(ways, ", or ")), do}
}

func groupCount(n drivers.Microvolts) string {
	if n == 1 {
		return "one group"
	}
	return fmt.Sprintf("%d groups", n)
}
