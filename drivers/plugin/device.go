package plugin

import (
	"context"
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
)

// devices are the roles asked for, as they outlive the plugin's lives.
func (p *Plugin) devices() (set drivers.Set) {
	for _, r := range p.o.Roles {
		d := device{p, r}
		switch r {
		case host.RoleSupply:
			set.Supply = &power{d, 0, func(s *drivers.Set) drivers.Power { return s.Supply }}
		case host.RoleLoad:
			set.Load = &power{d, 1, func(s *drivers.Set) drivers.Power { return s.Load }}
		case host.RoleBox:
			set.Box = &box{d}
		case host.RoleMonitor:
			set.Monitor = &monitor{d}
		case host.RoleMeter:
			set.Meter = &meter{d}
		}
	}
	return set
}

// device is what all roles share.
type device struct {
	p    *Plugin
	role host.Role
}

// call carries out one call on the plugin as it is now.
func (d *device) call(ctx context.Context, what string, do func(*session) error) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("%s: plugin %s: %s: %w", d.role, d.p.o.Address, what, err)
	}
	s, err := d.p.session(d.role)
	if err != nil {
		return err
	}
	if err = do(s); err == nil {
		return nil
	}
	if d.p.now.Load() != s && !errors.Is(err, drivers.ErrNoAnswer) {
		// It died under the call; what the wire made of that is no matter.
		err = fmt.Errorf("%w: %v", drivers.ErrNoAnswer, err)
	}
	return fmt.Errorf("%s: plugin %s: %s: %w", d.role, d.p.o.Address, what, err)
}

func (d *device) Identify(ctx context.Context) (id drivers.Identity, err error) {
	err = d.call(ctx, "identify", func(s *session) error {
		id = s.client.Describe().Identities[d.role]
		return nil
	})
	return id, err
}

type power struct {
	device
	side int
	of   func(*drivers.Set) drivers.Power
}

func (p *power) Halt(ctx context.Context) error {
	return p.call(ctx, "halt", func(s *session) error { return p.of(&s.set).Halt(ctx) })
}

func (p *power) Arm(ctx context.Context, l drivers.Protection) (got drivers.Protection, err error) {
	err = p.call(ctx, "arm", func(s *session) (err error) {
		if got, err = p.of(&s.set).Arm(ctx, l); err == nil {
			s.armed[p.side].Store(true)
		}
		return err
	})
	return got, err
}

// ProveSilence lets the plugin leave its instrument alone: the host's own
// silence would show no more than that the plugin has a lease. A plugin that
// cannot says host.ErrAbsent.
func (p *power) ProveSilence(ctx context.Context, l drivers.Protection) (took drivers.Span, err error) {
	p.p.proving.Add(1)
	defer p.p.proving.Add(-1)
	err = p.call(ctx, "prove", func(s *session) (err error) {
		s.armed[p.side].Store(false)
		prover, ok := p.of(&s.set).(host.Prover)
		if !ok {
			return fmt.Errorf("its client proves nothing: %w", host.ErrAbsent)
		}
		took, err = prover.ProveSilence(ctx, l)
		return err
	})
	return took, err
}

var _ host.Prover = (*power)(nil)

func (p *power) Set(ctx context.Context, v drivers.Setpoint) error {
	return p.call(ctx, "set", func(s *session) error {
		if v.On && !p.p.trusted && !s.armed[p.side].Load() {
			return fmt.Errorf("it was not armed since it was opened: %w", drivers.ErrRefused)
		}
		return p.of(&s.set).Set(ctx, v)
	})
}

func (p *power) Read(ctx context.Context) (r drivers.Reading, err error) {
	err = p.call(ctx, "read", func(s *session) (err error) {
		r, err = p.of(&s.set).Read(ctx)
		return err
	})
	return r, err
}

type box struct{ device }

func (b *box) Halt(ctx context.Context) error {
	return b.call(ctx, "halt", func(s *session) error { return s.set.Box.Halt(ctx) })
}

func (b *box) Switch(ctx context.Context, closed drivers.Contactors) error {
	return b.call(ctx, "switch", func(s *session) error { return s.set.Box.Switch(ctx, closed) })
}

func (b *box) Read(ctx context.Context) (r drivers.BoxReading, err error) {
	err = b.call(ctx, "read", func(s *session) (err error) {
		r, err = s.set.Box.Read(ctx)
		return err
	})
	return r, err
}

type monitor struct{ device }

func (m *monitor) Halt(ctx context.Context) error {
	return m.call(ctx, "halt", func(s *session) error { return s.set.Monitor.Halt(ctx) })
}

func (m *monitor) Bleed(ctx context.Context, words []int32) error {
	return m.call(ctx, "bleed", func(s *session) error { return s.set.Monitor.Bleed(ctx, words) })
}

func (m *monitor) Read(ctx context.Context, r *drivers.MonitorReading) error {
	return m.call(ctx, "read", func(s *session) error { return s.set.Monitor.Read(ctx, r) })
}

type meter struct{ device }

func (m *meter) Read(ctx context.Context) (r drivers.Reading, err error) {
	err = m.call(ctx, "read", func(s *session) (err error) {
		r, err = s.set.Meter.Read(ctx)
		return err
	})
	return r, err
}
