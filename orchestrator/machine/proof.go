package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// A proof is a drive that expects a trip. One limit of one kind is shifted into
// the safe range, as an additional and tighter one in a guard of its own: the true
// limits stay armed in the guard that judges every frame first, nothing of them is
// touched, and so nothing has to be put back. What trips beside the expected
// finding, or is not over in its time, is a trip like any other and latches
// (INV-05); and an expected trip halts by the same code as a real one (INV-03,
// INV-04). The run goes on only where current was measured zero, the contactors
// were seen open, and the bench was found ready again.

// steady says that the limit is shifted only once the current flows: what trips
// does not come from the drive.
func (e *Expect) steady() bool {
	switch e.Protection {
	case ProveTempHigh, ProveTempLow, ProveStale, ProveStop, ProveLease:
		return true
	}
	return false
}

// proving is the state of a proof.
type proving struct {
	ins   *Expect
	armed bool
	// At rest before the drive, or when the limit was shifted.
	high, low, sum, voltage drivers.Microvolts
	limit                   int64 // what was shifted, where it was shifted to
	since                   drivers.Instant
	offAt, zeroAt, openAt   drivers.Instant
	finding                 guard.Finding
	charging                bool
	tripped, cleared        bool
	clearedAt               drivers.Instant
	linked                  bool   // the link left the article's voltage
	stopped                 string // a person said stop meanwhile
	beat                    int32  // the monitor's, held for the trial alone
	frame                   drivers.Frame
}

// proofBegin prepares the proof of a drive whose current is about to be set;
// false: the run ends.
func (m *Machine) proofBegin() bool {
	e := m.drive.ins.Expect
	if e == nil {
		return true
	}
	s := &m.meas
	m.proof = proving{ins: e, charging: m.drive.ins.Direction == Charging,
		high: s.high, low: s.low, sum: s.sum, voltage: s.voltage, frame: m.proof.frame}
	if e.steady() {
		return true
	}
	return m.proofArm()
}

// proofArm shifts the limit: in the trial guard, beside the true ones.
func (m *Machine) proofArm() bool {
	p, s, l := &m.proof, &m.meas, &m.plan.Limits
	e := p.ins
	var t guard.Limits
	room := true
	switch e.Protection {
	case ProveCellHigh:
		t.CellMax = s.high + drivers.Microvolts(e.Beyond)
		p.limit, room = int64(t.CellMax), t.CellMax < l.CellMax
	case ProveCellLow:
		t.CellMin = s.low - drivers.Microvolts(e.Beyond)
		p.limit, room = int64(t.CellMin), t.CellMin > l.CellMin
	case ProveTempHigh:
		t.TempMax = s.hottest + drivers.Millikelvins(e.Beyond)
		p.limit, room = int64(t.TempMax), t.TempMax < min(l.TempMax, l.TempChargeMax, l.TempDischargeMax) && t.TempMax > l.TempMin
	case ProveTempLow:
		t.TempMin = s.coldest - drivers.Millikelvins(e.Beyond)
		p.limit, room = int64(t.TempMin), t.TempMin > max(l.TempMin, l.TempChargeMin, l.TempDischargeMin) && t.TempMin < l.TempMax
	case ProveChargeHigh:
		t.ChargeMax, p.limit = e.Current, int64(e.Current)
	case ProveDischargeHigh:
		t.DischargeMax, p.limit = e.Current, int64(e.Current)
	case ProveStale:
		p.beat, p.since, p.limit = s.beat, m.now, int64(l.Stale)
	case ProveLease:
		// The latest renewal is up to a frame old.
		p.since, p.limit = m.now.Add(-m.plan.Bench.Monitor.Period), int64(m.plan.Bench.Lease)
	}
	m.trial.Reset(m.now)
	if err := m.trial.Tighten(&t); err != nil || !room {
		m.drive.stage = stageFlow
		m.driveEnd("no room between the reading and the true limit")
		return false
	}
	p.armed = true
	if e.Ask != "" {
		m.emit(Record{Kind: RecordNote, Step: max(m.code.step, 0), Text: e.Ask})
		m.emit(Notify{Severity: SeverityInfo, Text: e.Ask}) // who asks has made safe first
	}
	return true
}

// PressesStop says that a proof waits for the emergency stop to be pressed, or
// has seen it pressed and is not over: whoever simulates a person holds it so
// long.
func (m *Machine) PressesStop() bool {
	return m.proof.holds(ProveStop) && (m.phase == PhaseRunning || m.phase == PhaseTripped)
}

// holds says that the proof of a protection has its stimulus applied.
func (p *proving) holds(x Protection) bool { return p.ins != nil && p.armed && p.ins.Protection == x }

// expects says that a finding of the true guard is what the proof waits for.
// Only what has no limit that could be shifted trips the true guard.
func (m *Machine) expects(f *guard.Finding) bool {
	p := &m.proof
	switch {
	case p.holds(ProveStop):
		return f.Cause == guard.EmergencyStop
	case p.holds(ProveLease):
		// The host has taken everything off: the outputs say so, or the contactors
		// are open that were told to be closed.
		state := int32(f.Value) &^ drivers.PowerOn
		return f.Cause == guard.DeviceFault && (f.Channel == m.meas.chSup || f.Channel == m.meas.chL) && state == drivers.PowerLeaseOut ||
			f.Cause == guard.ContactorMismatch && f.Value == 0
	}
	return false
}

// proofFrame lets the proof look at a frame that the true guard has judged; true
// means that the frame is dealt with. A breach of a true limit is never the
// proof's: it comes first, and latches.
func (m *Machine) proofFrame(f *drivers.Frame, findings []guard.Finding) bool {
	p := &m.proof
	expected := -1
	for i := range findings {
		switch x := &findings[i]; {
		case !x.Hard:
		case m.expects(x):
			expected = max(expected, i)
		case p.tripped || m.phase == PhaseRunning:
			m.becomeTripped(causeGuard, *x, "")
			return true
		}
	}
	m.proofTimes()
	if p.tripped || m.phase != PhaseRunning || m.task != taskDrive || m.drive.stage != stageFlow {
		return false
	}
	if expected >= 0 {
		m.proofTrips(findings[expected])
		return true
	}
	if p.armed && p.since != 0 && m.now.Sub(p.since) > max(p.ins.Zero, p.ins.Open)+overdueGrace {
		m.driveEnd(fmt.Sprintf("nothing happened within %v", m.now.Sub(p.since)))
		return true
	}
	if !p.armed {
		flows := m.meas.fresh && abs(m.meas.current) >= m.cmd.current*3/4
		return flows && m.now >= m.cmd.steadyAt && m.meas.cellsOK && m.meas.tempsOK && !m.proofArm()
	}
	for _, x := range m.trial.Check(p.seen(f, m.meas.chBeat), m.context()) {
		switch {
		case !x.Hard:
		case x.Cause.String() != string(p.ins.Protection):
			m.becomeTripped(causeGuard, x, "")
			return true
		default:
			if why := m.unbelieved(x); why != "" {
				m.becomeTripped(causeProof, x, why)
				return true
			}
			m.proofTrips(x)
			return true
		}
	}
	return false
}

// seen is the frame as the trial guard is shown it: as it is, but for a proof of
// stale data, where the monitor's counter stands still. The true guard has seen
// the true one.
func (p *proving) seen(f *drivers.Frame, beat int) *drivers.Frame {
	if !p.holds(ProveStale) || beat < 0 || beat >= len(f.Counts) {
		return f
	}
	p.frame.At, p.frame.Seq, p.frame.Echo = f.At, f.Seq, f.Echo
	p.frame.Counts = append(p.frame.Counts[:0], f.Counts...)
	p.frame.Counts[beat] = p.beat
	return &p.frame
}

// unbelieved says why a reading past the shifted limit is not what the drive has
// done, by another channel; empty: it is. A tap that jumps by itself passes a
// limit and proves nothing.
func (m *Machine) unbelieved(x guard.Finding) string {
	p, s, l := &m.proof, &m.meas, &m.plan.Limits
	switch p.ins.Protection {
	case ProveCellHigh, ProveCellLow:
		sign := drivers.Microvolts(1)
		if p.ins.Protection == ProveCellLow {
			sign = -1
		}
		// The siblings carry the same current, over half to twice the resistance.
		n, least := drivers.Microvolts(max(m.plan.Series, 1)), drivers.Microvolts(p.ins.Beyond)/3
		if taps, meter := sign*(s.sum-p.sum)/n, sign*(s.voltage-p.voltage)/n; taps < least || meter < least {
			return fmt.Sprintf("%s passed the shifted limit by itself: the taps moved by %v in the mean and the meter by %v a cell, at least %v was to be expected",
				guard.Describe(x, &m.plan.Layout), taps, meter, least)
		}
	case ProveChargeHigh, ProveDischargeHigh:
		other, tolerance := s.boxCurrent, l.BoxCurrentTolerance
		if !s.boxCurrentOK {
			other, tolerance = m.cmd.current, l.CurrentTolerance
			if m.drive.ins.Direction == Discharging {
				other = -other
			}
		}
		if abs(s.current-other) > tolerance+l.NearZero {
			return fmt.Sprintf("the shunt reads %v and another channel %v: not the current that the proof let flow", s.current, other)
		}
	}
	return ""
}

// proofTimes notes when current was first measured zero, and the contactors open,
// since the limit was passed.
func (m *Machine) proofTimes() {
	p, s := &m.proof, &m.meas
	if p.since == 0 {
		return
	}
	if p.offAt == 0 && p.holds(ProveLease) && s.supplyOK && s.loadOK && !m.powerOn() {
		p.offAt = m.now
	}
	zero := s.currentOK && abs(s.current) <= m.plan.Limits.NearZero
	if box := s.boxCurrentOK && abs(s.boxCurrent) > m.plan.Limits.NearZero+m.plan.Limits.BoxCurrentTolerance; s.fresh && (!zero || box) {
		p.zeroAt = 0
	} else if s.fresh && p.zeroAt == 0 {
		p.zeroAt = m.now
	}
	switch open := m.open(); {
	case !open:
		p.openAt = 0
	case p.openAt == 0:
		p.openAt = m.now
	}
}

// proofTrips is the expected trip: everything that a real one does, but for the
// latch, which waits until it is known whether the trip went as it must.
func (m *Machine) proofTrips(f guard.Finding) {
	p := &m.proof
	p.tripped, p.finding = true, f
	if p.since == 0 {
		p.since = f.Since
	}
	if p.offAt == 0 {
		p.offAt = m.now
	}
	text := guard.Describe(f, &m.plan.Layout)
	m.deenergise(cause(p.ins.Protection), f, text)
	m.emit(Record{Kind: RecordNote, Step: max(m.code.step, 0), Finding: f, Text: "trip expected by the proof of " + string(p.ins.Protection) + ": " + text})
	m.armEscalation()
}

// causeProof is a proof that did not go as it must.
const causeProof cause = "proof"

// proofQuiet is called in place of a clearance, with every frame that shows no
// current and no contactor closed; but says that one does not read open.
func (m *Machine) proofQuiet(but string) {
	p := &m.proof
	why := ""
	switch {
	case but != "":
		why = "a contactor still reads closed"
	case m.powerOn():
		why = "supply or load still reads on"
	case p.zeroAt == 0 || p.zeroAt.Sub(p.since) > p.ins.Zero:
		why = fmt.Sprintf("current was zero after %v, and had to be within %v", p.zeroAt.Sub(p.since), p.ins.Zero)
	case p.offAt.Sub(p.since) > p.ins.Off:
		why = fmt.Sprintf("the off command came after %v, and had to come within %v", p.offAt.Sub(p.since), p.ins.Off)
	case p.openAt.Sub(p.since) > p.ins.Open:
		why = fmt.Sprintf("the contactors read open after %v, and had to within %v", p.openAt.Sub(p.since), p.ins.Open)
	}
	if why != "" && !p.cleared || but != "" {
		m.becomeTripped(causeProof, p.finding, why)
		return
	}
	if !p.cleared {
		p.cleared, p.clearedAt = true, m.now
		m.timer = m.now.Add(linkWait)
	}
	switch by := p.stopped; {
	case m.proofLink():
		m.proofPassed()
	case by != "": // who stops a run waits for no proof
		m.proofFails("stopped " + by)
		m.proofOver(by)
	}
}

// proofOverdue ends a proof whose trip is not over in its time; it then is a trip
// like any other.
func (m *Machine) proofOverdue() bool {
	p := &m.proof
	switch {
	case !p.tripped:
		return false
	case p.cleared && m.now.Sub(p.clearedAt) >= linkWait:
		m.becomeTripped(causeProof, p.finding, "the link stayed at the article's voltage: a contactor is not open, or the supply is on")
	case !p.cleared && m.now.Sub(p.since) > max(p.ins.Zero, p.ins.Open)+overdueGrace:
		m.becomeTripped(causeProof, p.finding, fmt.Sprintf("no current and open contactors were not both measured within %v", m.now.Sub(p.since)))
	default:
		return false
	}
	return true
}

// overdueGrace is added to what is allowed before waiting for more is in vain: a
// row that is late within it is still measured.
const overdueGrace = 2 * drivers.Second

// proofSpoiled makes a trip like any other of an expected one, where something
// fails meanwhile.
func (m *Machine) proofSpoiled(c cause, text string) {
	if m.proof.tripped {
		m.becomeTripped(c, guard.Finding{}, text)
	}
}

// linkWait bounds how long the link may take to show that nothing holds it up.
const linkWait = drivers.Minute

// proofLink says whether the link has left the article's voltage, which no
// contactor's own feedback shows: it does so only where the path is open and no
// supply feeds it. Without a bleed that is quick enough it keeps its charge and can
// show nothing.
func (m *Machine) proofLink() bool {
	p, s, box := &m.proof, &m.meas, &m.plan.Bench.Box
	apart := 2*m.plan.Limits.LinkTolerance + 4*box.LinkStep
	tau := drivers.Span(int64(box.LinkBleed) / 1000 * box.LinkNF / 1_000_000) // uOhm*nF is fs
	if tau <= 0 || int64(s.voltage)/2*int64(linkWait)/int64(tau) < int64(apart) {
		return true
	}
	p.linked = s.linkOK && s.voltageOK && s.link < s.voltage-apart
	return p.linked
}

// proofPassed records the row and lets the run go on: by arming again, which
// makes everything safe, arms and reads back the instruments' limits and looks at
// the whole bench as before the first energy.
func (m *Machine) proofPassed() {
	p := m.proof
	m.emit(m.proofRow(true, ""))
	m.proofOver(p.stopped)
	switch {
	case p.stopped != "":
	case p.ins.Protection == ProveStop: // a question follows, and arms after it
		m.phase = PhaseRunning
		m.taskDone()
	default:
		m.becomeArming(true)
	}
}

// proofOver forgets the expected trip; by names who has stopped the run meanwhile.
func (m *Machine) proofOver(by string) {
	m.proof = proving{frame: m.proof.frame}
	m.trip, m.stop, m.timer = tripping{}, stopping{}, 0
	m.drive = driving{end: "proved"}
	m.sw.reclosing = false
	if by != "" {
		m.drive.end = ""
		m.becomeStopping(OutcomeStopped, "stopped "+by)
	}
}

// proofFails ends a proof that is under way, where anything but the expected
// happens.
func (m *Machine) proofFails(why string) {
	if m.proof.ins == nil {
		return
	}
	m.emit(m.proofRow(false, why))
	m.proof = proving{frame: m.proof.frame}
}

// proofMissed: the drive ended and nothing tripped.
func (m *Machine) proofMissed(why string) {
	m.drive.failure = fmt.Sprintf("the proof of %s did not trip: %s", m.drive.ins.Expect.Protection, why)
	m.proofFails(m.drive.failure)
}
