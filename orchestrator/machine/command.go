package machine

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// closed is the set of contactors that connects the article to the link.
const closed = drivers.Contactors(drivers.BoxNegative | drivers.BoxPositive)

// command remembers what was commanded, and what older commands still explain:
// a supply that was told to lower its current may deliver the old one until
// its delay and slew are over, and not a moment longer.
type command struct {
	direction Direction
	current   drivers.Microamps
	voltage   drivers.Microvolts

	// old is what was superseded since window began, older what was in the
	// window before: a command explains current for one response time after it
	// was superseded, at most two, however often it is followed by others.
	old, older superseded
	window     drivers.Instant
	windowSpan drivers.Span
	steadyAt   drivers.Instant

	contactors  drivers.Contactors
	settledAt   drivers.Instant
	words       []int32
	bleeding    bool
	bleedUntil  drivers.Instant   // a cell may still move alone until then
	surge       drivers.Microamps // current that closing contactors explains
	surgeUntil  drivers.Instant
	closedSince drivers.Instant
}

// superseded is the greatest current per direction among past commands.
type superseded struct{ charge, discharge drivers.Microamps }

func (s superseded) max(t superseded) superseded {
	return superseded{max(s.charge, t.charge), max(s.discharge, t.discharge)}
}

// explained is what past commands still explain at now.
func (c *command) explained(now drivers.Instant) superseded {
	var s superseded
	if now < c.window.Add(2*c.windowSpan) {
		s = c.old
	}
	if now < c.window.Add(c.windowSpan) {
		s = s.max(c.older)
	}
	return s
}

// response is the longest time from a command to its effect on a fresh frame.
func (m *Machine) response(delta drivers.Microamps) drivers.Span {
	b := &m.plan.Bench
	t := drivers.Span(0)
	for _, p := range []*drivers.PowerSpec{&b.Supply, &b.Load} {
		u := p.Delay
		if p.Slew > 0 {
			u += drivers.Span(int64(delta) * int64(drivers.Second) / int64(p.Slew))
		}
		t = max(t, u)
	}
	return t + 2*b.Monitor.Period + b.Monitor.Window + b.Monitor.Skew
}

// supersede notes that the present command is about to be replaced.
func (m *Machine) supersede(next drivers.Microamps) {
	c := &m.cmd
	if m.plan == nil {
		return
	}
	span := m.response(max(c.current, next))
	if m.now >= c.window.Add(c.windowSpan) {
		c.older = superseded{}
		if m.now < c.window.Add(2*c.windowSpan) {
			c.older = c.old
		}
		c.old, c.window, c.windowSpan = superseded{}, m.now, span
	}
	c.windowSpan = max(c.windowSpan, span)
	switch c.direction {
	case Charging:
		c.old.charge = max(c.old.charge, c.current)
	case Discharging:
		c.old.discharge = max(c.old.discharge, c.current)
	}
	delta := abs(c.current - next)
	// Cross-checks between instruments wait out changes that matter.
	if delta > m.plan.Bench.Supply.CurrentMax/50 {
		c.steadyAt = max(c.steadyAt, m.now.Add(span))
	}
}

// halt takes everything off and starts a new epoch.
func (m *Machine) halt(level int) {
	m.epoch++
	m.emit(Halt{Epoch: m.epoch, Level: level})
	m.supersede(0)
	m.cmd.direction, m.cmd.current, m.cmd.voltage = Resting, 0, 0
}

// set commands a current inside the permit of this epoch.
func (m *Machine) set(d Direction, i drivers.Microamps, v drivers.Microvolts) {
	m.supersede(i)
	m.cmd.direction, m.cmd.current, m.cmd.voltage = d, i, v
	m.emit(Set{Epoch: m.epoch, Direction: d, Current: i, Voltage: v})
}

// switchTo commands exactly these contactors.
func (m *Machine) switchTo(c drivers.Contactors) {
	m.emit(SwitchTo{Epoch: m.epoch, Closed: c})
	if c == m.cmd.contactors {
		return
	}
	m.cmd.contactors = c
	if c == closed {
		m.cmd.closedSince = m.now
	}
	if m.plan != nil {
		m.cmd.settledAt = m.now.Add(m.plan.Bench.Box.SwitchTime + 2*m.plan.Bench.Monitor.Period)
		m.cmd.steadyAt = max(m.cmd.steadyAt, m.cmd.settledAt)
	}
}

// bleedCells commands exactly these cells to bleed; nil stops all.
func (m *Machine) bleedCells(words []int32) {
	any := false
	for _, w := range words {
		any = any || w != 0
	}
	if m.cmd.bleeding && !any && m.plan != nil {
		m.cmd.bleedUntil = m.now.Add(bleedQuiet)
	}
	m.cmd.bleeding = any
	m.cmd.words = append(m.cmd.words[:0], words...)
	m.emit(BleedCells{Epoch: m.epoch, Words: append([]int32(nil), words...)})
}

// bleedQuiet is how long after bleeding a cell may still move by itself.
const bleedQuiet = 5 * drivers.Minute

// bledSpoils is how long after bleeding a tap may still read what the bleed
// current did to it: until the monitor has heard of the end and filters have
// settled.
const bledSpoils = 5 * drivers.Second

// context tells the guard what the commands explain.
func (m *Machine) context() *guard.Context {
	c := &m.cmd
	x := &m.meas.ctx
	*x = guard.Context{
		Steady:            m.now >= c.steadyAt,
		Contactors:        c.contactors,
		ContactorsSettled: m.now >= c.settledAt,
		Bleeding:          c.bleeding || m.now < c.bleedUntil.Add(bledSpoils-bleedQuiet),
		Bled:              m.now < c.bleedUntil,
		Supply:            c.direction == Charging,
		Load:              c.direction == Discharging,
	}
	past := c.explained(m.now)
	x.Charge, x.Discharge = past.charge, past.discharge
	if m.now < c.surgeUntil {
		x.Charge, x.Discharge = max(x.Charge, c.surge), max(x.Discharge, c.surge)
	}
	switch c.direction {
	case Charging:
		x.Charge = max(x.Charge, c.current)
	case Discharging:
		x.Discharge = max(x.Discharge, c.current)
	}
	return x
}
