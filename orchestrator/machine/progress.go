package machine

import "github.com/rigwarden/rigwarden/drivers"

// progress is the place in the plan's code and the results so far.
type progress struct {
	pc        int
	probed    bool  // the run's first, small current is over
	jumps     []int // how often each instruction jumped
	registers []int64
	lists     [][]int64
	passes    []int // how often each step was entered

	step    int // index in Plan.Steps, -1 for none
	begun   drivers.Instant
	charge0 drivers.Charge
	energy0 drivers.Energy
	started drivers.Instant // of the run
	spunAt  drivers.Instant // when spins instructions were passed
	spins   int
	// lastClose is how the contactors were last closed, to close them again.
	lastClose *Switch
	// imbalancePPM is the planner's latest answer, -1 before one.
	imbalancePPM int64
	balance      Balance
}

func newProgress(p *Plan) progress {
	return progress{
		jumps: make([]int, len(p.Code)), registers: make([]int64, len(p.Registers)),
		lists: make([][]int64, len(p.Lists)), passes: make([]int, len(p.Steps)),
		step: -1, imbalancePPM: -1,
	}
}

// task is what the running instruction does.
type task uint8

const (
	taskNone task = iota
	taskDrive
	taskWait
	taskBleed
	taskSwitch
	taskAsk
)

// signal is why a task is called.
type signal uint8

const (
	onFrame signal = iota
	onDue
	onStored
	onDone
)

func (m *Machine) becomeRunning() {
	m.phase = PhaseRunning
	m.code.started = m.now
	m.advance()
}

func (m *Machine) stepTask(s signal) {
	switch m.task {
	case taskDrive:
		m.driveStep(s)
	case taskWait:
		m.waitStep(s)
	case taskBleed:
		m.bleedStep(s)
	case taskSwitch:
		m.switchStep(s)
	}
}

// taskDone goes to the next instruction.
func (m *Machine) taskDone() {
	m.timer = 0
	if m.sw.reclosing {
		m.sw.reclosing = false
		m.drive.end = ""
		m.beginTask()
		return
	}
	m.code.pc++
	m.advance()
}

// advanceMax bounds how many instructions may pass at one instant.
const advanceMax = 10_000

// advance runs instructions until one needs time.
func (m *Machine) advance() {
	c := &m.code
	if c.spunAt != m.now {
		c.spunAt, c.spins = m.now, 0
	}
	for ; c.spins < advanceMax; c.spins++ {
		if c.pc >= len(m.plan.Code) {
			m.endStep("end of plan")
			m.becomeStopping(OutcomeDone, "")
			return
		}
		ins := &m.plan.Code[c.pc]
		m.enterStep(ins.Step)
		switch ins.Op {
		case OpCompare:
			c.pc = m.compare(ins.Compare)
		case OpJump:
			if c.jumps[c.pc]++; c.jumps[c.pc] <= ins.Jump.Max {
				c.pc = ins.Jump.Target
			} else {
				c.jumps[c.pc] = 0 // an outer loop may come here again
				c.pc++
			}
		case OpNote:
			m.emit(Record{Kind: RecordNote, Step: c.step, Text: ins.Note.Text})
			m.emit(Notify{Severity: SeverityInfo, Text: ins.Note.Text})
			c.pc++
		case OpEnd:
			outcome := OutcomeDone
			if ins.End.Failed {
				outcome = OutcomeFailed
			}
			m.becomeStopping(outcome, ins.End.Reason)
			return
		default:
			c.spins++
			m.beginTask()
			return
		}
	}
	m.becomeStopping(OutcomeFailed, "the plan loops without taking time")
}

// compare returns the next instruction's index.
func (m *Machine) compare(x *Compare) int {
	holds := false
	if x.List > 0 {
		l := m.code.lists[x.List-1]
		if x.Count > 0 && len(l) >= x.Count {
			last := l[len(l)-x.Count:]
			lo, hi := last[0], last[0]
			for _, v := range last {
				lo, hi = min(lo, v), max(hi, v)
			}
			holds = hi-lo <= x.Value
		}
	} else {
		v := m.code.registers[x.Register-1]
		holds = x.Op == "<=" && v <= x.Value || x.Op == ">=" && v >= x.Value
	}
	if holds {
		return x.Then
	}
	return m.code.pc + 1
}

// beginTask begins the instruction at pc, also again after a pause.
func (m *Machine) beginTask() {
	ins := &m.plan.Code[m.code.pc]
	m.timer = 0
	switch ins.Op {
	case OpDrive, OpPulse:
		m.task = taskDrive
		m.beginDrive(ins)
	case OpWait:
		m.task = taskWait
		m.beginWait(ins.Wait)
	case OpBleed:
		m.task = taskBleed
		m.beginBleed(ins.Bleed)
	case OpSwitch:
		m.task = taskSwitch
		m.beginSwitch(ins.Switch)
	case OpAsk:
		m.task = taskAsk
		m.becomeAsking(ins.Ask)
	}
}

// enterStep records the end of one step and the beginning of another.
func (m *Machine) enterStep(i int) {
	c := &m.code
	if i == c.step {
		return
	}
	m.endStep("")
	c.step = i
	c.passes[i]++
	c.begun, c.charge0, c.energy0 = m.now, m.count.charge, m.count.energy
	m.emit(Record{Kind: RecordStep, Step: i, Pass: c.passes[i], Label: m.plan.Steps[i].Label})
}

func (m *Machine) endStep(why string) {
	c := &m.code
	if c.step < 0 {
		return
	}
	if m.drive.end != "" {
		why = m.drive.end
	}
	m.drive.end = ""
	m.emit(Record{
		Kind: RecordEnd, Step: c.step, Pass: c.passes[c.step], Label: m.plan.Steps[c.step].Label,
		Charge: m.count.charge - c.charge0, Energy: m.count.energy - c.energy0, Span: m.now.Sub(c.begun), Text: why,
	})
	c.step = -1
}
