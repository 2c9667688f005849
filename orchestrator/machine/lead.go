package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Lead is the first, smaller level of a pulse that has two: from it the current goes
// to the second without a break, inside the permit that was durable before either
// (two-level method, IEC 62620:2014 6.5.3, from memory).
type Lead struct {
	Current drivers.Microamps `json:"current_uA"` // magnitude
	// Span is counted from half the edge, as the pulse's is, which contains it.
	Span drivers.Span `json:"for_us"`
}

func (d *Drive) checkLead(op Op) error {
	switch l := d.Lead; {
	case l == nil:
		return nil
	case op != OpPulse:
		return fmt.Errorf("a first level belongs to a pulse")
	case l.Current <= 0 || l.Current >= d.Current || l.Span <= 0 || l.Span >= d.Span:
		return fmt.Errorf("first level of %d uA for %d us; expected less than the pulse's %d uA for %d us, and more than nothing", l.Current, l.Span, d.Current, d.Span)
	}
	return nil
}

// leading says that the first level is still to come, or flows.
func (d *driving) leading() bool { return d.ins.Lead != nil && !d.led }

// level is what the level under way takes of a current that is allowed.
func (d *driving) level(allowed drivers.Microamps) drivers.Microamps {
	if d.leading() {
		return min(allowed, d.ins.Lead.Current)
	}
	return allowed
}

// driveDue ends a drive by time. A first level ends on a frame instead (leadOver).
func (m *Machine) driveDue() {
	if d := &m.drive; d.ins.Span > 0 && d.edge != 0 && !d.leading() {
		m.driveEnd("time")
	}
}

// timeDrive sets the timer that ends the drive, or the level under way.
func (m *Machine) timeDrive() {
	if d := &m.drive; d.ins.Span > 0 && !d.leading() {
		m.timer = d.edge.Add(d.ins.Span - d.flowed)
	}
}

// leadOver goes on to the second level once the first has had its time. That happens
// on a whole frame only: a timer fires beside missing readings and silent monitors
// too, and nothing greater flows on half a picture (INV-02). The second level takes
// as long to rise as the first did, and then has its own time. Where the temperatures
// allow none greater, the first one flows on.
func (m *Machine) leadOver(ceiling drivers.Microamps) {
	d := &m.drive
	if !d.leading() || d.edge == 0 || m.now.Sub(d.edge)+d.flowed < d.ins.Lead.Span {
		return
	}
	d.led = true
	m.timer = m.now.Add(d.edge.Sub(d.setAt) + d.ins.Span - d.ins.Lead.Span)
	if ceiling > m.cmd.current {
		m.set(d.ins.Direction, ceiling, d.ins.Voltage)
	}
}
