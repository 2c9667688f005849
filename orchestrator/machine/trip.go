package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// cause names trips that no frame's finding explains.
type cause string

const (
	causeGuard     cause = "limit"
	causeSilence   cause = "silence"
	causePrecharge cause = "precharge"
	causeContactor cause = "contactor"
	causeDriver    cause = "driver"
	causeLost      cause = "lost device"
	causeStore     cause = "store"
	causeClock     cause = "clock"
	causePlan      cause = "plan"
)

// tripping is a trip from its first frame until current is proven zero.
type tripping struct {
	cause   cause
	finding guard.Finding
	text    string
	at      drivers.Instant // the breaching frame's
	level   int
	opened  bool
	quiet   int // independent readings of no current in a row
	toZero  drivers.Span
	// alarmed is what the watch after an end has already said.
	alarmed guard.Cause
}

// escalateEvery is the time between repeated halts: quickly at first, then
// slower but without end (INV-04).
func escalateEvery(level int) drivers.Span {
	switch {
	case level < 8:
		return 250 * drivers.Millisecond
	case level < 60:
		return drivers.Second
	}
	return 10 * drivers.Second
}

// judge acts on the guard's findings; true means the frame is dealt with.
func (m *Machine) judge(findings []guard.Finding) bool {
	if len(findings) == 0 {
		return false
	}
	f := findings[0]
	hard := f.Hard
	for i := range findings {
		if findings[i].Hard {
			f, hard = findings[i], true
			break
		}
	}
	switch m.phase {
	case PhaseTripped:
		return false
	case PhaseArming, PhaseAsking:
		// Nothing is energised: findings keep it so. Current that nobody
		// commanded is another matter.
		hard = hard && (f.Cause == guard.CurrentUncommanded || f.Cause == guard.BothOn)
	case PhaseIdle, PhaseLatched:
		if f.Cause != guard.CurrentUncommanded && f.Cause != guard.BothOn {
			m.alarm(f)
			return false
		}
	case PhaseWatching:
		// Outputs are off and contactors open. What the article itself shows
		// trips; a monitor that is unplugged after the run is an alarm.
		if f.Cause > guard.CurrentUncommanded && f.Cause != guard.BothOn {
			m.alarm(f)
			return false
		}
	}
	if hard {
		m.becomeTripped(causeGuard, f, "")
		return true
	}
	if m.phase == PhaseRunning && f.Cause == guard.TempSoft {
		m.becomePausing(guard.Describe(f, &m.plan.Layout), true)
		return true
	}
	return false
}

// alarm tells people once per cause while nothing is energised.
func (m *Machine) alarm(f guard.Finding) {
	if f.Cause == m.trip.alarmed {
		return
	}
	m.trip.alarmed = f.Cause
	text := guard.Describe(f, &m.plan.Layout)
	m.emit(Record{Kind: RecordAlarm, Finding: f, Text: text})
	m.emit(Notify{Severity: SeverityAlarm, Text: text})
}

// becomeTripped de-energises. Halt is the first action, before everything
// (INV-03); what is written about it comes after.
func (m *Machine) becomeTripped(c cause, f guard.Finding, text string) {
	running := m.Busy()
	m.phase = PhaseTripped
	m.task = taskNone
	m.halt(0)
	if text == "" {
		text = guard.Describe(f, &m.plan.Layout)
	}
	if c == causeGuard {
		c = cause(f.Cause.String())
	}
	m.trip = tripping{cause: c, finding: f, text: text, at: m.now, alarmed: f.Cause}
	m.openIfAllowed()
	m.bleedCells(nil)
	m.emit(Record{Kind: RecordTrip, Urgent: true, Epoch: m.epoch, Step: max(m.code.step, 0), Finding: f, Text: string(c) + ": " + text})
	m.emit(Notify{Severity: SeverityAlarm, Text: "TRIP " + text})
	if !m.trip.opened {
		m.timer = m.now.Add(min(m.plan.Bench.Box.OpeningTime, escalateEvery(0)))
	} else {
		m.timer = m.now.Add(escalateEvery(0))
	}
	m.stop = stopping{outcome: OutcomeTripped, reason: text}
	if !running {
		m.stop.outcome = ""
	}
}

// openIfAllowed opens the contactors at once where the current is low or
// unknown, and otherwise once the bench's opening time is over (INV-03).
func (m *Machine) openIfAllowed() {
	s, box := &m.meas, &m.plan.Bench.Box
	low := s.currentOK && abs(s.current) <= box.OpeningCurrent
	late := m.now.Sub(m.trip.at) >= box.OpeningTime
	if m.trip.opened || s.currentOK && !low && !late {
		return
	}
	m.trip.opened = true
	m.switchTo(0)
	if s.currentOK && !low {
		text := fmt.Sprintf("contactors opened at %d uA, above the opening current of %d uA; breaking rating %d uA: check for welds before the next use", s.current, box.OpeningCurrent, box.BreakingCurrent)
		m.emit(Record{Kind: RecordNote, Step: max(m.code.step, 0), Text: text})
	}
}

// trippedFrame looks whether current is over: near zero on a channel other
// than the commanded instrument's, fresh, several times in a row (INV-04).
func (m *Machine) trippedFrame() {
	t := &m.trip
	if !t.opened {
		if m.openIfAllowed(); t.opened {
			m.timer = m.now.Add(escalateEvery(t.level))
		}
	}
	zero, seen := true, false
	s := &m.meas
	if s.fresh && s.currentOK {
		seen = true
		zero = zero && abs(s.current) <= m.plan.Limits.NearZero
	}
	if s.boxFresh && s.boxCurrentOK {
		seen = true
		zero = zero && abs(s.boxCurrent) <= m.plan.Limits.NearZero+m.plan.Limits.BoxCurrentTolerance
	}
	if !seen {
		return
	}
	if !zero {
		t.quiet = 0
		return
	}
	if t.quiet++; t.quiet == 1 {
		t.toZero = m.now.Sub(t.at)
	}
	open := s.boxOK && s.box&(drivers.BoxNegative|drivers.BoxPrecharge|drivers.BoxPositive) == 0
	switch {
	case t.quiet >= 3 && open:
		m.clear("")
	case t.quiet >= 3 && m.now.Sub(t.at) > weldedAfter:
		// No current flows, so the trip is over; the path is not open.
		m.clear("; a contactor still reads closed: welded, treat the link as live")
	}
}

// weldedAfter is how long contactors may take to read open after a trip.
const weldedAfter = 3 * drivers.Second

// clear is the end of a trip's first half: no current, proven. The latch stays.
func (m *Machine) clear(but string) {
	t := &m.trip
	m.emit(Record{Kind: RecordClear, Urgent: true, Epoch: m.epoch, Step: max(m.code.step, 0), Span: t.toZero, Text: fmt.Sprintf("current measured zero %d ms after the breaching frame%s", t.toZero/drivers.Millisecond, but)})
	m.becomeLatched()
}

// becomeLatched waits for a person (INV-05).
func (m *Machine) becomeLatched() {
	m.endStep("trip")
	m.phase = PhaseLatched
	m.timer = 0
	if m.stop.outcome != "" {
		m.emit(Finish{Outcome: OutcomeTripped, Reason: m.trip.text})
	}
	m.beginWatch()
}

// escalate repeats the halt for as long as current is not proven zero.
func (m *Machine) escalate() {
	t := &m.trip
	t.level++
	m.halt(t.level)
	if !t.opened {
		m.openIfAllowed()
	} else {
		m.switchTo(0)
	}
	if t.level == 4 || t.level%60 == 0 {
		m.emit(Notify{Severity: SeverityAlarm, Text: fmt.Sprintf("current is NOT proven zero %d ms after the trip: use the emergency stop", m.now.Sub(t.at)/drivers.Millisecond)})
	}
	if m.stop.outcome != "" && m.now.Sub(t.at) >= unprovenAfter {
		// The run's record must not wait for a proof that may never come; the
		// bench stays tripped and goes on halting.
		m.stop.outcome = ""
		m.endStep("trip")
		m.emit(Finish{Outcome: OutcomeTripped, Reason: t.text + "; zero current is unproven"})
	}
	next := escalateEvery(t.level)
	if !t.opened {
		next = min(next, max(t.at.Add(m.plan.Bench.Box.OpeningTime).Sub(m.now), drivers.Millisecond))
	}
	m.timer = m.now.Add(next)
}

// unprovenAfter is how long a run waits for its current to be proven zero.
const unprovenAfter = 10 * drivers.Minute

// Unproven says that a trip's current could not be proven zero and that its
// run has ended without: only people can help now.
func (m *Machine) Unproven() bool { return m.phase == PhaseTripped && m.stop.outcome == "" }

// acknowledge clears the latch, by a person with a reason (INV-05). A trip
// whose current is not proven zero cannot be acknowledged.
func (m *Machine) acknowledge(e Operator) {
	if m.phase != PhaseLatched || e.Who == "" || e.Reason == "" {
		return
	}
	m.emit(Record{Kind: RecordAck, Urgent: true, Epoch: m.epoch, Label: e.Who, Text: e.Reason})
	m.trip = tripping{}
	m.phase = PhaseIdle
	if m.watch.on {
		m.phase = PhaseWatching
	}
}

// watching goes on after an end or a trip until temperatures have been steady
// or falling for long enough (INV-16).
type watching struct {
	on    bool
	peak  drivers.Millikelvins
	since drivers.Instant
}

func (m *Machine) beginWatch() {
	m.watch = watching{on: m.plan.WatchSteady > 0, peak: m.meas.hottest, since: m.now}
}

// watchRise is how much warmer than before is not "steady".
const watchRise = 500 * drivers.Millikelvins(1)

func (m *Machine) watchFrame() {
	w := &m.watch
	if !w.on || m.phase != PhaseWatching && m.phase != PhaseLatched || !m.meas.tempsOK {
		return
	}
	switch {
	case m.meas.hottest > w.peak+watchRise:
		w.peak, w.since = m.meas.hottest, m.now
	case m.meas.hottest < w.peak:
		w.peak = m.meas.hottest
	}
	if m.now.Sub(w.since) < m.plan.WatchSteady {
		return
	}
	w.on = false
	m.emit(Record{Kind: RecordWatch, Text: "temperatures steady or falling; watching is over"})
	if m.phase == PhaseWatching {
		m.phase = PhaseIdle
	}
}

// Watching says whether temperatures are still being watched after an end or a
// trip (INV-16).
func (m *Machine) Watching() bool { return m.watch.on }
