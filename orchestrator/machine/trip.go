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
	causeArticle   cause = "article"
)

// tripping is a trip from its first frame until current is proven zero.
type tripping struct {
	cause   cause
	finding guard.Finding
	text    string
	at      drivers.Instant // the breaching frame's
	level   int
	opened  bool
	flows   bool // the shunt's latest reading showed a current
	gaveUp  bool // zero current could not be proven in time
	quiet   int  // independent readings of no current in a row
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
	if len(findings) == 0 || m.phase == PhaseTripped {
		return false
	}
	if !m.Energised() {
		return m.judgeIdle(findings)
	}
	f := findings[0]
	for i := range findings {
		if findings[i].Hard {
			m.becomeTripped(causeGuard, findings[i], "")
			return true
		}
	}
	if m.phase == PhaseRunning && f.Cause == guard.TempSoft {
		m.becomePausing(guard.Describe(f, &m.plan.Layout), true)
		return true
	}
	return false
}

// judgeIdle acts on findings while nothing is energised, which keeps it so. All
// findings are looked at: what ranks first may be old and known.
func (m *Machine) judgeIdle(findings []guard.Finding) bool {
	for i := range findings {
		if m.alarming(findings[i].Cause) {
			m.becomeTripped(causeGuard, findings[i], "")
			return true
		}
	}
	if m.phase != PhaseArming && m.phase != PhaseAsking {
		m.alarm(findings[0])
	}
	return false
}

// alarming says which causes trip although nothing is energised: current that
// nobody commanded; a contactor that stays closed under a person's hands; what
// the article itself shows in the time after a run. A monitor that somebody
// unplugs after a run is an alarm, no trip.
func (m *Machine) alarming(c guard.Cause) bool {
	switch c {
	case guard.CurrentUncommanded, guard.BothOn:
		return true
	case guard.ContactorMismatch:
		return m.phase == PhaseAsking
	}
	return m.phase == PhaseWatching && c <= guard.TempRise
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
	m.deenergise(c, f, text)
	t := &m.trip
	m.emit(Record{Kind: RecordTrip, Urgent: true, Epoch: m.epoch, Step: max(m.code.step, 0), Finding: f, Text: string(t.cause) + ": " + t.text})
	m.emit(Notify{Severity: SeverityAlarm, Text: TripWord + " " + t.text})
	m.armEscalation()
	m.proofFails(t.text)
}

// deenergise is what every trip does first, whatever is written about it.
func (m *Machine) deenergise(c cause, f guard.Finding, text string) {
	running := m.Busy()
	m.phase = PhaseTripped
	m.linger = lingering{}
	m.overheats()
	m.task = taskNone
	m.haltFirst()
	if text == "" {
		text = guard.Describe(f, &m.plan.Layout)
	}
	if c == causeGuard {
		c = cause(f.Cause.String())
	}
	m.trip = tripping{cause: c, finding: f, text: text, at: m.now, alarmed: f.Cause}
	m.openIfAllowed()
	m.bleedCells(nil)
	m.stop = stopping{outcome: OutcomeTripped, reason: text}
	if !running {
		m.stop.outcome = ""
	}
}

// armEscalation sets when the halt is repeated (INV-04).
func (m *Machine) armEscalation() {
	m.timer = m.now.Add(escalateEvery(0))
	if !m.trip.opened {
		m.timer = m.now.Add(min(m.plan.Bench.Box.OpeningTime, escalateEvery(0)))
	}
}

// haltFirst puts a halt before everything that this step has already asked for,
// and takes back what would energise.
func (m *Machine) haltFirst() {
	before := append([]Action(nil), m.out...)
	m.out = m.out[:0]
	m.halt(0)
	for _, a := range before {
		switch a.(type) {
		case Record, Notify, Proof, Finish:
			m.emit(a)
		}
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
		m.hardOpening(s.current, false)
	}
}

// hardOpening records an opening that counts against the contactors' breaking
// rating and demands a weld check (INV-03).
func (m *Machine) hardOpening(current drivers.Microamps, unknown bool) (text string) {
	box := &m.plan.Bench.Box
	how := fmt.Sprintf("at %v, above the opening current of %v", current, box.OpeningCurrent)
	if unknown {
		how = "with the current unknown"
	}
	rating := fmt.Sprintf("breaking rating %v", box.BreakingCurrent)
	if !unknown && abs(current) > box.BreakingCurrent {
		rating += " exceeded"
	}
	text = fmt.Sprintf("contactors opened %s; %s: check for welds before the next use", how, rating)
	m.emit(Record{Kind: RecordNote, Step: max(m.code.step, 0), Text: text})
	return text
}

// stepOpened takes in what the host opened by itself: it counts like an opening
// of the machine's own, and tells people, since nothing here has asked for it.
func (m *Machine) stepOpened(e Opened) {
	if m.plan == nil {
		m.emit(Notify{Severity: SeverityAlarm, Text: "contactors were opened under current: check for welds before the next use"})
		return
	}
	m.emit(Notify{Severity: SeverityAlarm, Text: m.hardOpening(e.Current, e.Unknown)})
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
		t.flows = abs(s.current) > m.plan.Limits.NearZero
	}
	// Between two readings of the shunt its latest one holds, while it is young.
	if t.flows && m.now.Sub(s.sampled) <= m.plan.Limits.Stale {
		zero = false
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
	switch {
	case t.quiet >= 3 && m.open():
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
	if m.proof.tripped {
		m.proofQuiet(but)
		return
	}
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
	m.beginLinger()
}

// escalate repeats the halt for as long as current is not proven zero.
func (m *Machine) escalate() {
	if m.proofOverdue() {
		return
	}
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
	t.gaveUp = m.now.Sub(t.at) >= unprovenAfter
	if m.stop.outcome != "" && t.gaveUp {
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
func (m *Machine) Unproven() bool { return m.phase == PhaseTripped && m.trip.gaveUp }

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
	on bool
	// silent: no frame comes; said once.
	silent bool
	peak   drivers.Millikelvins
	since  drivers.Instant
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
