package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// bleeding is the state of a round of balancing.
type bleeding struct {
	ins   *Bleed
	stage bleedStage
	// held: the conditions were met at the look before, one Held ago.
	held  bool
	left  []drivers.Span // per cell
	words []int32
	slot  drivers.Instant // when the present slot began
	begun drivers.Instant
	// hot pauses the round; cooled is what such pauses have taken.
	hot    bool
	hotAt  drivers.Instant
	cooled drivers.Span
}

type bleedStage uint8

const (
	bleedSettle  bleedStage = iota // nothing bleeds; cells relax
	bleedCompute                   // the planner thinks
	bleedFlow                      // cells bleed
	bleedHeld                      // nothing bleeds; the conditions are to hold
)

// bleedSlot is how often the set of bleeding cells is looked at again.
const bleedSlot = 30 * drivers.Second

// computeTimeout bounds the planner.
const computeTimeout = 30 * drivers.Second

func (m *Machine) beginBleed(ins *Bleed) {
	m.bleed = bleeding{ins: ins, begun: m.now, words: make([]int32, (m.plan.Layout.Cells()+15)/16)}
	m.timer = m.now.Add(max(ins.Settle, drivers.Millisecond))
}

func (m *Machine) bleedStep(s signal) {
	b := &m.bleed
	switch {
	case s == onDue && (b.stage == bleedSettle || b.stage == bleedHeld):
		b.stage = bleedCompute
		m.timer = m.now.Add(computeTimeout)
		m.emit(Compute{Epoch: m.epoch, TargetPPM: b.ins.TargetPPM, Capacity: b.ins.Capacity, Chunk: b.ins.Chunk})
	case s == onDue && b.stage == bleedCompute:
		m.becomeStopping(OutcomeFailed, "the balance planner gave no answer in time")
	case b.stage == bleedFlow && (s == onDue || s == onFrame):
		m.bleedFlow(s)
	}
}

func (m *Machine) bleedComputed(e Computed) {
	b := &m.bleed
	if b.stage != bleedCompute {
		return
	}
	m.timer = 0
	m.code.imbalancePPM, m.code.balance = e.ImbalancePPM, balanceView(&e)
	met := e.Met(b.ins)
	m.save(b.ins.Imbalance, e.ImbalancePPM)
	m.save(b.ins.Left, int64(e.Left))
	m.save(b.ins.Unmet, 1)
	m.emit(Record{Kind: RecordNote, Step: m.code.step, Text: e.told()})
	switch {
	case e.GiveUp != "":
		m.drive.end = "gave up"
		m.becomeStopping(OutcomeFailed, "balancing gave up, the module is not balanced: "+e.GiveUp)
		return
	case met && !b.held && b.ins.Held > 0:
		b.held, b.stage = true, bleedHeld
		m.timer = m.now.Add(b.ins.Held)
		return
	case met:
		m.save(b.ins.Unmet, 0)
		m.drive.end = "balanced"
		m.taskDone()
		return
	}
	b.held = false
	if len(e.Spans) != m.plan.Layout.Cells() {
		m.drive.end = "nothing to bleed"
		m.taskDone()
		return
	}
	b.left = append(b.left[:0], e.Spans...)
	for i := range b.left {
		b.left[i] = min(b.left[i], b.ins.Chunk)
	}
	b.stage, b.slot = bleedFlow, m.now
	b.hot, b.hotAt = m.meas.tempsOK && m.meas.hottest > b.ins.TempMax, m.now
	if q := m.bleedCharge(); q > b.ins.Bounds.Charge {
		m.becomeStopping(OutcomeFailed, fmt.Sprintf("bound reached: the planner wants to bleed %d mAh, at most %d mAh are allowed", q/(drivers.AmpereHour/1000), b.ins.Bounds.Charge/(drivers.AmpereHour/1000)))
		return
	}
	if m.cmd.contactors != 0 && b.ins.Settle+m.bleedLength() > pauseOpen {
		m.switchTo(0) // a long rest for the instruments (INV-16)
	}
	m.bleedSlot()
}

// save puts a value into a register (index+1), 0 for none.
func (m *Machine) save(register int, value int64) {
	if register > 0 {
		m.code.registers[register-1] = value
	}
}

// Met says whether both conditions hold: the imbalance with its uncertainty is
// within the target, and so is the spread of the voltages where it tells
// anything. More than half of the target is not kept back for what is uncertain:
// who has such taps is told the uncertainty, and not sent round for ever.
func (e *Computed) Met(ins *Bleed) bool {
	if e.GiveUp != "" || e.UncertaintyPPM >= 1_000_000 {
		return false // only a bound is known
	}
	if e.ImbalancePPM+min(e.UncertaintyPPM, ins.TargetPPM/2) > ins.TargetPPM {
		return false
	}
	return ins.SpreadMax == 0 || !e.Telling || e.Spread <= ins.SpreadMax
}

// told is the record's sentence; its beginning is read by the figures.
func (e *Computed) told() string {
	spread := fmt.Sprintf("%d mV apart at rest", e.Spread/1000)
	if !e.Telling {
		spread += ", which says little here"
	}
	return fmt.Sprintf("imbalance %d ppm of capacity, uncertainty %d ppm, %d mAh left to bleed, %s",
		e.ImbalancePPM, e.UncertaintyPPM, e.Left/(drivers.AmpereHour/1000), spread)
}

// bleedLength is how long the round takes at most: even cells, then odd ones.
func (m *Machine) bleedLength() drivers.Span {
	var longest [2]drivers.Span
	for i, t := range m.bleed.left {
		longest[i%2] = max(longest[i%2], t)
	}
	return longest[0] + longest[1]
}

// bleedCharge is what the round takes from all cells together, at the highest
// cell's voltage.
func (m *Machine) bleedCharge() drivers.Charge {
	i := int64(m.bleedCurrent())
	var q drivers.Charge
	for _, t := range m.bleed.left {
		q += drivers.Charge(i * int64(t/drivers.Millisecond))
	}
	return q
}

// bleedCurrent is what one bleed resistor takes at the highest cell's voltage.
func (m *Machine) bleedCurrent() drivers.Microamps {
	r := int64(m.plan.Bench.Monitor.Bleed)
	if r <= 0 {
		return 0
	}
	return drivers.Microamps(int64(m.meas.high) * 1_000_000 / r)
}

// bleedFlow watches temperature and time while cells bleed.
func (m *Machine) bleedFlow(s signal) {
	b := &m.bleed
	if s == onFrame {
		hot := m.meas.tempsOK && m.meas.hottest > b.ins.TempMax
		cool := m.meas.tempsOK && m.meas.hottest < b.ins.TempMax-m.bleedCooler()
		if hot && !b.hot || b.hot && cool {
			m.bleedSpend()
			if b.hot {
				b.cooled += m.now.Sub(b.hotAt)
			}
			b.hot, b.hotAt = hot, m.now
			m.bleedSlot()
		}
		return
	}
	m.bleedSpend()
	// Waiting for the bleed resistors to cool may double the round's length, not
	// more (INV-11).
	if m.now.Sub(b.begun) >= b.ins.Bounds.Span+min(b.cooled, b.ins.Bounds.Span) {
		m.bleedCells(nil)
		m.becomeStopping(OutcomeFailed, fmt.Sprintf("bound reached: %d s of bleeding without balance", b.ins.Bounds.Span/drivers.Second))
		return
	}
	m.bleedSlot()
}

// bleedCooler is by how much it must be cooler before cells bleed on: over what a
// sensor's steps and noise do, and no more, since each kelvin waited for is time
// in which nothing bleeds.
func (m *Machine) bleedCooler() drivers.Millikelvins {
	return max(drivers.Kelvin/2, 3*m.plan.Bench.Monitor.TempStep)
}

// bleedSpend takes the slot's time from the cells that bled in it.
func (m *Machine) bleedSpend() {
	b := &m.bleed
	spent := m.now.Sub(b.slot)
	b.slot = m.now
	for i := range b.left {
		if b.words[i/16]>>(i%16)&1 != 0 {
			b.left[i] = max(0, b.left[i]-spent)
		}
	}
	m.code.balance.spend(b.words, spent, m.bleedCurrent())
}

// bleedSlot chooses who bleeds next. Where neighbours may not bleed at once,
// even cells go first and an odd cell follows as soon as both its neighbours
// are done: no order is shorter, because each pair of neighbours must fit one
// after the other and this one wastes nothing else.
func (m *Machine) bleedSlot() {
	b := &m.bleed
	free := m.plan.Bench.Monitor.BleedNeighbours
	clear(b.words)
	next := drivers.Span(0)
	for i, left := range b.left {
		if left <= 0 || b.hot {
			continue
		}
		if !free && i%2 == 1 && (b.left[i-1] > 0 || i+1 < len(b.left) && b.left[i+1] > 0) {
			continue
		}
		b.words[i/16] |= 1 << (i % 16)
		if next == 0 || left < next {
			next = left
		}
	}
	slot := bleedSlot
	if t := m.plan.Bench.Monitor.BleedTimeout; t > 0 {
		slot = min(slot, t/2) // the monitor stops by itself when nobody renews
	}
	switch {
	case b.hot:
		m.bleedCells(nil)
		m.timer = m.now.Add(slot)
	case next == 0:
		m.bleedCells(nil)
		m.drive.end = "bled"
		m.taskDone()
	default:
		m.bleedCells(b.words)
		m.timer = m.now.Add(min(next, slot))
	}
}
