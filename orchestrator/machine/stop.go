package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// pausing is a run that stands still and may go on.
type pausing struct {
	reason string
	// auto says that a soft limit caused it, so that it may end by itself.
	auto  bool
	since drivers.Instant
	count int // automatic pauses so far
}

// pauseOpen is how long contactors stay closed in a pause (INV-16).
const pauseOpen = 10 * drivers.Minute

// becomePausing switches off and waits for zero current.
func (m *Machine) becomePausing(reason string, auto bool) {
	m.pause.reason, m.pause.auto = reason, auto
	if auto {
		if m.pause.count++; m.pause.count > m.plan.Pauses {
			m.becomeStopping(OutcomeFailed, fmt.Sprintf("paused by a soft limit %d times, at most %d are allowed: %s", m.pause.count, m.plan.Pauses, reason))
			return
		}
	}
	m.phase = PhasePausing
	m.keep()
	i := m.cmd.current
	m.halt(0)
	if m.cmd.bleeding {
		m.bleedCells(nil)
	}
	if m.cmd.contactors != closed {
		m.switchTo(0)
	}
	m.meas.quiet = 0
	m.timer = m.now.Add(m.response(i) + fallGrace)
}

// keep remembers how far the interrupted instruction has come.
func (m *Machine) keep() {
	switch m.task {
	case taskDrive:
		d := &m.drive
		if d.edge != 0 && d.stage == stageFlow {
			d.flowed += m.now.Sub(d.edge)
		}
		d.paused = true
	case taskWait:
		m.wait.left = max(m.wait.until.Sub(m.now), drivers.Millisecond)
	}
}

func (m *Machine) pausingFrame() {
	if !m.meas.still() || m.powerOn() {
		return
	}
	m.phase = PhasePaused
	m.pause.since = m.now
	m.timer = m.now.Add(pauseOpen)
	if m.pause.auto {
		m.timer = m.now.Add(min(m.plan.PauseMin, pauseOpen))
	}
	m.emit(Record{Kind: RecordPause, Step: m.code.step, Text: m.pause.reason})
	m.emit(Notify{Severity: SeverityInfo, Text: "paused: " + m.pause.reason})
}

// pausedFrame lets a soft pause end once its cause is gone for good.
func (m *Machine) pausedFrame() {
	p, l := &m.pause, &m.plan.Limits
	if !p.auto || m.now.Sub(p.since) < m.plan.PauseMin || !m.meas.tempsOK {
		return
	}
	if l.TempSoftMax > 0 && m.meas.hottest > l.TempSoftMax-l.TempSoftHysteresis {
		return
	}
	if m.task == taskDrive && m.ceiling() <= 0 {
		return
	}
	m.resume("the soft limit's cause is gone")
}

// pauseMax bounds a pause that a soft limit caused (INV-11); a person may leave
// a run paused for as long as it takes.
const pauseMax = 12 * drivers.Hour

func (m *Machine) pausedDue() {
	since := m.now.Sub(m.pause.since)
	switch {
	case since < pauseOpen:
		m.timer = m.pause.since.Add(pauseOpen)
		return
	case m.pause.auto && since >= pauseMax:
		m.becomeStopping(OutcomeFailed, fmt.Sprintf("paused for %d h: %s", pauseMax/drivers.Hour, m.pause.reason))
		return
	}
	m.timer = 0
	if m.pause.auto {
		m.timer = m.pause.since.Add(pauseMax)
	}
	if m.cmd.contactors != 0 {
		m.switchTo(0)
	}
}

func (m *Machine) resume(why string) {
	m.emit(Record{Kind: RecordResume, Step: m.code.step, Span: m.now.Sub(m.pause.since), Text: why})
	m.phase = PhaseRunning
	m.beginTask()
}

// by says who asked for it, and why where a reason was given.
func (e Operator) by() string {
	who := e.Who
	if who == "" {
		who = "somebody"
	}
	if e.Reason == "" {
		return "by " + who
	}
	return "by " + who + ": " + e.Reason
}

// stepOperator carries out a person's command.
func (m *Machine) stepOperator(e Operator) {
	switch e.Verb {
	case VerbStop:
		m.operatorStop(e)
	case VerbPause:
		if m.phase == PhaseRunning {
			m.becomePausing(e.by(), false)
		}
	case VerbResume:
		if m.phase == PhasePaused && !m.pause.auto {
			m.resume(e.by())
		}
	case VerbConfirm:
		if m.Asks() {
			m.confirm(e)
		}
	case VerbAcknowledge:
		m.acknowledge(e)
	}
}

// operatorStop is never refused (INV-13). A trip already does more than a stop.
func (m *Machine) operatorStop(e Operator) {
	switch m.phase {
	case PhaseRunning, PhasePausing, PhasePaused, PhaseAsking:
		m.becomeStopping(OutcomeStopped, "stopped "+e.by())
	case PhaseArming:
		if m.arm.again {
			m.becomeStopping(OutcomeStopped, "stopped "+e.by())
			return
		}
		m.halt(0)
		m.switchTo(0)
		m.finish(OutcomeStopped, "stopped "+e.by())
	case PhaseStopping:
		if m.stop.outcome == OutcomeDone {
			m.stop.outcome, m.stop.reason = OutcomeStopped, "stopped "+e.by()
		}
	case PhaseIdle, PhaseWatching, PhaseLatched:
		m.halt(0)
		m.switchTo(0)
	case PhaseTripped:
		m.proof.stopped = e.by()
		m.escalate()
	}
}

// stopping is an orderly end: off, zero current measured, contactors open.
type stopping struct {
	outcome Outcome
	reason  string
	opened  bool
}

func (m *Machine) becomeStopping(o Outcome, reason string) {
	m.phase = PhaseStopping
	m.task = taskNone
	m.stop = stopping{outcome: o, reason: reason}
	i := m.cmd.current
	m.halt(0)
	if m.cmd.bleeding {
		m.bleedCells(nil)
	}
	m.meas.quiet = 0
	m.timer = m.now.Add(m.response(i) + fallGrace)
}

func (m *Machine) stoppingFrame() {
	s := &m.meas
	switch {
	case !m.stop.opened && s.still():
		m.stop.opened = true
		m.switchTo(0)
		m.timer = m.now.Add(m.switchTime())
	case m.stop.opened && m.open() && !m.powerOn():
		m.finish(m.stop.outcome, m.stop.reason)
	}
}

func (m *Machine) stoppingDue() {
	if m.stop.opened {
		m.becomeTripped(causeContactor, guard.Finding{}, "a contactor did not open at the end: welded, or its feedback is wrong")
		return
	}
	m.becomeTripped(causeDriver, guard.Finding{}, "current did not fall to zero at the end")
}

// finish ends the run and goes on watching (INV-16).
func (m *Machine) finish(o Outcome, reason string) {
	m.endStep(reason)
	m.task = taskNone
	m.timer = 0
	m.emit(Finish{Outcome: o, Reason: reason})
	m.beginLinger()
	if o == OutcomeRefused {
		m.phase = PhaseIdle
		return
	}
	m.phase = PhaseWatching
	m.beginWatch()
}

// PausedBySoftLimit says that the present pause may end by itself.
func (m *Machine) PausedBySoftLimit() bool { return m.phase == PhasePaused && m.pause.auto }
