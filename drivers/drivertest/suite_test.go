package drivertest_test

import (
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// Bad drivers: each breaks the contract in one way. The suite is only worth
// something if it names every one of them.

type badPower struct {
	drivers.Power
	set  func(drivers.Power, context.Context, drivers.Setpoint) error
	arm  func(drivers.Power, context.Context, drivers.Protection) (drivers.Protection, error)
	halt func(drivers.Power, context.Context) error
	read func(drivers.Power, context.Context) (drivers.Reading, error)
	id   func(drivers.Power, context.Context) (drivers.Identity, error)
}

func (b *badPower) Set(ctx context.Context, s drivers.Setpoint) error {
	if b.set != nil {
		return b.set(b.Power, ctx, s)
	}
	return b.Power.Set(ctx, s)
}

func (b *badPower) Arm(ctx context.Context, p drivers.Protection) (drivers.Protection, error) {
	if b.arm != nil {
		return b.arm(b.Power, ctx, p)
	}
	return b.Power.Arm(ctx, p)
}

func (b *badPower) Halt(ctx context.Context) error {
	if b.halt != nil {
		return b.halt(b.Power, ctx)
	}
	return b.Power.Halt(ctx)
}

func (b *badPower) Read(ctx context.Context) (drivers.Reading, error) {
	if b.read != nil {
		return b.read(b.Power, ctx)
	}
	return b.Power.Read(ctx)
}

func (b *badPower) Identify(ctx context.Context) (drivers.Identity, error) {
	if b.id != nil {
		return b.id(b.Power, ctx)
	}
	return b.Power.Identify(ctx)
}

type badBox struct {
	drivers.Box
	close func(drivers.Contactors) drivers.Contactors
	halt  func() error
}

func (b *badBox) Switch(ctx context.Context, c drivers.Contactors) error {
	return b.Box.Switch(ctx, b.close(c))
}

func (b *badBox) Halt(ctx context.Context) error {
	if b.halt != nil {
		return b.halt()
	}
	return b.Box.Halt(ctx)
}

type badMonitor struct {
	drivers.Monitor
	bleed func(drivers.Monitor, context.Context, []int32) error
	read  func(*drivers.MonitorReading)
}

func (b *badMonitor) Bleed(ctx context.Context, w []int32) error {
	if b.bleed != nil {
		return b.bleed(b.Monitor, ctx, w)
	}
	return b.Monitor.Bleed(ctx, w)
}

func (b *badMonitor) Read(ctx context.Context, r *drivers.MonitorReading) error {
	err := b.Monitor.Read(ctx, r)
	if b.read != nil {
		b.read(r)
	}
	return err
}

// fixture is a virtual bench; change spoils it.
func fixture(t *testing.T, change func(*drivers.Set)) *drivertest.Fixture {
	t.Helper()
	c := virtual.Config{Bench: virtual.WorkshopBench(), Article: virtual.DefaultArticle(), Seed: 3, Start: 1}
	b, err := virtual.New(c)
	require.NoError(t, err)
	set := b.Set()
	if change != nil {
		change(&set)
	}
	return &drivertest.Fixture{Set: set, Bench: c.Bench, Advance: func(d drivers.Span) { b.Advance(b.Now().Add(d)) }}
}

func supply(b badPower) func(*drivers.Set) {
	return func(s *drivers.Set) {
		b.Power = s.Supply
		s.Supply = &b
	}
}

func TestSuiteFindsBadDrivers(t *testing.T) {
	beats, names := int32(0), 0
	for _, tc := range []struct {
		what, check, want string
		spoil             func(*drivers.Set)
	}{
		{"another identity each time", "identity", "identity was", supply(badPower{id: func(drivers.Power, context.Context) (drivers.Identity, error) {
			names++
			return drivers.Identity{Model: "x", Serial: string(rune('a' + names))}, nil
		}})},
		{"no serial", "identity", "lacks model or serial", supply(badPower{id: func(drivers.Power, context.Context) (drivers.Identity, error) {
			return drivers.Identity{Model: "x"}, nil
		}})},
		{"a counter that counts calls", "beats", "in no time", supply(badPower{read: func(p drivers.Power, ctx context.Context) (drivers.Reading, error) {
			r, err := p.Read(ctx)
			beats += 2
			r.Beat = beats
			return r, err
		}})},
		{"a counter that stands still", "beats", "counter stands at", supply(badPower{read: func(p drivers.Power, ctx context.Context) (drivers.Reading, error) {
			r, err := p.Read(ctx)
			r.Beat = 5
			return r, err
		}})},
		{"halt fails when off", "halt-any-time", "halt: not now", supply(badPower{halt: func(drivers.Power, context.Context) error { return errors.New("not now") }})},
		{"contexts ignored", "context-done", "with a cancelled context", supply(badPower{read: func(p drivers.Power, _ context.Context) (drivers.Reading, error) {
			return p.Read(context.Background())
		}})},
		{"armed by a call nobody waited for", "context-done", "set after an arming", supply(badPower{arm: func(p drivers.Power, ctx context.Context, l drivers.Protection) (drivers.Protection, error) {
			got, err := p.Arm(context.Background(), l)
			if ctx.Err() != nil {
				err = ctx.Err()
			}
			return got, err
		}})},
		{"arms itself", "supply/unarmed", "accepted", supply(badPower{set: func(p drivers.Power, ctx context.Context, s drivers.Setpoint) error {
			if _, err := p.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: drivers.Ampere}); err != nil {
				return err
			}
			return p.Set(ctx, s)
		}})},
		{"arming echoes what was asked", "supply/arm-reads-back", "its ranges are", supply(badPower{arm: func(p drivers.Power, ctx context.Context, l drivers.Protection) (drivers.Protection, error) {
			_, err := p.Arm(ctx, l)
			return l, err
		}})},
		{"arming drops the timeout", "supply/arm-reads-back", "reads back 0 us", supply(badPower{arm: func(p drivers.Power, ctx context.Context, l drivers.Protection) (drivers.Protection, error) {
			l.CommTimeout = 0
			return p.Arm(ctx, l)
		}})},
		{"setpoints cut to the range", "supply/range", "accepted", supply(badPower{set: func(p drivers.Power, ctx context.Context, s drivers.Setpoint) error {
			s.Current = min(s.Current, 60*drivers.Ampere)
			return p.Set(ctx, s)
		}})},
		{"amperes taken for half amperes", "supply/set-absolute", "within", supply(badPower{set: func(p drivers.Power, ctx context.Context, s drivers.Setpoint) error {
			s.Current /= 2
			return p.Set(ctx, s)
		}})},
		{"halt acknowledged only", "supply/halt-current", "when off", supply(badPower{halt: func(drivers.Power, context.Context) error { return nil }})},
		{"off acknowledged only", "supply/set-off", "when off", supply(badPower{set: func(p drivers.Power, ctx context.Context, s drivers.Setpoint) error {
			s.On = true
			return p.Set(ctx, s)
		}})},
		{"halt waits its turn", "supply/halt-overtakes", "", supply(badPower{halt: func(p drivers.Power, ctx context.Context) error {
			if err := p.Halt(ctx); err != nil {
				return err
			}
			return p.Set(ctx, drivers.Setpoint{On: true, Current: 5 * drivers.Ampere, Voltage: 90 * drivers.Volt})
		}})},
		{"arms wider than told", "supply/own-limit", "over the armed limit", supply(badPower{arm: func(p drivers.Power, ctx context.Context, l drivers.Protection) (drivers.Protection, error) {
			wide := l
			wide.CurrentMax = 60 * drivers.Ampere
			_, err := p.Arm(ctx, wide)
			return l, err
		}})},
		{"no timeout behind the words", "supply/silence", "after silence", supply(badPower{arm: func(p drivers.Power, ctx context.Context, l drivers.Protection) (drivers.Protection, error) {
			quiet := l
			quiet.CommTimeout = 0
			_, err := p.Arm(ctx, quiet)
			return l, err
		}})},
		{"voltage bound forgotten", "supply/voltage", "it gives", supply(badPower{set: func(p drivers.Power, ctx context.Context, s drivers.Setpoint) error {
			s.Voltage = 95 * drivers.Volt
			return p.Set(ctx, s)
		}})},
		{"closes more than told", "box/switch", "are closed", func(s *drivers.Set) {
			s.Box = &badBox{Box: s.Box, close: func(c drivers.Contactors) drivers.Contactors { return c | drivers.BoxNegative }}
		}},
		{"drops unknown contactors", "box/unknown", "accepted", func(s *drivers.Set) {
			s.Box = &badBox{Box: s.Box, close: func(c drivers.Contactors) drivers.Contactors { return c & 7 }}
		}},
		{"box halt acknowledged only", "box/halt", "are closed", func(s *drivers.Set) {
			s.Box = &badBox{Box: s.Box, close: func(c drivers.Contactors) drivers.Contactors { return c }, halt: func() error { return nil }}
		}},
		{"a cell too few", "monitor/shape", "declared are 24", func(s *drivers.Set) {
			s.Monitor = &badMonitor{Monitor: s.Monitor, read: func(r *drivers.MonitorReading) { r.Cells = r.Cells[1:] }}
		}},
		{"a hole in the reading", "monitor/shape", "cell 4 gives no reading", func(s *drivers.Set) {
			s.Monitor = &badMonitor{Monitor: s.Monitor, read: func(r *drivers.MonitorReading) { r.Cells[3] = drivers.NoReading }}
		}},
		{"bleeds the next cell", "monitor/bleed", "want", func(s *drivers.Set) {
			s.Monitor = &badMonitor{Monitor: s.Monitor, bleed: func(m drivers.Monitor, ctx context.Context, w []int32) error {
				return m.Bleed(ctx, []int32{w[0] << 1, w[1]})
			}}
		}},
		{"bleeds neighbours", "monitor/refused", "accepted", func(s *drivers.Set) {
			s.Monitor = &badMonitor{Monitor: s.Monitor, bleed: func(m drivers.Monitor, ctx context.Context, w []int32) error {
				if len(w) == 2 && w[0] == 3 {
					return nil
				}
				return m.Bleed(ctx, w)
			}}
		}},
	} {
		t.Run(tc.what, func(t *testing.T) {
			for _, c := range drivertest.Checks() {
				if c.Name != tc.check {
					continue
				}
				require.NoError(t, c.Do(fixture(t, nil)), "the sound bench")
				err := c.Do(fixture(t, tc.spoil))
				if assert.Error(t, err) {
					assert.NotErrorIs(t, err, drivertest.ErrSkip)
					assert.ErrorContains(t, err, tc.want)
				}
				return
			}
			t.Fatalf("no check is called %s", tc.check)
		})
	}
}

// What a fixture does not have is skipped with a reason, not passed.
func TestSuiteSkipsWhatIsNotThere(t *testing.T) {
	for _, c := range drivertest.Checks() {
		f := fixture(t, func(s *drivers.Set) { *s = drivers.Set{Meter: s.Meter} })
		err := c.Do(f)
		switch c.Name {
		case "identity", "beats", "halt-any-time", "context-done":
			assert.NoError(t, err, c.Name)
		default:
			assert.ErrorIs(t, err, drivertest.ErrSkip, c.Name)
		}
	}
}

// A supply alone, on a fixture that makes its own path for the current: every
// check of a supply must apply.
func TestSupplyAlone(t *testing.T) {
	c := virtual.Config{Bench: virtual.WorkshopBench(), Article: virtual.DefaultArticle(), Seed: 3, Start: 1}
	c.Bench.Box.Heartbeat = 0 // nobody keeps it here
	for _, check := range drivertest.Checks() {
		b, err := virtual.New(c)
		require.NoError(t, err)
		advance := func(d drivers.Span) { b.Advance(b.Now().Add(d)) }
		f := &drivertest.Fixture{
			Set: drivers.Set{Supply: b.Set().Supply}, Bench: c.Bench, Advance: advance,
			Connect: func() error {
				for _, c := range []drivers.Contactors{drivers.BoxPrecharge, drivers.BoxPositive} {
					if err := b.Set().Box.Switch(t.Context(), drivers.BoxNegative|c); err != nil {
						return err
					}
					advance(drivers.Second)
				}
				return nil
			},
		}
		if err := check.Do(f); strings.HasPrefix(check.Name, "supply/") || !errors.Is(err, drivertest.ErrSkip) {
			assert.NoError(t, err, check.Name)
		}
	}
}
