package machine

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// waiting is the state of a rest.
type waiting struct {
	ins   *Wait
	until drivers.Instant
	left  drivers.Span // what a pause has left over
}

func (m *Machine) beginWait(ins *Wait) {
	span := ins.Span
	if m.wait.left > 0 {
		span = m.wait.left
	}
	m.wait = waiting{ins: ins, until: m.now.Add(span)}
	m.timer = m.wait.until
	if ins.Open && m.cmd.contactors != 0 {
		m.switchTo(0)
	}
}

func (m *Machine) waitStep(s signal) {
	if s == onDue {
		m.drive.end = "time"
		m.taskDone()
	}
}

// asking is the state of a question to a person.
type asking struct {
	text string
	// safe says that contactors read open and current zero; only then is the
	// person told to do something.
	safe bool
}

// becomeAsking makes everything safe, and then asks. From there on the frames
// may stop: the person may have to unplug something. The next arming looks
// again.
func (m *Machine) becomeAsking(a *Ask) {
	m.phase = PhaseAsking
	m.ask = asking{text: a.Text}
	i := m.cmd.current
	m.halt(0)
	m.switchTo(0)
	m.bleedCells(nil)
	m.timer = m.now.Add(max(m.response(i)+fallGrace, m.switchTime()))
}

func (m *Machine) askingFrame() {
	if m.ask.safe || !m.meas.still() || !m.open() || m.powerOn() {
		return
	}
	m.ask.safe = true
	m.timer = 0
	m.emit(Record{Kind: RecordNote, Step: m.code.step, Text: "waits for a person: " + m.ask.text})
	m.emit(Notify{Severity: SeverityAsk, Text: m.ask.text})
}

func (m *Machine) askingDue() {
	m.becomeTripped(causeContactor, guard.Finding{}, "contactors do not read open with no current before a person is asked to act")
}

// Asks says that a person is being asked, with everything safe.
func (m *Machine) Asks() bool { return m.phase == PhaseAsking && m.ask.safe }

// open says that every contactor reads open.
func (m *Machine) open() bool {
	return m.meas.boxOK && m.meas.box&(drivers.BoxNegative|drivers.BoxPrecharge|drivers.BoxPositive) == 0
}

func (m *Machine) confirm(e Operator) {
	m.emit(Record{Kind: RecordNote, Step: m.code.step, Text: "confirmed " + e.by()})
	m.drive.end = "confirmed"
	m.code.probed = false // a person may have connected another article
	m.becomeArming(true)
}
