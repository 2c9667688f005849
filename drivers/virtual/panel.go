package virtual

import "github.com/rigwarden/rigwarden/drivers"

// Panels are the instruments from within: their registers and outputs one by
// one, without the order and the refusals that the drivers' contract demands.
// They are for packages that give a bench another face, such as instruments that
// speak wires; what decides about energy has no business with them. A panel acts
// at the bench's present; faults of instruments act below it.

// Panel is a supply's or a load's.
type Panel struct{ p *power }

// Panel returns the panel of the supply or the load.
func (b *Bench) Panel(d Device) Panel {
	if d == DeviceLoad {
		return Panel{&b.load}
	}
	return Panel{&b.supply}
}

// Answers says whether anything gets in touch with the instrument at all.
func (q Panel) Answers() bool { return q.p.faults.hung == 0 }

// Hear feeds the communication timeout.
func (q Panel) Hear() { q.p.heard = q.p.b.now }

// Limit puts the instrument's own limits in force as they are.
func (q Panel) Limit(l drivers.Protection) {
	if q.p.faults.deaf == 0 {
		q.p.limit(l)
	}
}

// Clear forgets that a limit tripped (drivers.PowerTripped) or the communication
// timeout ran out (drivers.PowerLeaseOut); of other states it forgets nothing.
func (q Panel) Clear(state int32) {
	if q.p.faults.deaf == 0 {
		q.p.state &^= state & (drivers.PowerTripped | drivers.PowerLeaseOut)
	}
}

// Apply sends a setpoint to the output, which takes it after its delay; one that
// is off overtakes all before it.
func (q Panel) Apply(s drivers.Setpoint) {
	if s.On {
		q.p.send(s)
		return
	}
	q.p.off()
}

// Current is the instrument's true current.
func (q Panel) Current() drivers.Microamps { return microamps(q.p.current()) }

// State is what the instrument is doing now, in the bits of drivers.PowerOn.
// PowerOn is the output stage's, not what was commanded.
func (q Panel) State() int32 { return q.p.status() }

// OverVoltage says that PowerTripped is the over-voltage limit's doing.
func (q Panel) OverVoltage() bool { return q.p.overVoltage }

// Measure reads the instrument's meters now.
func (q Panel) Measure() drivers.Reading {
	q.p.measure()
	return q.p.latest
}

// MeterPanel is the meter's.
type MeterPanel struct{ m *meter }

// MeterPanel returns the panel of the meter.
func (b *Bench) MeterPanel() MeterPanel { return MeterPanel{&b.meter} }

// Answers says whether anything gets in touch with the meter at all.
func (q MeterPanel) Answers() bool { return q.m.hung == 0 }

// Measure reads the meter now.
func (q MeterPanel) Measure() drivers.Reading {
	q.m.measure()
	return q.m.latest
}

// BoxPanel is the contactor box's.
type BoxPanel struct{ x *box }

// BoxPanel returns the panel of the contactor box.
func (b *Bench) BoxPanel() BoxPanel { return BoxPanel{&b.box} }

// Answers says whether anything gets in touch with the box at all.
func (q BoxPanel) Answers() bool { return q.x.faults.hung == 0 }

// Feed is a heartbeat.
func (q BoxPanel) Feed() { q.x.heard = q.x.b.now }

// Alive says whether the last heartbeat is young enough to close on.
func (q BoxPanel) Alive() bool {
	return q.x.spec.Heartbeat <= 0 || q.x.b.now < q.x.heard.Add(q.x.spec.Heartbeat)
}

// Stopped says that the emergency stop is engaged.
func (q BoxPanel) Stopped() bool { return q.x.stop }

// Contacts are the contactors that are closed by their auxiliary contacts.
func (q BoxPanel) Contacts() drivers.Contactors { return q.x.contacts() }

// Energise drives the coils of exactly these contactors, which must be known
// ones; with the emergency stop engaged no coil has a supply.
func (q BoxPanel) Energise(c drivers.Contactors) {
	if q.x.faults.deaf > 0 {
		return
	}
	if q.x.stop {
		c = 0
	}
	q.x.told = c
	q.x.energise(c)
}

// Coils are the contactors whose coils are driven.
func (q BoxPanel) Coils() drivers.Contactors { return q.x.coil }

// Measure reads the box's meters and auxiliary contacts now.
func (q BoxPanel) Measure() drivers.BoxReading {
	q.x.measure()
	return q.x.latest
}

// MonitorPanel is the cell monitor's.
type MonitorPanel struct{ m *monitor }

// MonitorPanel returns the panel of the cell monitor.
func (b *Bench) MonitorPanel() MonitorPanel { return MonitorPanel{&b.monitor} }

// Answers says whether anything gets in touch with the monitor, or from it.
func (q MonitorPanel) Answers() bool { return q.m.faults.hung == 0 }

// Bleed bleeds exactly these cells until the monitor's own timeout. It returns
// why the monitor ignores the command.
func (q MonitorPanel) Bleed(words []int32) error {
	if err := q.m.allowed(words); err != nil {
		return err
	}
	if q.m.faults.deaf == 0 && q.m.faults.silent == 0 {
		q.m.bleed(words)
	}
	return nil
}

// Bleeding are the commanded bleed words, the monitor's own: do not change them.
func (q MonitorPanel) Bleeding() []int32 { return q.m.words }

// Latest is the latest sweep, the monitor's own: do not change it.
func (q MonitorPanel) Latest() *drivers.MonitorReading { return &q.m.latest }

// Carriage is what faults make, at present, of the way that the monitor's sweeps
// take to whoever listens.
type Carriage struct {
	Stopped, Repeating                bool
	LostPPM, DoubledPPM, ReorderedPPM int64
	Delay                             drivers.Span
}

// Carriage returns the present one.
func (b *Bench) Carriage() Carriage {
	p := &b.path
	return Carriage{p.stopped > 0, p.repeating > 0, p.lostPPM, p.doubledPPM, p.reorderedPPM, p.delay}
}

// Starts is how often a device has begun anew since the bench opened, at power
// on: it has then forgotten what it was told.
func (b *Bench) Starts(d Device) int {
	if n := b.starts(d); n != nil {
		return *n
	}
	return 0
}

// Observer is told what a bench does while its time moves, at the true instants.
// It may look at everything and change nothing.
type Observer interface {
	// Stepped comes after each step of time, 1 ms apart while currents move.
	Stepped(*Bench)
	// Swept comes when the monitor has, or should have, measured.
	Swept(*Bench)
}

// Observe makes o the bench's observer; nil: none.
func (b *Bench) Observe(o Observer) { b.observer = o }

// Observer returns the bench's observer; nil: none.
func (b *Bench) Observer() Observer { return b.observer }

// Zero is the true current that counts as none.
func (b *Bench) Zero() drivers.Microamps { return b.cfg.Zero }

// Spec is the description of the bench's instruments.
func (b *Bench) Spec() drivers.Bench { return b.cfg.Bench }

// Identity is what a device of the bench says of itself.
func (b *Bench) Identity(d Device) drivers.Identity { return b.identity(d) }
