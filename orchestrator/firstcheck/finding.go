package firstcheck

import (
	"fmt"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// Kind names what was found. Kinds are stored; they never change their meaning.
type Kind string

// Kinds of findings.
const (
	TotalFits      Kind = "total_fits"
	TotalUncertain Kind = "total_uncertain" // what is expected is not known well enough to tell
	TotalOff       Kind = "total_off"       // fits nothing that is known
	TotalHigh      Kind = "total_high"      // more groups, or fuller ones, than the file says
	LeadsSwapped   Kind = "leads_swapped"
	NoContact      Kind = "no_contact" // nothing is read, which does not mean that nothing is there
	GroupReversed  Kind = "group_reversed"
	GroupMissing   Kind = "group_missing" // bridged, left out, or near 0 V
	GroupDead      Kind = "group_dead"    // near 0 V
	NeverCharge    Kind = "never_charge"  // under the maker's no-charge voltage
	OverVoltage    Kind = "over_voltage"
	Spread         Kind = "spread"
	GroupsFit      Kind = "groups_fit"
	SumOff         Kind = "sum_off"

	TapsFit        Kind = "taps_fit"
	TapMissing     Kind = "tap_missing"
	TapDoubled     Kind = "tap_doubled"
	TapNegative    Kind = "tap_negative"
	TapSilent      Kind = "tap_silent"
	MeterReversed  Kind = "meter_reversed"
	TempBand       Kind = "temperature_band"
	TempSilent     Kind = "temperature_silent"
	CurrentAtRest  Kind = "current_at_rest"
	PositionProven Kind = "position_proven"
	PositionWrong  Kind = "position_wrong"
	PositionOpen   Kind = "position_unproven"

	PulseFits     Kind = "pulse_fits"
	PulseNone     Kind = "pulse_none"  // no pulse to judge by
	PulseSmall    Kind = "pulse_small" // too small to tell
	CurrentSign   Kind = "current_sign"
	NoResponse    Kind = "no_response"
	ResponseSign  Kind = "response_sign"
	ResponseLarge Kind = "response_large"

	InsulationFits   Kind = "insulation_fits"
	InsulationLow    Kind = "insulation_low"
	InsulationFailed Kind = "insulation_failed" // the measurement, not the module
	InsulationOpen   Kind = "insulation_unproven"
)

// Grade says how far a finding stops the work.
type Grade string

// Grades, by rising weight.
const (
	Good       Grade = "good"       // what should be
	Unproven   Grade = "unproven"   // cannot tell: measure again
	Stop       Grade = "stop"       // put it right before anything is connected or switched on
	Quarantine Grade = "quarantine" // this module is not charged any more
	Danger     Grade = "danger"     // stop, keep away, isolate
)

var grades = []Grade{Good, Unproven, Stop, Quarantine, Danger}

// Grades returns all grades by rising weight.
func Grades() []Grade { return slices.Clone(grades) }

// Finding is one thing that a check found.
type Finding struct {
	Kind  Kind  `json:"kind"`
	Grade Grade `json:"grade"`
	// Cells it is about, from 0 at the negative end; none where it is about the
	// whole module.
	Cells []int  `json:"cells,omitempty"`
	What  string `json:"what"` // what was found, with its numbers
	Do    string `json:"do"`   // what to do now
}

// Worst is the gravest grade of the findings; Unproven where there are none.
func Worst(list []Finding) Grade {
	worst := -1
	for _, f := range list {
		worst = max(worst, slices.Index(grades, f.Grade))
	}
	if worst < 0 {
		return Unproven
	}
	return grades[worst]
}

// Passed says that something was found and that all of it is good.
func Passed(list []Finding) bool { return Worst(list) == Good }

// Article is what a module's file says, as far as a check needs it.
type Article struct {
	Series, Parallel int
	// CellMax is the maker's greatest, NoCharge the voltage under which a cell is
	// never charged.
	CellMax, NoCharge drivers.Microvolts
	// CellResistance is the file's value for one group with its joint.
	CellResistance drivers.Microohms
}

// Expected is what one cell group should read, and by how much it may differ:
// measured on loose cells of the lot, or looked up at the state of charge at
// which they were delivered.
type Expected struct {
	Voltage, Within drivers.Microvolts
}

// cells names cells as people count them: from one, at the negative end.
func cells(list []int) string {
	var b strings.Builder
	for i, k := range list {
		switch {
		case i == 0:
		case i == len(list)-1:
			b.WriteString(" and ")
		default:
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%02d", k+1)
	}
	return b.String()
}

// plural is "cell 03" or "cells 03, 04 and 07".
func plural(list []int) string {
	if len(list) == 1 {
		return "cell " + cells(list)
	}
	return "cells " + cells(list)
}

func abs[T ~int64](v T) T { return max(v, -v) }
