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
	if slices.Contains(mistakes, f.Kind) {
		return fmt.Errorf("virtual bench: fault %s: an article is another one from the start; see Exchange", f.Kind)
	}
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
		late := f.Delay
		for i := range b.faults {
			if b.faults[i].Kind == FramesLate {
				late += b.faults[i].Delay
			}
		}
		period := spec.Monitor.Period
		if spec.Box.LinkPeriod > 0 {
			period = min(period, spec.Box.LinkPeriod)
		}
		b.path.keepFor(late, period, len(b.counts))
	}
	if slices.Contains(mistakes, f.Kind) {
		f.When, f.For = Trigger{AfterStart, 0}, 0
		b.mistakes = append(b.mistakes, f)
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
