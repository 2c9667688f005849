package rehearse

import (
	"math"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// standing is what is judged by how long it lasts: rests behind closed
// contactors, trips that are not over, pauses of soft limits, stops.
type standing struct {
	still  drivers.Instant // since when no true current has flowed
	joined drivers.Instant // since when the link is connected; 0: it is not

	trippedAt drivers.Instant
	answered  bool            // the trip's opening was judged
	stoppedAt drivers.Instant // a person's stop that was accepted; 0: none
	ended     bool            // the stop's end was judged

	pausedAt drivers.Instant
	pauses   int // by soft limits
	warm     drivers.Instant
	empty    drivers.Instant
}

// restMost is the longest rest behind closed contactors (INV-16); what it takes
// to notice and to open comes on top.
const (
	restMost = 10 * drivers.Minute
	restOver = 10 * drivers.Second
	// haltsApart is the longest time between two halts of a trip that is not over
	// (INV-04: slower with time, without end).
	haltsApart = 11 * drivers.Second
)

// stands looks at what has lasted too long, whenever a frame was due.
func (w *witness) stands() {
	s, now := &w.stand, w.rig.Now()
	l, p := &w.c.plan.Limits, w.rig.Plant()
	near := float64(l.NearZero) / 1e6
	amps := p.Module().Current()
	flows := math.Abs(amps) > near || p.SupplyCurrent() > near || p.LoadCurrent() > near
	if flows || s.still == 0 {
		s.still = now
	}
	c := p.Contacts()
	if !(c.Negative && (c.Positive || c.Precharge)) {
		s.joined = 0
	} else if s.joined == 0 {
		s.joined = now
	}
	if s.joined != 0 && now.Sub(max(s.still, s.joined)) > restMost+restOver && !w.began(virtual.ContactorWelded, virtual.CommandsIgnored) {
		w.violate(16, "the article has rested behind closed contactors for %s", seconds(now.Sub(max(s.still, s.joined))))
		s.still = now
	}
	w.afterTrip(flows)
	if s.stoppedAt != 0 && !s.ended && now.Sub(s.stoppedAt) > w.latest()+drivers.Second {
		s.ended = true
		if flows {
			w.beyond(13, "%.2f A flow %s after somebody stopped the run", amps, seconds(now.Sub(s.stoppedAt)))
		}
	}
	w.warmth(amps, near)
}

// afterTrip looks at a trip that is not over: the contactors are told to open once
// the opening time has passed (INV-03), and halts go out again and again while
// current flows (INV-04).
func (w *witness) afterTrip(flows bool) {
	s, now, b := &w.stand, w.rig.Now(), &w.c.plan.Bench
	if !w.tripped || s.trippedAt == 0 {
		return
	}
	since := now.Sub(s.trippedAt)
	if !s.answered && since > b.Box.OpeningTime+b.Monitor.Period {
		if s.answered = true; w.closed != 0 {
			w.violate(3, "%s after a trip the contactors had not been told to open", seconds(since))
		}
	}
	if flows && now.Sub(max(w.haltAt, s.trippedAt)) > haltsApart {
		w.violate(4, "current flows %s after a trip, and the latest halt is %s old", seconds(since), seconds(now.Sub(w.haltAt)))
		s.trippedAt = now
	}
}

// warmth: charging ends where the true cells are warmer or colder, or emptier,
// than the maker allows, whatever the sensors say (INV-10, INV-15).
func (w *witness) warmth(amps, near float64) {
	s, now := &w.stand, w.rig.Now()
	maker := &w.t.Module.Maker
	if amps <= near {
		s.warm, s.empty = 0, 0
		return
	}
	cold, hot, low := w.ends.cold, w.ends.hot, w.ends.low
	lasting := func(since *drivers.Instant, is bool, most drivers.Span) bool {
		switch {
		case !is:
			*since = 0
		case *since == 0:
			*since = now
		}
		if !is || now.Sub(*since) <= most {
			return false
		}
		*since = now
		return true
	}
	off := float64(w.c.plan.Absolute.AllowanceTemp) / 1e3
	least := math.Inf(1) // what the maker's table allows between the two, at its best
	for i, row := range maker.ChargeTable {
		begins, ends := float64(row.Temp)/1e3, math.Inf(1)
		if i+1 < len(maker.ChargeTable) {
			ends = float64(maker.ChargeTable[i+1].Temp) / 1e3
		}
		if cold+off < ends && hot-off >= begins {
			least = min(least, float64(row.Current)/1e6)
		}
	}
	l := &w.c.plan.Limits
	persist := w.latest() + l.TempPersistence + drivers.Second
	if lasting(&s.warm, amps > least+float64(l.CurrentTolerance)/1e6, persist) {
		w.beyond(15, "charged at %.2f A with cells from %.2f K to %.2f K; the maker's table allows %.2f A", amps, cold, hot, least)
	}
	if lasting(&s.empty, low < float64(maker.NoCharge)/1e6, persist) {
		w.beyond(10, "a cell at %.3f V was charged; the maker forbids it under %.3f V", low, float64(maker.NoCharge)/1e6)
	}
}

// softReason begins a pause's text where a soft limit caused it; a person's says
// by whom.
const byPerson = "by "

// pause and resume hold soft pauses against what the plan declares: bounded in
// number, and not over before their least length (INV-15).
func (w *witness) pause(r machine.Record) {
	s, p := &w.stand, w.c.plan
	s.pausedAt = w.rig.Now()
	if strings.HasPrefix(r.Text, byPerson) {
		return
	}
	if s.pauses++; s.pauses > p.Pauses {
		w.violate(15, "paused %d times by a soft limit; at most %d are allowed", s.pauses, p.Pauses)
	}
}

func (w *witness) resume(r machine.Record) {
	s, p := &w.stand, w.c.plan
	if strings.HasPrefix(r.Text, byPerson) {
		return
	}
	if d := w.rig.Now().Sub(s.pausedAt); d < p.PauseMin {
		w.violate(15, "a soft pause was over after %s; its least length is %s", seconds(d), seconds(p.PauseMin))
	}
	hot := math.Inf(-1)
	for j := range p.Layout.Temps() {
		hot = max(hot, w.rig.Plant().Module().Kelvin(w.rig.SensorCell(j)))
	}
	off := float64(p.Limits.TempSoftHysteresis-drivers.Millikelvins(p.Bench.Monitor.TempAccuracy.At(int64(p.Limits.TempSoftMax)))-p.Bench.Monitor.TempStep) / 1e3
	if most := float64(p.Limits.TempSoftMax)/1e3 - off; hot > most {
		w.beyond(15, "went on after a soft pause at %.2f K; %.2f K is the most", hot, most)
	}
}

// notify is told what people are told. Whoever is asked to act finds everything
// off and open (INV-16), and must show the bench anew (INV-08).
func (w *witness) notify(n machine.Notify) {
	switch n.Severity {
	case machine.SeverityAlarm:
		w.alarms++
		w.alarmAt = w.rig.Now()
	case machine.SeverityAsk:
		w.unready = true
		c, near := w.rig.Plant().Contacts(), float64(w.c.plan.Limits.NearZero)/1e6
		if i := w.rig.Plant().Module().Current(); c.Negative && (c.Positive || c.Precharge) || math.Abs(i) > near {
			w.violate(16, "somebody was asked to act with contacts %+v and %.3f A", c, i)
		}
	}
}

// begins is the beginning of a process's life.
func (w *witness) begins() {
	w.started, w.stopped, w.tripped, w.unready = false, false, false, true
	w.watching, w.over = false, false
	w.read = map[virtual.Device]drivers.Protection{}
	w.on, w.closed = map[virtual.Device]bool{}, 0
	w.last = [2]operation{}
	w.halted, w.halts, w.haltAt = map[virtual.Device]int{}, 0, 0
	w.stand, w.step = standing{}, stepping{}
	w.bornAt = w.rig.Now()
	w.look()
}

// dies is its end: what was commanded stays so, and nobody looks.
func (w *witness) dies() {
	w.data, w.step = nil, stepping{}
}

// starts is a run's beginning, as somebody wants it.
func (w *witness) starts() {
	w.started, w.stopped, w.unready = true, false, true
	w.watching, w.over = false, false
	w.read = map[virtual.Device]drivers.Protection{}
	w.stand, w.step = standing{}, stepping{}
	w.bounds = boundsOf(w.c.plan)
	w.data.told = map[string]bool{}
	w.starting()
}

// finished is a run's end, as its record has it. What was never energised need not
// be watched.
func (w *witness) finished(e bench.Ending) {
	w.over = true
	w.watching = e.Outcome != machine.OutcomeRefused
}

// latch is a trip outside of a run.
func (w *witness) latch() {
	w.tripped, w.stand.trippedAt, w.stand.answered = true, w.rig.Now(), false
}

// stops is a person's stop, accepted: nothing energises again before somebody
// starts something (INV-13).
func (w *witness) stops() {
	w.stopped = true
	if s := &w.stand; s.stoppedAt == 0 {
		s.stoppedAt = w.rig.Now()
	}
}
