package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// stage is how far a drive has come.
type stage uint8

const (
	stageQuiet  stage = iota // wait until measured current is zero (INV-01)
	stagePermit              // wait until the permit is durable (INV-05)
	stageFlow                // current flows
	stageFall                // off; wait until measured current is zero
	stageProbe               // a run's first, small current flows
)

// driving is the state of a drive or pulse.
type driving struct {
	ins   *Drive
	pulse bool
	stage stage
	// fresh: no current of its own has flowed yet. charge0 and energy0 count this
	// instruction, also across pauses.
	fresh   bool
	charge0 drivers.Charge
	energy0 drivers.Energy
	flowed  drivers.Span // time with current before the latest pause
	setAt   drivers.Instant
	// flowedAt is when current last flowed, or none was to be expected.
	flowedAt drivers.Instant
	edge     drivers.Instant // when current crossed half its step
	limit    drivers.Charge  // end by counted charge, 0 for none
	prevI    drivers.Microamps
	prevAt   drivers.Instant
	atEnd    int // fresh frames in a row at the cell end
	tapered  drivers.Instant
	hold     holding
	allowed  drivers.Microamps // by temperature, at the latest look; 0: not yet
	end      string            // why the step ended, for its record
	failure  string            // a bound was reached
	paused   bool              // begin again after a pause
	led      bool              // a first level is over
}

func (m *Machine) beginDrive(ins *Instruction) {
	d := &m.drive
	if d.paused {
		d.paused = false
		if d.stage != stageFall { // an end or bound that was reached stays reached
			d.stage = stageQuiet
		}
	} else {
		*d = driving{ins: ins.Drive, pulse: ins.Op == OpPulse, fresh: true, charge0: m.count.charge, energy0: m.count.energy}
		d.limit = ins.Drive.Charge
		if ins.Drive.ChargeOf > 0 && ins.Drive.PerMille > 0 {
			d.limit = drivers.Charge(abs(m.code.registers[ins.Drive.ChargeOf-1]) / 1000 * ins.Drive.PerMille)
		}
	}
	d.edge, d.tapered, d.atEnd = 0, 0, 0
	m.proof = proving{frame: m.proof.frame}
	m.timer = m.now.Add(m.response(m.plan.Bench.Supply.CurrentMax) + drivers.Second)
}

func (m *Machine) driveStep(s signal) {
	d := &m.drive
	switch {
	case d.stage == stageQuiet && s == onFrame:
		m.driveQuiet()
	case d.stage == stagePermit && s == onStored:
		m.driveBegin()
	case d.stage == stageProbe && s == onFrame:
		m.probeFrame()
	case d.stage == stageFlow && s == onFrame:
		m.driveFlow()
	case d.stage == stageFlow && s == onDue:
		m.driveDue()
	case d.stage == stageFall && s == onFrame:
		if m.meas.still() && !m.powerOn() {
			m.driveOver()
		}
	case s == onDue:
		why := [...]string{
			stageQuiet:  "current did not reach zero before the next direction",
			stagePermit: "the permit was not confirmed as stored in time",
			stageFall:   "current did not fall to zero after switching off",
			stageProbe:  "the first, small current could not be measured",
		}[d.stage]
		m.becomeTripped(causeDriver, guard.Finding{}, why)
	}
}

func (m *Machine) powerOn() bool {
	s := &m.meas
	return !s.supplyOK || !s.loadOK || (s.supply|s.load)&drivers.PowerOn != 0
}

// driveQuiet asks for the permit once nothing flows any more: break before
// make, on measured current (INV-01).
func (m *Machine) driveQuiet() {
	if !m.meas.still() || m.powerOn() {
		return
	}
	if m.cmd.contactors != closed {
		m.reclose()
		return
	}
	d := m.drive.ins
	m.drive.stage = stagePermit
	m.timer = m.now.Add(storeTimeout)
	m.emit(Permit{Epoch: m.epoch, Direction: d.Direction, Current: d.Current, Voltage: d.Voltage, Contactors: closed, Bounds: d.Bounds})
}

// reclose closes the contactors again, by the plan's own way of closing, when a
// long rest or pause opened them (INV-16).
func (m *Machine) reclose() {
	if m.code.lastClose == nil {
		m.becomeTripped(causePlan, guard.Finding{}, "the plan drives current and never closed the contactors")
		return
	}
	m.drive.paused = true
	m.task = taskSwitch
	m.sw.reclosing = true
	m.timer = 0
	m.beginSwitch(m.code.lastClose)
}

// storeTimeout is how long a permit may take to become durable.
const storeTimeout = 5 * drivers.Second

func (m *Machine) driveBegin() {
	d := &m.drive
	m.timer = 0
	i := m.ceiling()
	switch {
	case i <= 0:
		m.becomePausing("temperature allows no charge current", true)
		return
	case d.ins.ChargeOf > 0 && d.limit <= 0:
		m.becomeStopping(OutcomeFailed, "no charge was measured that a share could be taken of")
		return
	}
	if m.probes(i) {
		m.beginProbe()
		return
	}
	if d.fresh {
		d.fresh, d.charge0, d.energy0 = false, m.count.charge, m.count.energy
	}
	if !m.proofBegin() {
		return
	}
	m.beginTrend()
	i = d.level(i)
	if d.ins.Hold > 0 {
		d.hold.begin(m)
		i = min(i, d.hold.first(m))
	}
	if i < m.power(d.ins.Direction).CurrentStep || i <= 0 {
		d.stage = stageFlow
		m.driveEnd("no current fits under the hold voltage")
		return
	}
	d.stage, d.setAt, d.flowedAt = stageFlow, m.now, m.now
	d.prevI, d.prevAt = m.meas.current, m.now
	m.set(d.ins.Direction, i, d.ins.Voltage)
}

func (m *Machine) power(dir Direction) *drivers.PowerSpec {
	if dir == Discharging {
		return &m.plan.Bench.Load
	}
	return &m.plan.Bench.Supply
}

// ceiling is the greatest current that the step and the temperatures allow. A
// kelvin is kept from the next row of the charge table, so that the machine
// derates before the guard has to act (INV-15), and another before the current
// goes up again, so that it does not follow a sensor's noise.
func (m *Machine) ceiling() drivers.Microamps {
	d := &m.drive
	apart := max(drivers.Kelvin, 2*drivers.Millikelvins(m.plan.Bench.Monitor.TempAccuracy.At(int64(m.meas.hottest))))
	i := m.tabled(apart)
	if d.allowed > 0 && i > d.allowed {
		i = max(d.allowed, m.tabled(2*apart))
	}
	d.allowed = i
	step := m.power(d.ins.Direction).CurrentStep
	return i / step * step
}

// tabled is what the charge table allows at a distance from its rows.
func (m *Machine) tabled(margin drivers.Millikelvins) drivers.Microamps {
	i, rows := m.drive.ins.Current, m.plan.Limits.ChargeTable
	if m.drive.ins.Direction != Charging || len(rows) == 0 {
		return i
	}
	most := min(tableAt(rows, m.meas.coldest-margin), tableAt(rows, m.meas.hottest+margin))
	return min(i, max(most-m.misses(most), 0))
}

// misses is by how much the shunt may read more than the supply was told: what
// both declare. The guard holds what the shunt reads under the table.
func (m *Machine) misses(i drivers.Microamps) drivers.Microamps {
	b := &m.plan.Bench
	return drivers.Microamps(b.Monitor.CurrentAcc.At(int64(i)) + b.Supply.CurrentAcc.At(int64(i)))
}

func tableAt(rows []guard.ChargeRow, t drivers.Millikelvins) drivers.Microamps {
	var i drivers.Microamps
	for _, r := range rows {
		if t >= r.Temp {
			i = r.Current
		}
	}
	return i
}

// driveFlow looks at one frame while current flows.
func (m *Machine) driveFlow() {
	d, s := &m.drive, &m.meas
	if !s.fresh {
		return
	}
	m.findEdge()
	if end := m.driveEnded(); end != "" {
		m.driveEnd(end)
		return
	}
	if f := m.driveBound(); f != "" {
		d.failure = f
		m.driveEnd(f)
		return
	}
	if m.trendFrame() {
		return
	}
	if m.deliversNothing() {
		m.becomeTripped(causeDriver, guard.Finding{}, fmt.Sprintf("%v commanded and %v measured: the instrument delivers nothing, or the path is open", m.cmd.current, s.current))
		return
	}
	if !s.cellsOK || !s.currentOK || !s.tempsOK {
		return // the guard counts down; nothing is set on half a picture
	}
	ceiling := m.ceiling()
	if ceiling <= 0 {
		m.becomePausing("temperature allows no charge current", true)
		return
	}
	m.leadOver(ceiling)
	ceiling = d.level(ceiling)
	next := m.cmd.current
	switch {
	case d.ins.Hold > 0:
		next = d.hold.next(m, ceiling)
	case ceiling < next || ceiling > next+ceiling/10 && !d.pulse:
		next = ceiling
	}
	if next != m.cmd.current {
		m.set(d.ins.Direction, next, d.ins.Voltage)
	}
}

// deliversNothing says that a current was commanded and none has flowed for
// longer than any command needs: a dead instrument, a blown fuse.
func (m *Machine) deliversNothing() bool {
	d := &m.drive
	if m.cmd.current <= 10*m.plan.Limits.NearZero || abs(m.meas.current) > m.plan.Limits.NearZero {
		d.flowedAt = m.now
	}
	return m.now.Sub(d.flowedAt) > m.response(m.cmd.current)+noneGrace
}

// noneGrace is added to the response time before no current is a fault.
const noneGrace = 5 * drivers.Second

// findEdge notes when current crossed half its step, between two readings.
func (m *Machine) findEdge() {
	d, s := &m.drive, &m.meas
	half := m.cmd.current / 2
	i := abs(s.current)
	if d.edge == 0 && i >= half && half > 0 {
		d.edge = s.at
		if i0 := abs(d.prevI); i0 < half && i > i0 {
			d.edge = d.prevAt + drivers.Instant(int64(s.at.Sub(d.prevAt))*int64(half-i0)/int64(i-i0))
		}
		m.timeDrive()
	}
	d.prevI, d.prevAt = s.current, s.at
}

// driveCharge is what this instruction has moved, as a magnitude in its
// direction.
func (m *Machine) driveCharge() drivers.Charge {
	q := m.count.charge - m.drive.charge0
	if m.drive.ins.Direction == Discharging {
		q = -q
	}
	return q
}

// driveEnded says which end the step has reached, or nothing.
func (m *Machine) driveEnded() string {
	d, s := &m.drive, &m.meas
	if d.limit > 0 && m.driveCharge() >= d.limit {
		return "charge"
	}
	if v := d.ins.CellEnd; v > 0 {
		at := s.cellsOK && (d.ins.Direction == Charging && s.high >= v || d.ins.Direction == Discharging && s.low <= v)
		if d.atEnd++; !at {
			d.atEnd = 0
		}
		// Two readings in a row: one step of noise ends nothing.
		if d.atEnd >= 2 {
			cell := s.lowest
			if d.ins.Direction == Charging {
				cell = s.highest
			}
			return fmt.Sprintf("cell %02d at its end voltage", cell+1)
		}
	}
	if d.ins.Taper > 0 && d.ins.Hold > 0 {
		if !d.hold.active || d.hold.rising || m.cmd.current > d.ins.Taper || abs(s.current) > d.ins.Taper+m.plan.Limits.NearZero {
			d.tapered = 0
		} else if d.tapered == 0 {
			d.tapered = m.now
		}
		if d.tapered != 0 && m.now.Sub(d.tapered) >= taperSettle {
			return fmt.Sprintf("taper current with cell %02d held", s.highest+1)
		}
	}
	return ""
}

// taperSettle is how long the current must stay at or under the taper current.
const taperSettle = 2 * drivers.Second

// driveBound says which bound is reached (INV-11), or nothing.
func (m *Machine) driveBound() string {
	d := &m.drive
	b := d.ins.Bounds
	t := d.flowed + m.now.Sub(d.setAt)
	e := abs(m.count.energy - d.energy0)
	switch {
	case t >= b.Span:
		return fmt.Sprintf("bound reached: %d s without another end", b.Span/drivers.Second)
	case m.driveCharge() >= b.Charge:
		return fmt.Sprintf("bound reached: %d mAh without another end", b.Charge/(drivers.AmpereHour/1000))
	case e >= b.Energy:
		return fmt.Sprintf("bound reached: %d mWh without another end", b.Energy/(drivers.WattHour/1000))
	}
	return ""
}

// driveEnd switches off and waits for measured zero current.
func (m *Machine) driveEnd(why string) {
	d := &m.drive
	d.end, d.stage = why, stageFall
	i := m.cmd.current
	m.halt(0)
	m.meas.quiet = 0
	m.timer = m.now.Add(m.response(i) + fallGrace)
	if d.ins.Expect != nil {
		m.proofMissed(why)
	}
}

// fallGrace is added to the response time before a current that does not fall
// becomes a trip.
const fallGrace = 500 * drivers.Millisecond

// driveOver saves the results and goes on.
func (m *Machine) driveOver() {
	d := &m.drive
	if d.failure != "" {
		m.becomeStopping(OutcomeFailed, d.failure)
		return
	}
	q := m.count.charge - d.charge0
	if r := d.ins.SaveCharge; r > 0 {
		m.code.registers[r-1] = int64(q)
	}
	if r := d.ins.SaveEnergy; r > 0 {
		m.code.registers[r-1] = int64(m.count.energy - d.energy0)
	}
	if r := d.ins.Push; r > 0 {
		m.code.lists[r-1] = append(m.code.lists[r-1], int64(q))
	}
	m.taskDone()
}
