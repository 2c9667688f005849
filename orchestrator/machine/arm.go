package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// arming makes the bench safe, arms the instruments' own limits, reads them
// back, and watches until the article and every channel look right at rest.
// Nothing energises before it is over (INV-08).
type arming struct {
	armed bool
	// goodSince is when the present run of good frames began, 0 in a bad one.
	goodSince drivers.Instant
	// blocker is the latest reason why not.
	blocker string
	// again says that a run goes on after an ask, at the next instruction.
	again bool
}

func (m *Machine) becomeArming(again bool) {
	m.phase = PhaseArming
	m.arm = arming{again: again, blocker: "no frame has come yet"}
	m.heard = m.now // silence while nothing was asked of the bench does not count
	m.halt(0)
	m.switchTo(0)
	m.bleedCells(nil)
	m.emit(Arm{Epoch: m.epoch, Supply: m.plan.SupplyArm, Load: m.plan.LoadArm})
	// The host may prove that the instruments switch off by themselves, which
	// takes as long as their silence, one after the other.
	m.timer = m.now.Add(m.plan.Ready.Timeout + 2*(m.plan.SupplyArm.CommTimeout+m.plan.LoadArm.CommTimeout))
	m.guard.Reset(m.now)
}

// armDone checks what the instruments read back. A limit that reads back
// looser than asked protects nothing.
func (m *Machine) armDone(e Done) {
	for _, c := range []struct {
		who       string
		want, got drivers.Protection
	}{{"supply", m.plan.SupplyArm, e.Supply}, {"load", m.plan.LoadArm, e.Load}} {
		w, g := c.want, c.got
		switch {
		case g.VoltageMax <= 0 || g.VoltageMax > w.VoltageMax:
			m.refuse(fmt.Sprintf("%s: over-voltage limit reads back %v; expected at most %v", c.who, g.VoltageMax, w.VoltageMax))
			return
		case g.CurrentMax <= 0 || g.CurrentMax > w.CurrentMax:
			m.refuse(fmt.Sprintf("%s: over-current limit reads back %v; expected at most %v", c.who, g.CurrentMax, w.CurrentMax))
			return
		case w.CommTimeout > 0 && (g.CommTimeout <= 0 || g.CommTimeout > w.CommTimeout):
			m.refuse(fmt.Sprintf("%s: silence limit reads back %v; expected at most %v", c.who, g.CommTimeout, w.CommTimeout))
			return
		}
	}
	m.arm.armed = true
}

// armFrame counts good frames.
func (m *Machine) armFrame(findings []guard.Finding) {
	if b := m.unready(findings); b != "" {
		m.arm.blocker, m.arm.goodSince = b, 0
		return
	}
	if !m.meas.fresh {
		return
	}
	if m.arm.goodSince == 0 {
		m.arm.goodSince = m.now
	}
	if !m.arm.armed || m.now.Sub(m.arm.goodSince) < m.plan.Ready.Settle {
		return
	}
	m.timer = 0
	if m.arm.again {
		m.phase = PhaseRunning
		m.taskDone()
		return
	}
	m.becomeRunning()
}

// unready says why the bench or article is not ready, or nothing.
func (m *Machine) unready(findings []guard.Finding) string {
	s, r := &m.meas, &m.plan.Ready
	if len(findings) > 0 {
		return guard.Describe(findings[0], &m.plan.Layout)
	}
	if !s.cellsOK || !s.tempsOK || !s.voltageOK || !s.linkOK || !s.currentOK || !s.boxOK || !s.supplyOK || !s.loadOK {
		return "a channel gives no reading"
	}
	d := s.sum - s.voltage
	switch {
	case s.voltage <= 0:
		return fmt.Sprintf("meter reads %v across the article; expected a positive voltage: polarity or leads are wrong", s.voltage)
	case abs(d) > r.SumTolerance:
		return fmt.Sprintf("taps add up to %v, the meter reads %v; they may differ by %v", s.sum, s.voltage, r.SumTolerance)
	case s.low < r.CellMin:
		return fmt.Sprintf("cell %02d reads %v; at least %v is needed to start", s.lowest+1, s.low, r.CellMin)
	case s.high > r.CellMax:
		return fmt.Sprintf("cell %02d reads %v; at most %v is allowed to start", s.highest+1, s.high, r.CellMax)
	case s.hottest-s.coldest > r.TempBand:
		return fmt.Sprintf("temperatures differ by %v; after a soak at most %v is allowed", s.hottest-s.coldest, r.TempBand)
	case abs(s.current) > m.plan.Limits.NearZero:
		return fmt.Sprintf("%v flow at rest; expected none", s.current)
	case s.box&(drivers.BoxNegative|drivers.BoxPrecharge|drivers.BoxPositive) != 0:
		return "a contactor is closed at rest: welded, or driven from elsewhere"
	case (s.supply|s.load)&drivers.PowerOn != 0:
		return "supply or load is on at rest"
	}
	return ""
}

func (m *Machine) armDue() {
	why := m.arm.blocker
	if why == "" || m.arm.goodSince != 0 {
		why = "the instruments' own limits were not confirmed"
	}
	m.refuse("not ready: " + why)
}

// refuse ends a run that may not energise.
func (m *Machine) refuse(reason string) {
	if m.arm.again { // it was energised before: prove that nothing is left on
		m.becomeStopping(OutcomeFailed, "cannot go on: "+reason)
		return
	}
	m.halt(0)
	m.switchTo(0)
	m.finish(OutcomeRefused, reason)
}
