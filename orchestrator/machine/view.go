package machine

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// Phase is the machine's state in a word for people.
type Phase string

// Phases.
const (
	PhaseIdle     Phase = "idle"
	PhaseArming   Phase = "arming"
	PhaseRunning  Phase = "running"
	PhasePausing  Phase = "pausing"
	PhasePaused   Phase = "paused"
	PhaseAsking   Phase = "asking"
	PhaseStopping Phase = "stopping" // orderly: zero current, then open
	PhaseTripped  Phase = "tripped"  // de-energising, current not yet proven zero
	PhaseLatched  Phase = "latched"  // zero current proven; waits for a person
	PhaseWatching Phase = "watching" // after an end, until temperatures settle
)

// View is what people and clients may know of the machine, a copy.
type View struct {
	At    drivers.Instant
	Phase Phase
	Run   string
	Step  int // index in the plan; -1 before the first
	Pass  int
	Label string
	Kind  string
	// Stage is what the step does right now in a word: precharge, hold, settle.
	Stage string
	// StepSpan is the time in the step; StepLeft and RunLeft what is left, by
	// the compiler's prediction corrected by what has happened.
	StepSpan, StepLeft, RunSpan, RunLeft drivers.Span
	// Charge and Energy counted in the step, signed as measured.
	Charge drivers.Charge
	Energy drivers.Energy
	// Direction and Current are what is commanded.
	Direction  Direction
	Current    drivers.Microamps
	Contactors drivers.Contactors
	// Finding and Cause tell the latest trip or pause.
	Finding guard.Finding
	Cause   string
	// ImbalancePPM is the planner's latest answer, -1 before one.
	ImbalancePPM int64
	// Balance is the rest of it, as it stands now.
	Balance Balance
	// ToZero is the time from the breaching frame to proven zero current.
	ToZero drivers.Span
	// Unsafe says what stands against working at the bench's terminals.
	Unsafe string
}

// Look fills v with the machine's present state.
func (m *Machine) Look(v *View) {
	*v = View{
		At: m.now, Phase: m.phase, Run: m.run, Step: -1, Stage: m.stageName(),
		Direction: m.cmd.direction, Current: m.cmd.current, Contactors: m.cmd.contactors,
		Finding: m.trip.finding, Cause: m.trip.text, ToZero: m.trip.toZero, ImbalancePPM: -1,
		Unsafe: m.Unsafe(),
	}
	if live := m.LinkLive(); live != "" {
		v.Cause = live
		if m.trip.text != "" {
			v.Cause += "; latched by " + m.trip.text
		}
	}
	if m.plan == nil {
		return
	}
	c := &m.code
	v.ImbalancePPM, v.Balance = c.imbalancePPM, c.balance
	if m.phase == PhasePaused || m.phase == PhasePausing {
		v.Cause = m.pause.reason
	}
	if c.started != 0 {
		v.RunSpan = m.now.Sub(c.started)
	}
	if c.step < 0 {
		return
	}
	v.Step, v.Pass = c.step, c.passes[c.step]
	step := &m.plan.Steps[c.step]
	v.Label, v.Kind = step.Label, step.Kind
	v.StepSpan = m.now.Sub(c.begun)
	v.Charge, v.Energy = m.count.charge-c.charge0, m.count.energy-c.energy0
	v.StepLeft = m.stepLeft(step, v.StepSpan)
	v.RunLeft = v.StepLeft + m.runLeft()
}

// stepLeft predicts from what the step has moved so far where that says more
// than the clock does.
func (m *Machine) stepLeft(s *Step, spent drivers.Span) drivers.Span {
	left := s.Predicted - spent
	switch {
	case m.task == taskWait:
		left = m.wait.until.Sub(m.now)
	case m.task == taskBleed && m.bleed.stage == bleedFlow:
		left = m.bleedLength()
	case m.task == taskDrive && m.drive.ins.Span > 0 && m.drive.edge != 0:
		left = m.drive.edge.Add(m.drive.ins.Span - m.drive.flowed).Sub(m.now)
	case m.task == taskDrive && m.drive.limit > 0 && m.cmd.current > 0:
		left = drivers.Span(int64(m.drive.limit-m.driveCharge()) / int64(m.cmd.current) * int64(drivers.Millisecond))
	}
	return max(left, 0)
}

// runLeft is the predicted time of the steps not yet begun.
func (m *Machine) runLeft() drivers.Span {
	var t drivers.Span
	for i := range m.plan.Steps {
		s := &m.plan.Steps[i]
		if n := s.Repeat - m.code.passes[i]; n > 0 {
			t += drivers.Span(n) * s.Predicted
		}
	}
	return t
}

func (m *Machine) stageName() string {
	if m.phase != PhaseRunning {
		return ""
	}
	switch m.task {
	case taskDrive:
		name := [...]string{stageQuiet: "waiting for zero current", stagePermit: "permit", stageFlow: "current", stageFall: "off", stageProbe: "first current"}[m.drive.stage]
		if m.drive.stage == stageFlow && m.drive.hold.active {
			name = "hold"
		}
		return name
	case taskWait:
		return "rest"
	case taskBleed:
		return [...]string{bleedSettle: "settling", bleedCompute: "planning", bleedFlow: "bleeding", bleedHeld: "holding"}[m.bleed.stage]
	case taskSwitch:
		return [...]string{switchPermit: "permit", switchNegative: "negative", switchPrecharge: "precharge", switchPositive: "positive", switchFinal: "closing", switchOpening: "opening", switchCool: "resistor cools"}[m.sw.stage]
	}
	return ""
}
