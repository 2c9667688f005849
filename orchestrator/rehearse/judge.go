package rehearse

import (
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// Margin is how far inside the maker's limits the truth stayed at its worst;
// negative: outside.
type Margin struct {
	Cell      drivers.Microvolts
	Temp      drivers.Millikelvins
	Charge    drivers.Microamps
	Discharge drivers.Microamps
}

// beyond notes what is a violation where one fault did it, and coverage where
// several did.
func (w *witness) beyond(inv int, format string, args ...any) {
	if w.single {
		w.violate(inv, format, args...)
		return
	}
	w.leave(inv, format, args...)
}

// leave notes what is left to hardware, or done by several faults at once.
func (w *witness) leave(inv int, format string, args ...any) {
	w.more = append(w.more, Violation{inv, w.rig.Now(), fmt.Sprintf(format, args...)})
}

// judge looks at the first phase as it ended.
func (x *rehearsal) judge() {
	w, r := x.w, x.r
	r.Trips, r.Faults = w.trips, w.rig.FaultStatus()
	if x.end == nil {
		r.Outcome, r.Reason = "", "the run does not end"
		w.violate(11, "the run does not end")
	} else {
		r.Outcome, r.Reason = x.end.Outcome, x.end.Reason
	}
	r.ViolationToZero = w.truth.spans
	r.CellError, r.TempError, r.ThermometerError = w.misread.cell, w.misread.extreme, w.misread.sensor
	x.judgePlan()
	x.judgeLimits()
	x.judgeEnd()
	for _, t := range r.Trips {
		r.FalseTrip = r.FalseTrip || !t.Blamed && !t.True
	}
	r.Unfounded, r.Unnoticed = x.unfounded(), x.unnoticed()
	r.Violations, r.Beyond = w.violations, append(r.Beyond, w.more...)
}

// judgeLimits asks whether a true cell left the maker's limits (INV-12).
func (x *rehearsal) judgeLimits() {
	w, r := x.w, x.r
	limits, worst := w.rig.Watched(), w.rig.Worst() // of the article that is there
	r.Margin = Margin{
		Cell:      min(limits.CellMax-volts(worst.VoltageMax), volts(worst.VoltageMin)-limits.CellMin),
		Temp:      limits.TempMax - drivers.Millikelvins(worst.KelvinMax*1e3),
		Charge:    limits.Charge - drivers.Microamps(worst.ChargeMax*1e6),
		Discharge: limits.Discharge - drivers.Microamps(worst.DischargeMax*1e6),
	}
	for _, e := range w.rig.Excursions() {
		r.Worst = append(r.Worst, e)
		if x.hardwareFor(e) {
			r.Beyond = append(r.Beyond, Violation{12, e.First, e.String()})
			continue
		}
		w.beyond(12, "%v", e)
		early := func(t Trip) bool { return t.At <= e.First.Add(drivers.Second) }
		if w.single && !slices.ContainsFunc(r.Trips, early) {
			r.Missed = true
		}
	}
}

// hardwareFor says whether an excursion is one that only hardware bounds, as the
// catalogue declares for the faults that had begun by then.
func (x *rehearsal) hardwareFor(e virtual.Excursion) bool {
	return left(x.r.Faults, e.What, e.First) || x.w.inrush.is(e) && left(x.r.Faults, "inrush", e.First)
}

// leaves says whether the faults that have begun leave something to hardware.
func (w *witness) leaves(out string) bool { return left(w.rig.FaultStatus(), out, w.rig.Now()) }

func left(faults []virtual.FaultStatus, out string, by drivers.Instant) bool {
	var begun []virtual.Fault
	for _, f := range faults {
		if f.Began && f.Begin <= by {
			begun = append(begun, f.Fault)
		}
	}
	return slices.ContainsFunc(virtual.Beyond(begun...), func(h virtual.Hardware) bool { return h.Out == out })
}

// judgeEnd asks whether everything is off and open in the end (INV-04, INV-16).
func (x *rehearsal) judgeEnd() {
	w, r := x.w, x.r
	truth := w.rig.Truth()
	for _, t := range r.Trips {
		if !truth.Flowing {
			r.TripToZero = append(r.TripToZero, max(0, truth.Since.Sub(t.At)))
		}
	}
	if truth.Flowing {
		w.beyond(4, "current flows after the end: module %v, supply %v, load %v", truth.Current, truth.Supply, truth.Load)
	}
	c := w.rig.Plant().Contacts()
	if c.Negative && c.Positive && !(x.held() && len(r.Trips) > 0) {
		w.beyond(16, "the article is still connected after the end: %+v", c)
	}
}

// held says that some contactor cannot be opened by commands: that the bench is
// latched and says so is all that software can do.
func (x *rehearsal) held() bool {
	return slices.ContainsFunc(x.r.Faults, func(f virtual.FaultStatus) bool {
		return f.Began && (f.Fault.Kind == virtual.ContactorWelded || f.Fault.Kind == virtual.CommandsIgnored && f.Fault.Device == virtual.DeviceBox)
	})
}

func volts(v float64) drivers.Microvolts { return drivers.Microvolts(v * 1e6) }
