package machine

import "github.com/rigwarden/rigwarden/drivers"

// resisting is how warm the precharge resistor is, as energy: what it took less
// what it has shed since, evenly over the time that the bench file gives it.
type resisting struct {
	held drivers.Energy
	at   drivers.Instant
	// known: the machine has seen all that it took. Before that, after a start of
	// the process, it counts as having taken all that it may.
	known bool
}

// filling is what filling the link takes the resistor: half of C times the square of
// the way, whatever its resistance.
func (m *Machine) filling() drivers.Energy {
	way := max(int64(m.meas.voltage-m.meas.link), 0) / 1000 // mV
	return drivers.Energy(way * way / 1000 * m.plan.Bench.Box.LinkNF / 2_000_000)
}

// warmth is what the resistor still holds now.
func (m *Machine) warmth() drivers.Energy {
	r, box := &m.warm, &m.plan.Bench.Box
	if !r.known {
		r.known, r.held, r.at = true, box.ResistorEnergy, m.now
	}
	shed := drivers.Energy(int64(box.ResistorEnergy) / 1000 * int64(m.now.Sub(r.at)/1000) / max(int64(box.ResistorSpan)/1_000_000, 1))
	return max(r.held-shed, 0)
}

// cools is how long the resistor must be left alone before it may fill the link; 0:
// no longer, or the bench file says nothing of it.
func (m *Machine) cools() drivers.Span {
	box := &m.plan.Bench.Box
	if box.ResistorEnergy <= 0 || box.ResistorSpan <= 0 {
		return 0
	}
	over := m.warmth() + m.filling() - box.ResistorEnergy
	if over <= 0 {
		return 0
	}
	return drivers.Span(int64(over)*(int64(box.ResistorSpan)/1000)/int64(box.ResistorEnergy)+1) * drivers.Millisecond
}

// warms counts a precharge that begins.
func (m *Machine) warms() {
	if m.plan.Bench.Box.ResistorEnergy > 0 {
		m.warm = resisting{held: m.warmth() + m.filling(), at: m.now, known: true}
	}
}

// overheats counts a precharge that went wrong as all that the resistor may take:
// across a short it takes in a tenth of a second what filling takes in all.
func (m *Machine) overheats() {
	if m.task == taskSwitch && m.sw.stage == switchPrecharge {
		m.warm.known = false
	}
}
