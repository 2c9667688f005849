package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// switching is the state of closing or opening the contactors.
type switching struct {
	ins   *Switch
	stage switchStage
	// reclosing says that an interrupted instruction goes on afterwards.
	reclosing bool
	begun     drivers.Instant // of the stage
	start     drivers.Microvolts
	// t20 and t80 are when the link crossed 20 % and 80 % of its way; the time
	// constant is their difference over ln 4, whenever the contact closed.
	t20, t80 drivers.Instant
	prevV    drivers.Microvolts
	prevAt   drivers.Instant
	tau      drivers.Span
	samples  int
	shut     drivers.Instant // when the precharge contactor first read closed
	touches  int             // readings in a row in which the positive contactor was closed
	touched  drivers.Instant // the first of all
}

type switchStage uint8

const (
	switchPermit    switchStage = iota
	switchNegative              // negative closed; the link must not rise
	switchPrecharge             // precharge closed; the link rises by R*C
	switchPositive              // positive closed as well
	switchFinal                 // precharge open again
	switchOpening               // everything open
	switchCool                  // the precharge resistor sheds what it took
)

const precharging = drivers.Contactors(drivers.BoxNegative | drivers.BoxPrecharge)

// ln 4 in millionths: the link goes from 20 % to 80 % in tau*ln(0.8/0.2).
const ln4Millionths = 1_386_294

func (m *Machine) beginSwitch(ins *Switch) {
	m.sw = switching{ins: ins, reclosing: m.sw.reclosing, begun: m.now}
	if !ins.Close {
		m.sw.stage = switchOpening
		m.switchTo(0)
		m.timer = m.now.Add(m.switchTime())
		return
	}
	m.code.lastClose = ins
	if m.cmd.contactors == closed {
		m.taskDone()
		return
	}
	s, unknown := &m.meas, m.polarityUnknown()
	switch {
	case unknown != "":
		m.becomeTripped(causePrecharge, guard.Finding{}, unknown)
		return
	case !s.still():
		m.becomeTripped(causePrecharge, guard.Finding{}, "current is not zero before closing")
		return
	case s.linkOK && s.link > s.voltage+m.plan.Bench.Box.DifferenceMax:
		m.becomeTripped(causePrecharge, guard.Finding{}, fmt.Sprintf("link is at %v, above the article's %v: something else feeds it", s.link, s.voltage))
		return
	}
	if wait := m.cools(); wait > 0 {
		m.sw.stage, m.timer = switchCool, m.now.Add(wait)
		return
	}
	m.timer = m.now.Add(storeTimeout)
	m.emit(Permit{Epoch: m.epoch, Current: m.surge(), Voltage: s.voltage, Contactors: closed | precharging, Bounds: Bounds{Span: ins.Max}})
}

// polarityUnknown says why the article's polarity is not known now, or nothing:
// it was read by the meter, and lately. What connects the article goes out between
// two frames, so that the guard's latest look at the meter's counter may be older.
func (m *Machine) polarityUnknown() string {
	s := &m.meas
	switch age := m.now.Sub(s.metered); {
	case !s.voltageOK || s.voltage <= 0:
		return "the meter gives no positive voltage across the article, so polarity is unknown (INV-09)"
	case age > m.plan.Limits.Stale:
		return fmt.Sprintf("the meter has not measured for %d ms, so polarity is unknown (INV-09)", age/drivers.Millisecond)
	}
	return ""
}

// surge is the greatest current that closing can explain: the precharge
// resistor's, and then the allowed difference across the cells' resistance for
// the moment in which the positive contactor closes.
func (m *Machine) surge() drivers.Microamps {
	r := max(m.plan.Bench.Box.Precharge, 1)
	i := drivers.Microamps(int64(m.meas.voltage) * 1_000_000 / int64(r))
	cells := max(int64(m.plan.CellResistance)*int64(m.plan.Series), 1)
	return i + i/4 + drivers.Microamps(int64(m.closeWithin())*1_000_000/cells)
}

// closeWithin is the greatest voltage across the positive contactor when it
// closes: what the box allows, and what drives no more than half the cell
// maker's current through the cells' declared resistance, which may be off by
// as much. Under what the readings can tell apart there is nothing to wait for.
func (m *Machine) closeWithin() drivers.Microvolts {
	p, box := m.plan, &m.plan.Bench.Box
	v := int64(m.meas.voltage)
	told := box.LinkAcc.At(v) + p.Bench.Meter.VoltageAcc.At(v) + 2*int64(box.LinkStep)
	if f := m.sw.ins; f != nil && f.FinalPerMille > 0 {
		told += v * (1000 - f.FinalPerMille) / 1000
	}
	cells := int64(p.CellResistance) * int64(p.Series)
	if cells <= 0 || p.Absolute.CurrentMax <= 0 {
		return box.DifferenceMax
	}
	return min(box.DifferenceMax, drivers.Microvolts(max(told, int64(p.Absolute.CurrentMax)/2*cells/1_000_000)))
}

func (m *Machine) switchTime() drivers.Span {
	return m.plan.Bench.Box.SwitchTime + 2*m.plan.Bench.Monitor.Period
}

func (m *Machine) switchStep(sig signal) {
	w, s := &m.sw, &m.meas
	if sig == onFrame && s.linkOK {
		w.samples++
	}
	switch w.stage {
	case switchCool:
		if sig == onDue {
			m.beginSwitch(w.ins)
		}
	case switchPermit:
		m.switchPermitted(sig)
	case switchNegative:
		m.switchNegative(sig)
	case switchPrecharge:
		m.switchPrecharge(sig)
	case switchPositive:
		m.switchPositive(sig)
	case switchFinal:
		m.switchFinal(sig)
	case switchOpening:
		if sig == onFrame && m.open() {
			m.drive.end = "open"
			m.taskDone()
		} else if sig == onDue {
			m.becomeTripped(causeContactor, guard.Finding{}, "a contactor did not open: welded, or its feedback is wrong")
		}
	}
}

func (m *Machine) switchPermitted(sig signal) {
	switch sig {
	case onStored:
		w := &m.sw
		w.stage, w.begun, w.start = switchNegative, m.now, m.meas.link
		m.cmd.surge, m.cmd.surgeUntil = m.surge(), m.now.Add(2*m.switchTime()+w.ins.Max+m.switchTime()+m.restTime())
		m.switchTo(drivers.BoxNegative)
		m.timer = m.now.Add(m.switchTime())
	case onDue:
		m.becomeTripped(causeStore, guard.Finding{}, "the permit was not confirmed as stored in time")
	}
}

// switchNegative closes one pole alone: a link that rises now shows that the
// other pole is closed already, welded or bridged.
func (m *Machine) switchNegative(sig signal) {
	w, s := &m.sw, &m.meas
	if sig != onDue {
		return
	}
	switch unknown := m.polarityUnknown(); {
	case unknown != "":
		m.becomeTripped(causePrecharge, guard.Finding{}, unknown)
	case !s.boxOK || s.box&drivers.BoxNegative == 0:
		m.becomeTripped(causePrecharge, guard.Finding{}, "negative contactor did not close")
	case !s.linkOK || s.link-w.start > s.voltage/10:
		m.becomeTripped(causePrecharge, guard.Finding{}, fmt.Sprintf("link rose to %v with only the negative contactor closed: the positive path is not open", s.link))
	default:
		m.warms()
		w.stage, w.begun = switchPrecharge, m.now
		w.start, w.prevV, w.prevAt, w.samples, w.shut = s.link, s.link, s.at, 0, 0
		m.switchTo(precharging)
		m.timer = m.now.Add(w.ins.Max)
	}
}

// switchPrecharge measures the link's rise against R*C and closes only after a
// plausible one (INV-09).
func (m *Machine) switchPrecharge(sig signal) {
	w, s := &m.sw, &m.meas
	if sig == onDue {
		m.becomeTripped(causePrecharge, guard.Finding{}, fmt.Sprintf("link reached %v of %v within %d ms: resistor open, or the link is loaded", s.link, s.voltage, w.ins.Max/drivers.Millisecond))
		return
	}
	if sig != onFrame || !s.linkOK || !s.voltageOK || s.voltage <= 0 || !s.boxFresh {
		return
	}
	// Where the link settles does not depend on where it began: the bleed and the
	// precharge resistor divide the article's voltage.
	target := s.voltage * drivers.Microvolts(w.ins.FinalPerMille) / 1000
	rise := target - w.start
	m.crossing(&w.t20, w.start+rise/5)
	m.crossing(&w.t80, w.start+rise/5*4)
	w.prevV, w.prevAt = s.link, s.at

	slow := w.ins.Tau + w.ins.Tau*drivers.Span(w.ins.TauPerMille)/1000
	elapsed := m.now.Sub(w.begun)
	if w.shut == 0 && s.boxOK && s.box&drivers.BoxPrecharge != 0 {
		w.shut = s.at
	}
	// From the contact, not from the command: on a busy machine it may be a while
	// on its way. One that never reads closed is the guard's to find.
	if w.shut != 0 && s.at.Sub(w.shut) > m.switchTime()+slow && w.t20 == 0 && rise > m.plan.Bench.Box.DifferenceMax {
		m.becomeTripped(causePrecharge, guard.Finding{}, fmt.Sprintf("link is at %v after %d ms, not yet a fifth of the article's %v: the link is shorted or the resistor open", s.link, elapsed/drivers.Millisecond, s.voltage))
		return
	}
	if w.t20 != 0 && w.t80 != 0 && w.tau == 0 {
		w.tau = drivers.Span(int64(w.t80.Sub(w.t20)) * 1_000_000 / ln4Millionths)
		if text := w.implausible(rise, m.plan.Bench.Box.DifferenceMax); text != "" {
			m.becomeTripped(causePrecharge, guard.Finding{}, text)
			return
		}
	}
	if elapsed >= w.ins.Min && m.linkNear() && target-s.link <= rise/50+m.plan.Bench.Box.DifferenceMax/10 {
		w.stage, w.begun = switchPositive, m.now
		m.switchTo(precharging | drivers.BoxPositive)
		m.timer = m.now.Add(m.switchTime())
	}
}

// linkNear says that the link is near enough to the article to close on to it, by
// the meter and, where every cell reads, by the sum of the taps too: a meter that
// reads low would take a link that is still low for a full one (INV-09).
func (m *Machine) linkNear() bool {
	s, within := &m.meas, m.closeWithin()
	if s.cellsOK && s.sum-s.link > within+m.plan.Limits.SumTolerance {
		return false
	}
	return s.voltage-s.link <= within
}

// linkSagged says that the link has left the article while the contact travels,
// over which it would then be filled at once: by more than the readings, which
// were near enough when the contact was told, can err.
func (m *Machine) linkSagged() bool {
	s, box := &m.meas, &m.plan.Bench.Box
	v := int64(s.voltage)
	err := box.LinkAcc.At(v) + m.plan.Bench.Meter.VoltageAcc.At(v) + 2*int64(box.LinkStep)
	return s.linkOK && s.voltageOK && s.voltage-s.link > m.closeWithin()+drivers.Microvolts(err)
}

// A contact that bounces still closes, opens and closes: while the precharge
// path lies beside it that does no harm, and with a load's current it would make
// the article charge the link through it at each touch. So the precharge path
// opens when the contact has read closed for a while, without a break.
const (
	restReadings = 12
	restSpan     = 100 * drivers.Millisecond
	restTries    = 6 // how many such whiles a contact has
)

func (m *Machine) switchPositive(sig signal) {
	w, s := &m.sw, &m.meas
	switch {
	case sig == onDue:
		m.becomeTripped(causePrecharge, guard.Finding{}, "positive contactor did not close, or did not come to rest")
	case sig != onFrame || !s.boxFresh:
	case !s.boxOK || s.box&drivers.BoxPositive == 0:
		if w.touches = 0; w.touched == 0 && m.linkSagged() {
			m.becomeTripped(causePrecharge, guard.Finding{}, fmt.Sprintf("link fell to %v, with the article at %v, while the positive contactor was closing: something draws on the link", s.link, s.voltage))
		}
	default:
		if w.touches++; w.touches == 1 {
			w.begun = m.now
		}
		if w.touched == 0 {
			w.touched, m.timer = m.now, m.now.Add(m.restTime())
		}
		if w.touches >= restReadings && m.now.Sub(w.begun) >= restSpan {
			w.stage, w.begun = switchFinal, m.now
			m.switchTo(closed)
			m.timer = m.now.Add(m.switchTime())
		}
	}
}

// restTime bounds how long the positive contactor may take to come to rest once
// it has touched.
func (m *Machine) restTime() drivers.Span {
	period := m.plan.Bench.Monitor.Period
	if p := m.plan.Bench.Box.LinkPeriod; p > 0 {
		period = min(period, p)
	}
	return restTries * max(restSpan, restReadings*period)
}

// crossing notes when the link passed a voltage, between two readings.
func (m *Machine) crossing(t *drivers.Instant, v drivers.Microvolts) {
	w, s := &m.sw, &m.meas
	if *t != 0 || s.link < v {
		return
	}
	*t = s.at
	if s.link > w.prevV && w.prevV < v {
		*t = w.prevAt + drivers.Instant(int64(s.at.Sub(w.prevAt))*int64(v-w.prevV)/int64(s.link-w.prevV))
	}
}

// implausible judges the measured time constant. A link that needs no
// precharge, because it is already near the article's voltage, has none.
func (w *switching) implausible(rise, small drivers.Microvolts) string {
	if rise <= small {
		return ""
	}
	tol := w.ins.Tau * drivers.Span(w.ins.TauPerMille) / 1000
	if w.tau < w.ins.Tau-tol || w.tau > w.ins.Tau+tol {
		return fmt.Sprintf("precharge time constant is %v; expected %v within %v: resistor, link capacitance or a second path differ from the bench file", w.tau, w.ins.Tau, tol)
	}
	return ""
}

// result says in a sentence what closing has shown.
func (w *switching) result(s *measure) string {
	if w.tau == 0 {
		return fmt.Sprintf("closed: the link was near the article's voltage already, so no time constant was measured; link %v, article %v", s.link, s.voltage)
	}
	return fmt.Sprintf("closed: precharge time constant %v from %d link readings, expected %v; link %v, article %v", w.tau, w.samples, w.ins.Tau, s.link, s.voltage)
}

func (m *Machine) switchFinal(sig signal) {
	w, s := &m.sw, &m.meas
	bits := int32(drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive)
	if sig == onFrame && s.boxOK && s.box&bits == int32(closed) && s.still() {
		m.emit(Record{Kind: RecordNote, Step: m.code.step, Text: w.result(s)})
		m.drive.end = "closed"
		m.cmd.surgeUntil = min(m.cmd.surgeUntil, m.now.Add(m.switchTime()))
		m.taskDone()
	} else if sig == onDue {
		m.becomeTripped(causePrecharge, guard.Finding{}, "the contactors did not settle closed with the current at zero")
	}
}
