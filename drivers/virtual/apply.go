package virtual

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// apply puts a fault into force (by 1) or takes it back (by -1). What several
// faults may hold at once is counted, or made anew from all that are active: the
// end of one leaves nothing of it behind, and the others as they were.
func (b *Bench) apply(f *faultState, by int) {
	m, s, l := &b.monitor, &b.supply.faults, &b.load.faults
	if x := b.sensor(&f.Fault); x != nil {
		b.retune(x)
		return
	}
	switch f.Kind {
	case TapsSwapped:
		if by > 0 {
			m.faults.swapped = append(m.faults.swapped, f.Cell)
		} else if k := slices.Index(m.faults.swapped, f.Cell); k >= 0 {
			m.faults.swapped = slices.Delete(m.faults.swapped, k, k+1)
		}
	case ReferenceDrifts, ScaleWrong, FramesHalfEmpty, FramesHalfOld:
		b.degrade()
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
		b.supply.exceed(b, Overdelivers)
	case Overdraws:
		b.load.exceed(b, Overdraws)
	case SenseOpen:
		b.supply.missense(b)
	case SupplyDies:
		b.supply.die(by)
	case LoadDies:
		b.load.die(by)
		b.load.snap()
	case DriverHangs:
		*b.hung(f.Device) += by
	case DriverReconnects:
		*b.hung(f.Device) += by
		if by < 0 {
			b.countAnew(f.Device)
		}
	case CommandsIgnored:
		if d := b.deaf(f.Device); d != nil {
			*d += by
		}
	case SetupLost:
		if by > 0 {
			b.brownOut(f.Device)
		}
	default:
		b.applyElsewhere(f, by)
	}
}

// applyElsewhere is apply for frames, the box and the article.
func (b *Bench) applyElsewhere(f *faultState, by int) {
	p, x := &b.path, &b.box
	switch f.Kind {
	case FramesStop:
		p.stopped += by
	case FramesRepeat:
		p.repeating += by
		if by > 0 {
			p.held = append(p.held[:0], b.counts...)
		}
	case FramesLate:
		p.delay += drivers.Span(by) * f.Delay
	case FramesLost:
		p.lostPPM += int64(by) * f.RatePPM
	case FramesDoubled:
		p.doubledPPM += int64(by) * f.RatePPM
	case FramesReordered:
		p.reorderedPPM += int64(by) * f.RatePPM
	case TimeSteps:
		p.stepped += drivers.Span(by) * f.Delay
	case ContactorWelded:
		x.weld(f.Contactor, by)
	case ContactorStuck:
		x.stuck(f.Contactor, by)
	case ContactorBounces:
		x.bouncy(f.Contactor, drivers.Span(by)*f.Delay)
	case PrechargeOpen:
		x.faults.resistorOpen += by
		x.settle()
	case SupplyDrains:
		b.supply.leak()
	case LinkShort, LoadShorts:
		b.short()
	case EmergencyPressed:
		x.faults.pressed += by
		b.PressEmergencyStop(x.faults.pressed > 0)
	case BleedStuck:
		b.monitor.stuckBleed[f.Cell] += int8(by)
		b.monitor.paths()
	case BleedOpen:
		b.monitor.stuckBleed[f.Cell] -= int8(by)
		b.monitor.paths()
	case CellOverheats, CellLeaks:
		b.ail(f)
	}
}

// ail makes a cell ill, where the article has such a cell.
func (b *Bench) ail(f *faultState) {
	if f.Cell >= b.module.Len() {
		return
	}
	switch f.Kind {
	case CellOverheats:
		b.module.SetHeat(f.Cell, float64(b.total(f, func(o *Fault) int64 { return o.PowerMW }))/1e3)
	case CellLeaks:
		b.module.SetLeak(f.Cell, float64(b.total(f, func(o *Fault) int64 { return int64(o.Current) }))/1e6)
	}
}

// active calls fn for each fault in force of these kinds.
func (b *Bench) active(fn func(*faultState), kinds ...FaultKind) {
	for i := range b.faults {
		if f := &b.faults[i]; f.active && slices.Contains(kinds, f.Kind) {
			fn(f)
		}
	}
}

// total is the sum of a quantity over the active faults of one kind in one cell.
func (b *Bench) total(f *faultState, of func(*Fault) int64) (sum int64) {
	b.active(func(o *faultState) {
		if o.Cell == f.Cell {
			sum += of(&o.Fault)
		}
	}, f.Kind)
	return sum
}

// hours is how long a fault has been in force.
func (b *Bench) hours(f *faultState) float64 {
	return float64(b.now.Sub(f.begin)) / float64(drivers.Hour)
}

// sensor returns the sensor that a fault is about, or nil.
func (b *Bench) sensor(f *Fault) *sensor {
	switch f.Kind {
	case TapReadsLow, TapOpen, SensorFreezes, TapNoisy, TapDrifts:
		return &b.monitor.cells[f.Cell]
	case TempOpen, TempStuck, TempReadsLow:
		return &b.monitor.temps[f.Sensor]
	case MeterReadsOff:
		return &b.meter.volts
	case CurrentOffset, CurrentGain, CurrentReversed, CurrentSaturates:
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
	return nil
}

// retune makes a sensor what all its active faults make of it.
func (b *Bench) retune(s *sensor) {
	s.bias, s.rough, s.clip, s.frozen, s.open = 0, 0, 0, false, false
	gain, reversed := int64(0), false
	for i := range b.faults {
		f := &b.faults[i]
		if !f.active || b.sensor(&f.Fault) != s {
			continue
		}
		counts := func(base float64) float64 { return float64(base / 1e6 * s.healthy) }
		switch f.Kind {
		case TapReadsLow, MeterReadsOff:
			s.bias += counts(float64(f.Voltage) + float64(float64(f.Drift)*b.hours(f)))
		case TapDrifts:
			s.bias += counts(float64(float64(f.Drift) * b.hours(f)))
		case TempReadsLow:
			s.bias += counts(float64(f.Temp) * 1e3) // slope is per kelvin
		case CurrentOffset:
			s.bias += counts(float64(f.Current))
		case TapNoisy:
			s.rough += counts(float64(f.Voltage))
		case CurrentGain:
			gain += f.GainPPM
		case CurrentReversed:
			reversed = !reversed
		case CurrentSaturates:
			if clip := max(counts(float64(f.Current)), 1); s.clip == 0 || clip < s.clip {
				s.clip = clip
			}
		case SensorFreezes, TempStuck:
			s.frozen = true
		case TapOpen, TempOpen:
			s.open = true
		}
	}
	s.slope = s.healthy + float64(s.healthy*(float64(gain)/1e6))
	if reversed {
		s.slope = -s.slope
	}
}

// drift moves on what drifts.
func (b *Bench) drift() {
	for i := range b.faults {
		f := &b.faults[i]
		switch {
		case !f.active:
		case f.Drift != 0:
			b.retune(b.sensor(&f.Fault))
		case f.GainDrift != 0:
			b.degrade()
		}
	}
}

// degrade makes the monitor what the faults of all its channels make of it.
func (b *Bench) degrade() {
	m := &b.monitor.faults
	gain := 0.0
	m.empty, m.old = gap{}, gap{}
	b.active(func(f *faultState) {
		gain += float64(f.GainPPM) + float64(float64(f.GainDrift)*b.hours(f))
	}, ReferenceDrifts, ScaleWrong)
	b.active(func(f *faultState) { m.empty.widen(&f.Fault) }, FramesHalfEmpty)
	b.active(func(f *faultState) { m.old.widen(&f.Fault) }, FramesHalfOld)
	m.gain = gain / 1e6
}

// short puts what lies across the link there.
func (b *Bench) short() {
	n, siemens, ohms := 0, 0.0, 0.0
	b.active(func(f *faultState) {
		ohms = float64(f.Resistance) / 1e6
		siemens += 1 / ohms
		n++
	}, LinkShort, LoadShorts)
	if n > 1 {
		ohms = 1 / siemens
	}
	b.plant.Short(ohms)
	b.moves(20 * fine)
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

// countAnew is a driver that was started again: its counter begins at nothing.
func (b *Bench) countAnew(d Device) {
	switch d {
	case DeviceSupply:
		b.supply.latest.Beat = 0
	case DeviceLoad:
		b.load.latest.Beat = 0
	case DeviceBox:
		b.box.latest.Beat = 0
	case DeviceMonitor:
		b.monitor.latest.Beat = 0
	case DeviceMeter:
		b.meter.latest.Beat = 0
	}
}

// starts counts a device's beginnings; nil: it has nothing to forget.
func (b *Bench) starts(d Device) *int {
	switch d {
	case DeviceSupply:
		return &b.supply.starts
	case DeviceLoad:
		return &b.load.starts
	case DeviceBox:
		return &b.box.starts
	case DeviceMonitor:
		return &b.monitor.starts
	}
	return nil
}

// brownOut takes a device's supply away for a moment: what it did stops at once,
// what it was told is gone.
func (b *Bench) brownOut(d Device) {
	if n := b.starts(d); n != nil {
		*n++
	}
	switch d {
	case DeviceSupply:
		b.supply.restart()
	case DeviceLoad:
		b.load.restart()
	case DeviceBox:
		b.box.told = 0
		b.box.energise(0)
	case DeviceMonitor:
		b.monitor.stop()
	}
	b.countAnew(d)
}
