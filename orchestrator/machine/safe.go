package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// touchMax is under which a link may be worked on: voltage class B begins there,
// d.c. (ISO 6469-3, from memory).
const touchMax = 60 * drivers.Volt

// Unsafe says what stands against a person's working at the bench's terminals, as
// the latest frame has it, or nothing. What gives no reading stands against it
// (INV-02). The article itself is always live: that is for whoever asks to say.
func (m *Machine) Unsafe() string {
	s := &m.meas
	switch {
	case m.plan == nil:
		return NothingMeasured
	case m.Busy() && !m.Asks():
		return "a run is under way"
	case m.phase == PhaseWatching: // who unplugs the monitor ends it (INV-16)
		return "the article is still watched, until its temperatures have been steady for an hour"
	case m.phase == PhaseLatched:
		return "a trip waits for acknowledgement"
	case m.powerOn():
		return "supply or load does not read off"
	case !m.open():
		return "the contactors do not read open"
	case !s.still():
		return "current is not measured zero yet"
	case !s.linkOK:
		return "the link gives no reading"
	case s.link+drivers.Microvolts(m.plan.Bench.Box.LinkAcc.At(int64(s.link)))+m.plan.Bench.Box.LinkStep >= touchMax:
		return fmt.Sprintf("the link still reads %v; under %v with its error would be right", s.link, touchMax)
	}
	return ""
}

// NothingMeasured is what Unsafe says before the first run since the start: it is
// a run's plan that says what the readings mean.
const NothingMeasured = "no reading of this bench has a meaning before the first run since the orchestrator started"
