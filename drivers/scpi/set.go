package scpi

import (
	"context"
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// Set takes a setpoint; On false is a Halt. It is refused (ErrRefused) outside
// the declared ranges, before Arm, after an own limit tripped, after a restart,
// where the output went off by itself, and with entries in the error queue; and
// with ErrLease after the silence limit ran out. Numbers are rounded to what
// the instrument takes: a current and a supply's voltage down, the voltage under
// which a load stops drawing up.
//
// Of two values the one that restricts goes first, so that on the way no more
// is allowed than before or after; where what is in force is not known, the
// current goes through 0.
func (p *Power) Set(ctx context.Context, s drivers.Setpoint) error {
	if !s.On {
		return p.Halt(ctx)
	}
	switch {
	case s.Current < 0 || s.Current > p.spec.CurrentMax:
		return fmt.Errorf("%s: set %d uA: %w: 0 to %d uA is possible", p.s.name, s.Current, drivers.ErrRefused, p.spec.CurrentMax)
	case s.Voltage < 0 || s.Voltage > p.spec.VoltageMax:
		return fmt.Errorf("%s: set %d uV: %w: 0 to %d uV is possible", p.s.name, s.Voltage, drivers.ErrRefused, p.spec.VoltageMax)
	}
	halts, mine := p.halts.Load(), p.sets.Add(1)
	may := func() error {
		switch {
		case p.halts.Load() != halts:
			return fmt.Errorf("set: %w: a halt came after it", drivers.ErrRefused)
		case p.sets.Load() != mine:
			return fmt.Errorf("set: %w: a newer set came after it", drivers.ErrRefused)
		}
		return nil
	}
	return p.s.do(ctx, false, may, func(t *talk) error { return p.set(t, s) })
}

func (p *Power) set(t *talk, s drivers.Setpoint) error {
	f, err := t.states(math.MaxUint8)
	if err != nil {
		return err
	}
	entries, err := t.entries()
	if err != nil {
		return err
	}
	if err := t.sure(); err != nil {
		return err
	}
	t.renew(f)
	if err := p.refusal(f, entries); err != nil {
		return fmt.Errorf("set: %w", err)
	}
	p.mu.Lock()
	known, on := p.known, p.on && f&flagOn != 0
	if known == nil && !p.on && f&flagOn == 0 {
		known = &s // it is off: any order will do
	}
	p.known = nil // until all of it is known to be in force
	p.mu.Unlock()
	for _, c := range p.steps(known, s) {
		if err := t.command(c, p.d.setSettle); err != nil {
			return err
		}
	}
	if err := p.readBack(t, s); err != nil {
		return err
	}
	if err := t.sure(); err != nil {
		return err
	}
	if !on {
		if err := p.switchOn(t); err != nil {
			return err
		}
	}
	p.mu.Lock()
	p.known = &s
	p.mu.Unlock()
	return nil
}

// switchOn is the one place that energises. Everything before is proven.
func (p *Power) switchOn(t *talk) error {
	err := t.l.write(t.ctx, p.d.output.on, modeIdle, func() error {
		p.mu.Lock()
		defer p.mu.Unlock()
		// Under mu, so that what a halt notes is noted last.
		if err := t.may(); err != nil {
			return err
		}
		p.turned(true)
		return nil
	})
	if err != nil {
		return fmt.Errorf("%s: %w", p.d.output.on, err)
	}
	if err := wait(t.ctx, p.d.output.settle); err != nil {
		return err
	}
	entries, err := t.entries()
	if err != nil {
		return err
	}
	if err := complaint(fmt.Sprintf("after %q", p.d.output.on), entries); err != nil {
		return err
	}
	return t.sure()
}

// turned notes what was commanded; the caller holds mu.
func (p *Power) turned(on bool) {
	if p.on != on || !p.told {
		p.since = p.s.now()
	}
	p.on, p.told = on, true
	p.s.wants(on)
}

// overdue says that the output has had its time to follow the latest on or off;
// the caller holds mu.
func (p *Power) overdue() bool {
	settle := drivers.Span(p.d.output.settle.Microseconds())
	return p.s.now().Sub(p.since) > p.spec.Delay+settle
}

// refusal says why nothing may be energised.
func (p *Power) refusal(f flags, entries []Entry) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.latched&flagTimeout != 0:
		return fmt.Errorf("its silence limit ran out: %w", drivers.ErrLease)
	case !p.armed && p.void != "":
		return fmt.Errorf("%w: %s; it must be armed again", drivers.ErrRefused, p.void)
	case !p.armed:
		return fmt.Errorf("%w: its limits were not armed", drivers.ErrRefused)
	case p.latched&flagTripped != 0:
		return fmt.Errorf("%w: one of its own limits has tripped; it must be armed again", drivers.ErrRefused)
	case f&flagFault != 0 || p.latched&flagFault != 0:
		return fmt.Errorf("%w: it reports a fault", drivers.ErrRefused)
	case p.on && f&flagOn == 0 && p.overdue():
		// A hand on its front panel, perhaps: nothing energises by itself (INV-06).
		p.disarm("its output went off though nobody here switched it off")
		return fmt.Errorf("%w: %s; it must be armed again", drivers.ErrRefused, p.void)
	}
	var told []Entry
	for _, e := range entries {
		if !e.query() {
			told = append(told, e)
		}
	}
	return complaint("before anything was set", told)
}

// steps are the commands of a setpoint, in their order.
func (p *Power) steps(known *drivers.Setpoint, s drivers.Setpoint) []string {
	i := p.d.current.down(int64(s.Current), 1)
	v := p.d.voltage.down(int64(s.Voltage), 1)
	if p.d.role == roleLoad {
		v = p.d.voltage.up(int64(s.Voltage), 1, int64(p.spec.VoltageMax))
	}
	amps := func(i int64) string { return fill(p.d.current.send, "{current}", p.d.current.text(i)) }
	volts := fill(p.d.voltage.send, "{voltage}", p.d.voltage.text(v))
	switch {
	case p.d.both != "":
		return []string{fill(p.d.both, "{current}", p.d.current.text(i), "{voltage}", p.d.voltage.text(v))}
	case known == nil:
		return []string{amps(0), volts, amps(i)}
	case s.Current > known.Current && p.tighter(known.Voltage, s.Voltage):
		return []string{volts, amps(i)}
	}
	return []string{amps(i), volts}
}

// tighter says that the voltage bound restricts more than before.
func (p *Power) tighter(was, is drivers.Microvolts) bool {
	if p.d.role == roleLoad {
		return is > was
	}
	return is < was
}

// readBack demands that the instrument took the numbers, as far as the dialect
// can ask: current can be measured later, a voltage bound cannot.
func (p *Power) readBack(t *talk, s drivers.Setpoint) error {
	for _, x := range [...]struct {
		setting *setting
		want    int64
		step    int64
	}{
		{&p.d.current, int64(s.Current), int64(p.spec.CurrentStep)},
		{&p.d.voltage, int64(s.Voltage), int64(p.spec.VoltageStep)},
	} {
		if x.setting.ask == "" {
			continue
		}
		got, err := t.quantity(x.setting.ask, x.setting.number)
		if err != nil {
			return err
		}
		if off := got - x.want; max(off, -off) > max(x.step, x.setting.step, x.setting.resolution()) {
			return fmt.Errorf("%s: %w: set to %d millionths, it reads back %d", x.setting.ask, drivers.ErrRefused, x.want, got)
		}
	}
	return nil
}
