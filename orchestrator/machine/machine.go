package machine

import (
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// ErrRunning is returned by Load while a run is under way.
var ErrRunning = errors.New("a run is under way")

// Machine is one bench's state machine. It is not safe for concurrent use; the
// loop that owns it calls it from one goroutine.
type Machine struct {
	next      *Plan // loaded, waits for Start
	nextGuard *guard.Guard
	nextTrial *guard.Guard
	plan      *Plan // of the run under way, or of the last one
	guard     *guard.Guard
	trial     *guard.Guard // holds a proof's shifted limit, beside the guard

	phase Phase
	run   string
	now   drivers.Instant
	// epoch numbers the halts; answers to older epochs change nothing.
	epoch uint64
	// timer is the deadline of the present state, 0 for none.
	timer drivers.Instant
	// heard is when the latest frame came, for the watchdog on silence.
	heard drivers.Instant

	meas  measure
	count counter
	cmd   command
	code  progress
	task  task

	arm    arming
	drive  driving
	bleed  bleeding
	wait   waiting
	sw     switching
	pause  pausing
	ask    asking
	stop   stopping
	trip   tripping
	watch  watching
	linger lingering
	trend  trending
	proof  proving
	warm   resisting // outlives runs

	out []Action
}

// New returns a machine that knows nothing yet; its first event is Boot.
func New() *Machine {
	return &Machine{phase: PhaseIdle, out: make([]Action, 0, 16)}
}

// Load hands over the plan that the next Start begins. It is refused while a
// run is under way. The machine reads the plan for as long as it runs and
// writes nothing to it: several may work by the same one.
func (m *Machine) Load(plan *Plan) error {
	own := *plan
	p := &own
	if m.Busy() {
		return fmt.Errorf("load plan %q: %w", p.Profile, ErrRunning)
	}
	if err := p.Layout.Index(); err != nil {
		return fmt.Errorf("load plan %q: %w", p.Profile, err)
	}
	if err := p.Check(); err != nil {
		return fmt.Errorf("load plan %q: %w", p.Profile, err)
	}
	g, err := guard.New(&p.Limits, &p.Layout)
	if err != nil {
		return fmt.Errorf("load plan %q: %w", p.Profile, err)
	}
	m.next, m.nextGuard, m.nextTrial = p, g, nil
	if p.proves() {
		if m.nextTrial, err = guard.New(&p.Limits, &p.Layout); err != nil {
			return fmt.Errorf("load plan %q: %w", p.Profile, err)
		}
	}
	return nil
}

// Busy says whether a run is under way, so that no other can start.
func (m *Machine) Busy() bool {
	switch m.phase {
	case PhaseIdle, PhaseWatching, PhaseLatched:
		return false
	}
	return true
}

// Energised says whether the article may be connected or current may flow: the
// lease must then be renewed to go on, and must not be otherwise.
func (m *Machine) Energised() bool {
	switch m.phase {
	case PhaseRunning, PhasePausing, PhasePaused, PhaseStopping:
		return true
	}
	return false
}

// Plan returns the plan of the run under way or the last one, nil before any.
func (m *Machine) Plan() *Plan { return m.plan }

// Epoch returns the number of the latest halt.
func (m *Machine) Epoch() uint64 { return m.epoch }

// Phase returns the machine's state.
func (m *Machine) Phase() Phase { return m.phase }

// Deadline is the instant at which the machine wants a Due event if nothing
// else happens before; 0 for never.
func (m *Machine) Deadline() drivers.Instant {
	d := m.timer
	if w := m.watchdog(); w != 0 && (d == 0 || w < d) {
		d = w
	}
	if n := m.lingerNext(); n != 0 && (d == 0 || n < d) {
		d = n
	}
	return d
}

// watchdog is the instant at which silence becomes a trip (INV-02).
func (m *Machine) watchdog() drivers.Instant {
	watched := m.Energised() || m.phase == PhaseArming || m.watch.on && !m.watch.silent
	if m.plan == nil || !watched {
		return 0
	}
	return m.heard.Add(m.plan.Limits.Stale)
}

// Step takes one event and returns what is to be done about it, in order. The
// returned slice is valid until the next call.
func (m *Machine) Step(e Event) []Action {
	if f, ok := e.(Framed); ok {
		return m.StepFrame(f.At, f.Frame)
	}
	m.begin(e.When())
	switch e := e.(type) {
	case Boot:
		m.boot(e)
	case Start:
		m.start(e)
	case Due:
		m.stepDue()
	case Operator:
		m.stepOperator(e)
	case Done:
		m.stepDone(e)
	case Lost:
		m.stepLost(e)
	case Opened:
		m.stepOpened(e)
	case Stored:
		m.stepStored(e)
	case StoreFailed:
		m.stepStoreFailed(e)
	case Computed:
		m.stepComputed(e)
	case ClockJump:
		m.stepClockJump(e)
	}
	return m.out
}

// StepFrame is Step for a frame, without an allocation.
func (m *Machine) StepFrame(at drivers.Instant, f *drivers.Frame) []Action {
	m.begin(at)
	m.heard, m.watch.silent = at, false
	if m.plan == nil {
		return m.out
	}
	findings := m.guard.Check(f, m.context())
	m.measure(f)
	if m.proof.ins != nil && m.proofFrame(f, findings) || m.judge(findings) {
		return m.out
	}
	switch m.phase {
	case PhaseArming:
		m.armFrame(findings)
	case PhaseRunning:
		m.stepTask(onFrame)
	case PhasePausing:
		m.pausingFrame()
	case PhasePaused:
		m.pausedFrame()
	case PhaseAsking:
		m.askingFrame()
	case PhaseStopping:
		m.stoppingFrame()
	case PhaseTripped:
		m.trippedFrame()
	}
	m.watchFrame()
	m.lingerFrame()
	return m.out
}

func (m *Machine) begin(at drivers.Instant) {
	m.out = m.out[:0]
	if at > m.now {
		m.now = at
	}
}

func (m *Machine) emit(a Action) { m.out = append(m.out, a) }

// boot is the start of a machine's life: everything safe first (INV-06), and a
// latch from before holds (INV-05).
func (m *Machine) boot(e Boot) {
	m.halt(0)
	m.switchTo(0)
	m.bleedCells(nil)
	if e.Latched != "" {
		m.phase = PhaseLatched
		m.trip.text = e.Latched
		m.emit(Notify{Severity: SeverityAlarm, Text: "latched before this start: " + e.Latched})
		return
	}
	m.phase = PhaseIdle
}

// start begins a run of the loaded plan.
func (m *Machine) start(e Start) {
	if m.Busy() || m.phase == PhaseLatched || m.next == nil {
		m.emit(Notify{Severity: SeverityInfo, Text: "start refused: bench is " + string(m.phase)})
		return
	}
	m.plan, m.guard, m.next, m.nextGuard, m.run = m.next, m.nextGuard, nil, nil, e.Run
	m.trial, m.nextTrial, m.proof = m.nextTrial, nil, proving{}
	m.epoch = max(m.epoch, e.Epoch)
	m.cmd = command{}
	m.meas = newMeasure(m.plan)
	m.count = counter{}
	m.code = newProgress(m.plan)
	m.task = taskNone
	m.trip = tripping{}
	m.watch, m.linger = watching{}, lingering{}
	m.pause = pausing{}
	m.sw = switching{}
	// Nothing of an earlier run's instructions may reach into this one.
	m.drive, m.wait, m.bleed, m.stop, m.ask, m.trend = driving{}, waiting{}, bleeding{}, stopping{}, asking{}, trending{}
	m.heard = m.now
	m.emit(Record{Kind: RecordStart, Text: "profile " + m.plan.Profile + " on module " + m.plan.Module + " for " + e.Who})
	m.becomeArming(false)
}

func (m *Machine) stepDue() {
	if w := m.watchdog(); w != 0 && m.now >= w {
		m.silent()
		return
	}
	if n := m.lingerNext(); n != 0 && m.now >= n {
		m.lingerDue()
		return
	}
	if m.timer == 0 || m.now < m.timer {
		return
	}
	m.timer = 0
	switch m.phase {
	case PhaseArming:
		m.armDue()
	case PhaseRunning:
		m.stepTask(onDue)
	case PhasePausing:
		m.becomeTripped(causeDriver, guard.Finding{}, "current did not fall to zero for a pause")
	case PhasePaused:
		m.pausedDue()
	case PhaseAsking:
		m.askingDue()
	case PhaseStopping:
		m.stoppingDue()
	case PhaseTripped:
		m.escalate()
	}
}

// silent is the watchdog's answer to a bench that sends no frames at all.
func (m *Machine) silent() {
	text := fmt.Sprintf("no frame for %d ms; the limit is %d ms", m.now.Sub(m.heard)/drivers.Millisecond, m.plan.Limits.Stale/drivers.Millisecond)
	switch {
	case m.phase == PhaseArming:
		m.refuse(text)
		return
	case !m.Energised(): // watching: temperatures are no longer known
		m.watch.silent = true
		m.emit(Record{Kind: RecordAlarm, Text: text})
		m.emit(Notify{Severity: SeverityAlarm, Text: text})
		return
	}
	m.meas.lose()
	m.becomeTripped(causeSilence, guard.Finding{Cause: guard.Stale, Channel: -1, Since: m.heard, Hard: true}, text)
}

func (m *Machine) stepDone(e Done) {
	if e.Epoch != m.epoch {
		return
	}
	if e.Err != "" {
		m.failed(e)
		return
	}
	switch {
	case m.phase == PhaseArming && e.Op == DeviceArm:
		m.armDone(e)
	case m.phase == PhaseRunning:
		m.stepTask(onDone)
	}
}

// failed handles a device that did not do what it was told.
func (m *Machine) failed(e Done) {
	text := string(e.Op) + " failed: " + e.Err
	switch {
	case m.phase == PhaseArming:
		m.refuse(text)
	case m.phase == PhaseTripped: // the escalation timer asks again
		m.proofSpoiled(causeDriver, text)
	case m.lingerNext() != 0 && e.Op == DeviceHalt: // people know
	case m.Busy():
		m.becomeTripped(causeDriver, guard.Finding{}, text)
	default:
		m.emit(Notify{Severity: SeverityAlarm, Text: text})
	}
}

func (m *Machine) stepLost(e Lost) {
	text := e.Device + " no longer answers: " + e.Reason
	switch {
	case m.phase == PhaseArming:
		m.refuse(text)
	case m.phase == PhaseTripped:
		m.proofSpoiled(causeLost, text)
	case m.phase == PhaseAsking: // a person may have been asked to unplug it
		m.emit(Notify{Severity: SeverityAlarm, Text: text})
	case m.Busy():
		m.becomeTripped(causeLost, guard.Finding{}, text)
	default:
		m.emit(Notify{Severity: SeverityAlarm, Text: text})
	}
}

func (m *Machine) stepStored(e Stored) {
	if e.Epoch != m.epoch {
		return
	}
	if e.Err != "" {
		m.stepStoreFailed(StoreFailed{At: e.At, Err: e.Err})
		return
	}
	if m.phase == PhaseRunning {
		m.stepTask(onStored)
	}
}

// stepStoreFailed ends a run that can no longer be recorded (INV-07).
func (m *Machine) stepStoreFailed(e StoreFailed) {
	text := "the record cannot be stored: " + e.Err
	switch {
	case m.phase == PhaseArming:
		m.refuse(text)
	case m.phase == PhaseTripped:
		m.proofSpoiled(causeStore, text)
	case m.Busy():
		m.becomeTripped(causeStore, guard.Finding{}, text)
	default:
		m.emit(Notify{Severity: SeverityAlarm, Text: text})
	}
}

func (m *Machine) stepComputed(e Computed) {
	if e.Epoch == m.epoch && m.phase == PhaseRunning && m.task == taskBleed {
		m.bleedComputed(e)
	}
}

// stepClockJump ends a run whose own clock cannot be trusted: a stalled loop
// could have renewed a lease on old data.
func (m *Machine) stepClockJump(e ClockJump) {
	if m.plan == nil || e.Jump <= m.plan.Bench.Lease/2 {
		return
	}
	text := fmt.Sprintf("the loop's clock jumped by %d ms; at most %d ms is allowed", e.Jump/drivers.Millisecond, m.plan.Bench.Lease/2/drivers.Millisecond)
	switch {
	case m.phase == PhaseArming:
		m.refuse(text)
	case m.Energised():
		m.becomeTripped(causeClock, guard.Finding{}, text)
	}
}
