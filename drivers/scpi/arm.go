package scpi

import (
	"context"
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// guard is one own limit on its way to the instrument, in base units.
type guard struct {
	what        string
	limit       *limit // nil: the dialect has none
	placeholder string
	want, step  int64
	put         func(*drivers.Protection, int64)
}

// guards lists the own limits of a protection, cut to the instrument's ranges.
// The silence limit comes last: it begins to run once it is set.
func (p *Power) guards(l drivers.Protection) []guard {
	return []guard{
		{"over-voltage limit", p.d.overVoltage, "{voltage}", int64(min(l.VoltageMax, p.spec.VoltageMax)), int64(p.spec.VoltageStep),
			func(l *drivers.Protection, v int64) { l.VoltageMax = drivers.Microvolts(v) }},
		{"over-current limit", p.d.overCurrent, "{current}", int64(min(l.CurrentMax, p.spec.CurrentMax)), int64(p.spec.CurrentStep),
			func(l *drivers.Protection, v int64) { l.CurrentMax = drivers.Microamps(v) }},
		{"silence limit", p.d.silence, "{time}", int64(min(l.CommTimeout, p.spec.CommTimeout)), 1,
			func(l *drivers.Protection, v int64) { l.CommTimeout = drivers.Span(v) }},
	}
}

// Arm switches off, sets the instrument's own limits, clears its trips and
// returns the limits as the instrument reads them back. They are never wider
// than asked, nor than the instrument's ranges; a limit that the dialect does
// not know reads 0. A limit that reads back wider is refused (ErrRefused).
func (p *Power) Arm(ctx context.Context, l drivers.Protection) (drivers.Protection, error) {
	if l.VoltageMax <= 0 || l.CurrentMax <= 0 || l.CommTimeout < 0 {
		return drivers.Protection{}, fmt.Errorf("%s: arm %+v: %w: limits must be positive", p.s.name, l, drivers.ErrRefused)
	}
	var got drivers.Protection
	err := p.s.do(ctx, false, nil, func(t *talk) (err error) {
		p.mu.Lock()
		p.armed, p.void = false, "its latest arming failed"
		p.mu.Unlock()
		got, err = p.arm(t, l)
		return err
	})
	if err != nil {
		return drivers.Protection{}, err
	}
	return got, nil
}

func (p *Power) arm(t *talk, l drivers.Protection) (got drivers.Protection, err error) {
	// Clearing a trip gives some instruments their output back: off comes first.
	p.mu.Lock()
	p.turned(false)
	p.mu.Unlock()
	if err := t.send(p.d.output.off, p.d.output.settle); err != nil {
		return got, err
	}
	// What was before is over: it was reported by readings and refusals.
	if _, err := t.old(); err != nil {
		return got, err
	}
	f, err := t.states(math.MaxUint8) // clears what a question clears
	if err != nil {
		return got, err
	}
	if t.renew(f); f&flagRestarted != 0 {
		return got, errCut // from the beginning, on a connection that is greeted
	}
	for _, c := range p.d.prepare {
		if err := t.command(c, p.d.setSettle); err != nil {
			return got, err
		}
	}
	guards := p.guards(l)
	for _, g := range guards {
		v, err := p.armOne(t, g)
		if err != nil {
			return got, err
		}
		g.put(&got, v)
	}
	for _, g := range guards {
		if g.limit == nil {
			continue
		}
		for _, c := range g.limit.clear {
			if err := t.command(c, p.d.setSettle); err != nil {
				return got, err
			}
		}
	}
	if f, err = t.states(math.MaxUint8); err != nil {
		return got, err
	}
	if err := t.sure(); err != nil {
		return got, err
	}
	return got, p.arming(f, got)
}

// arming ends an arming: armed is what says that it is off and guards itself.
func (p *Power) arming(f flags, got drivers.Protection) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, x := range [...]struct {
		flag flags
		what string
	}{
		{flagRestarted, "it restarted meanwhile"},
		{flagTripped, "it says that a limit has tripped, though the trip was cleared"},
		{flagTimeout, "it says that its silence limit ran out, though that was cleared"},
		{flagFault, "it reports a fault"},
	} {
		if f&x.flag != 0 {
			return fmt.Errorf("arm: %w: %s", drivers.ErrRefused, x.what)
		}
	}
	if f&flagOn != 0 && p.overdue() {
		return fmt.Errorf("arm: %w: its output is on though it was switched off", drivers.ErrRefused)
	}
	p.armed, p.void, p.limits, p.latched = true, "", got, 0
	return nil
}

// armOne sets one limit and returns what reads back.
func (p *Power) armOne(t *talk, g guard) (int64, error) {
	if g.limit == nil {
		return 0, nil
	}
	v, commands := g.limit.down(g.want, g.step), g.limit.send
	if g.want == 0 { // only the silence limit may be left off
		commands = g.limit.off
	} else if v <= 0 {
		return 0, fmt.Errorf("%s: %w: %d is under the least it can be set to", g.what, drivers.ErrRefused, g.want)
	}
	for _, c := range commands {
		if err := t.command(fill(c, g.placeholder, g.limit.text(v)), p.d.setSettle); err != nil {
			return 0, err
		}
	}
	got, err := t.quantity(g.limit.ask, g.limit.number)
	if err != nil {
		return 0, err
	}
	if got < 0 || got > g.want || g.want > 0 && got == 0 {
		return 0, fmt.Errorf("%s: %w: set to %s, it reads back %d millionths; over 0 and at most %d would guard what was asked (a step in the dialect may be missing)",
			g.limit.ask, drivers.ErrRefused, g.limit.text(v), got, g.want)
	}
	return got, nil
}
