package virtual

import (
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// faultState is a configured fault and how far it has come.
type faultState struct {
	Fault
	begin, end   drivers.Instant // never while unknown
	active, over bool
	given        float64 // what it added to a sensor
}

// FaultStatus tells of a configured fault.
type FaultStatus struct {
	Fault  Fault
	Began  bool
	Begin  drivers.Instant // valid once it began
	Active bool
}

// FaultStatus returns the configured faults with places picked, and whether
// they have begun.
func (b *Bench) FaultStatus() []FaultStatus {
	var list []FaultStatus
	for i := range b.faults {
		f := &b.faults[i]
		list = append(list, FaultStatus{f.Fault, f.active || f.over, f.begin, f.active})
	}
	return list
}

// Inject adds a fault to a bench under way; its trigger counts from the bench's
// start like any other.
func (b *Bench) Inject(f Fault) error {
	if err := b.addFault(f); err != nil {
		return err
	}
	b.arrange()
	return nil
}

func (b *Bench) initFaults() error {
	for _, f := range b.cfg.Faults {
		if err := b.addFault(f); err != nil {
			return err
		}
	}
	b.arrange()
	return nil
}

// addFault checks a fault against the bench and picks its place.
func (b *Bench) addFault(f Fault) error {
	if err := f.check(); err != nil {
		return fmt.Errorf("virtual bench: fault %s: %w", f.Kind, err)
	}
	info, _ := lookup(f.Kind)
	spec := &b.cfg.Bench
	if slices.Contains(info.Params, "cell") {
		last := spec.Monitor.Cells - 1
		if f.Kind == TapsSwapped {
			last--
		}
		if f.Cell == Anywhere {
			f.Cell = min(b.worstCell(f.Kind), last)
		}
		if f.Cell > last || f.Cell < 0 {
			return fmt.Errorf("virtual bench: fault %s: cell %d; the bench has 1 to %d", f.Kind, f.Cell+1, last+1)
		}
	}
	if slices.Contains(info.Params, "sensor") {
		if f.Sensor == Anywhere {
			f.Sensor = 0
		}
		if f.Sensor >= spec.Monitor.Temps {
			return fmt.Errorf("virtual bench: fault %s: sensor %d; the bench has 1 to %d", f.Kind, f.Sensor+1, spec.Monitor.Temps)
		}
	}
	if f.Kind == FramesLate {
		period := spec.Monitor.Period
		if spec.Box.LinkPeriod > 0 {
			period = min(period, spec.Box.LinkPeriod)
		}
		b.path.keepFor(f.Delay, period, len(b.counts))
	}
	s := faultState{Fault: f, begin: never, end: never}
	switch {
	case f.When.On == AfterStart:
		s.begin = b.cfg.Start.Add(f.When.Span)
	case f.When.On == AfterPrecharge && b.box.precharged != never:
		s.begin = b.box.precharged.Add(f.When.Span)
	}
	b.faults = append(b.faults, s)
	return nil
}

// worstCell picks the cell on which a fault shows worst: heat beside a sensor,
// everything else on the cell that will be full first.
func (b *Bench) worstCell(k FaultKind) int {
	if k == CellOverheats && b.cfg.Bench.Monitor.Temps > 0 {
		return b.SensorCell(b.cfg.Bench.Monitor.Temps / 2)
	}
	best, room := 0, 0.0
	for k := range b.module.Len() {
		left := b.module.Capacity(k) - b.module.Charge(k)
		if k == 0 || left < room {
			best, room = k, left
		}
	}
	return best
}

// flow counts how long current has flowed, and starts what waited for it.
func (b *Bench) flow(d drivers.Span) {
	t := &b.truth
	switch i := b.module.Current(); {
	case i > t.zero:
		t.charged += d
	case i < -t.zero:
		t.discharged += d
	default:
		return
	}
	for i := range b.faults {
		f := &b.faults[i]
		if f.begin != never {
			continue
		}
		if f.When.On == AfterCharging && t.charged >= f.When.Span && t.charged > 0 ||
			f.When.On == AfterDischarging && t.discharged >= f.When.Span && t.discharged > 0 {
			f.begin = b.now
			b.pending = b.now
		}
	}
}

// arrange finds when the next fault begins or ends.
func (b *Bench) arrange() {
	b.pending = never
	for i := range b.faults {
		f := &b.faults[i]
		if f.When.On == AfterPrecharge && f.begin == never && b.box.precharged != never {
			f.begin = b.box.precharged.Add(f.When.Span)
		}
		switch {
		case f.over:
		case f.active:
			b.pending = min(b.pending, f.end)
		default:
			b.pending = min(b.pending, f.begin)
		}
	}
}

// runFaults begins and ends what is due.
func (b *Bench) runFaults() {
	for i := range b.faults {
		f := &b.faults[i]
		if !f.active && !f.over && f.begin <= b.now {
			f.active, f.begin = true, b.now
			if f.For > 0 {
				f.end = b.now.Add(f.For)
			}
			b.apply(f, 1)
			b.truth.note(b.now, "fault", f.String())
		}
		if f.active && f.end <= b.now {
			f.active, f.over = false, true
			b.apply(f, -1)
			b.truth.note(b.now, "fault-over", f.String())
		}
	}
	b.arrange()
}

// apply puts a fault into force (by 1) or takes it back (by -1).
func (b *Bench) apply(f *faultState, by int) {
	on := by > 0
	m, s, l := &b.monitor, &b.supply.faults, &b.load.faults
	switch f.Kind {
	case TapReadsLow, TempReadsLow, CurrentOffset, MeterReadsOff:
		b.shift(f, on)
	case CurrentGain, CurrentReversed:
		b.distort(f, on)
	case TapOpen:
		m.cells[f.Cell].open = on
	case SensorFreezes:
		m.cells[f.Cell].frozen = on
	case TapsSwapped:
		if on {
			m.faults.swapped = append(m.faults.swapped, f.Cell)
		} else if k := slices.Index(m.faults.swapped, f.Cell); k >= 0 {
			m.faults.swapped = slices.Delete(m.faults.swapped, k, k+1)
		}
	case TempOpen:
		m.temps[f.Sensor].open = on
	case TempStuck:
		m.temps[f.Sensor].frozen = on
	case TempShort:
		m.faults.shorted[f.Sensor] += by
	case MonitorSilent:
		m.faults.silent += by
	case ReadingsMissing:
		m.faults.missing += by
	case IgnoresSetdown:
		s.keepsCurrent += by
	case SupplyIgnoresOff:
		s.keepsOn += by
	case LoadIgnoresOff:
		l.keepsOn += by
	case IgnoresVoltage:
		s.keepsVoltage += by
		b.supply.drive()
	case Overdelivers:
		b.supply.exceed(f, by)
	case Overdraws:
		b.load.exceed(f, by)
	case SupplyDies:
		b.supply.die(by)
	case DriverHangs:
		*b.hung(f.Device) += by
	case CommandsIgnored:
		if d := b.deaf(f.Device); d != nil {
			*d += by
		}
	default:
		b.applyElsewhere(f, by)
	}
}

// applyElsewhere is apply for frames, the box and the article.
func (b *Bench) applyElsewhere(f *faultState, by int) {
	on := by > 0
	switch f.Kind {
	case FramesStop:
		b.path.stopped += by
	case FramesRepeat:
		b.path.repeating += by
		b.path.held = append(b.path.held[:0], b.counts...)
	case FramesLate:
		b.path.delay += drivers.Span(by) * f.Delay
	case FramesLost:
		b.path.lostPPM += int64(by) * f.RatePPM
	case ContactorWelded:
		b.box.weld(f.Contactor, by)
	case ContactorStuck:
		b.box.stuck(f.Contactor, by)
	case PrechargeOpen:
		b.box.faults.resistorOpen += by
		b.box.settle()
	case LinkShort:
		if b.plant.Short(0); on {
			b.plant.Short(float64(f.Resistance) / 1e6)
		}
		b.moves(20 * fine)
	case EmergencyPressed:
		b.PressEmergencyStop(on)
	case BleedStuck:
		b.monitor.stuckBleed[f.Cell] += int8(by)
		b.monitor.paths()
	case BleedOpen:
		b.monitor.stuckBleed[f.Cell] -= int8(by)
		b.monitor.paths()
	case CellOverheats:
		b.module.SetHeat(f.Cell, float64(f.PowerMW*int64(max(by, 0)))/1e3)
	case CellLeaks:
		b.module.SetLeak(f.Cell, float64(int64(f.Current)*int64(max(by, 0)))/1e6)
	}
}

// sensor returns the sensor that a fault is about.
func (b *Bench) sensor(f *Fault) *sensor {
	switch f.Kind {
	case TapReadsLow:
		return &b.monitor.cells[f.Cell]
	case TempReadsLow:
		return &b.monitor.temps[f.Sensor]
	case MeterReadsOff:
		return &b.meter.volts
	}
	switch f.Device {
	case DeviceSupply:
		return &b.supply.amps
	case DeviceLoad:
		return &b.load.amps
	case DeviceBox:
		return &b.box.amps
	}
	return &b.monitor.shunt
}

// shift adds a fault's offset, with the drift so far, to its sensor.
func (b *Bench) shift(f *faultState, on bool) {
	s := b.sensor(&f.Fault)
	want := 0.0
	if on {
		hours := float64(b.now.Sub(f.begin)) / float64(drivers.Hour)
		base := float64(f.Voltage) + float64(float64(f.Drift)*hours)
		switch f.Kind {
		case TempReadsLow:
			base = float64(f.Temp) * 1e3 // slope is per kelvin
		case CurrentOffset:
			base = float64(f.Current)
		}
		want = float64(base / 1e6 * s.slope)
	}
	s.bias += want - f.given
	f.given = want
}

// drift moves on what drifts.
func (b *Bench) drift() {
	for i := range b.faults {
		if f := &b.faults[i]; f.active && f.Drift != 0 {
			b.shift(f, true)
		}
	}
}

// distort changes a current sensor's slope.
func (b *Bench) distort(f *faultState, on bool) {
	s := b.sensor(&f.Fault)
	if !on {
		s.slope -= f.given
		return
	}
	f.given = float64(s.slope * (float64(f.GainPPM) / 1e6))
	if f.Kind == CurrentReversed {
		f.given = float64(-2 * s.slope)
	}
	s.slope += f.given
}

// hung and deaf return a device's counters of faults.
func (b *Bench) hung(d Device) *int {
	switch d {
	case DeviceSupply:
		return &b.supply.faults.hung
	case DeviceLoad:
		return &b.load.faults.hung
	case DeviceBox:
		return &b.box.faults.hung
	case DeviceMonitor:
		return &b.monitor.faults.hung
	}
	return &b.meter.hung
}

func (b *Bench) deaf(d Device) *int {
	switch d {
	case DeviceSupply:
		return &b.supply.faults.deaf
	case DeviceLoad:
		return &b.load.faults.deaf
	case DeviceBox:
		return &b.box.faults.deaf
	case DeviceMonitor:
		return &b.monitor.faults.deaf
	}
	return nil // a meter takes no commands
}

// exceed makes an instrument give more than it was set to.
func (p *power) exceed(f *faultState, by int) {
	p.faults.extra += float64(float64(by) * (float64(f.Current) / 1e6))
	p.faults.extraGain += float64(float64(by) * (float64(f.GainPPM) / 1e6))
	p.drive()
}

// die takes an instrument's mains away, or gives it back: the output stays off.
func (p *power) die(by int) {
	p.faults.dead += by
	if p.faults.dead > 0 {
		p.drop(drivers.PowerFault)
	} else {
		p.state &^= drivers.PowerFault
	}
}
