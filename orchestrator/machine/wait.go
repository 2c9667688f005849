package machine

import "github.com/rigwarden/rigwarden/drivers"

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

// becomeAsking makes everything safe and waits for a person. The frames may
// stop: the person may have to unplug something. The next arming looks again.
func (m *Machine) becomeAsking(a *Ask) {
	m.phase = PhaseAsking
	m.halt(0)
	m.switchTo(0)
	m.bleedCells(nil)
	m.emit(Record{Kind: RecordNote, Step: m.code.step, Text: "waits for a person: " + a.Text})
	m.emit(Notify{Severity: SeverityAsk, Text: a.Text})
}

func (m *Machine) confirm(e Operator) {
	m.emit(Record{Kind: RecordNote, Step: m.code.step, Text: "confirmed by " + e.Who + ": " + e.Reason})
	m.drive.end = "confirmed"
	m.becomeArming(true)
}
