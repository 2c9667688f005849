package virtual

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// meter is the voltmeter across the article's terminals, on the article's side
// of the contactors.
type meter struct {
	b      *Bench
	volts  sensor
	hung   int
	latest drivers.Reading
}

func (m *meter) init(b *Bench, draw *plant.Rand) {
	m.b = b
	spec := &b.cfg.Bench.Meter
	m.volts = newSensor(draw, b.cfg.Sensing.opposed(), int64(spec.VoltageStep), spec.VoltageAcc, 1e6, 0, 0)
}

// Identify says who the meter is.
func (m *meter) Identify(ctx context.Context) (drivers.Identity, error) {
	if err := reach(ctx, DeviceMeter, m.hung); err != nil {
		return drivers.Identity{}, err
	}
	return m.b.identity(DeviceMeter), nil
}

// Read returns the latest measurement; a meter has no current.
func (m *meter) Read(ctx context.Context) (drivers.Reading, error) {
	if err := reach(ctx, DeviceMeter, m.hung); err != nil {
		return drivers.Reading{}, err
	}
	return m.latest, nil
}

func (m *meter) measure() {
	v := m.volts.read(m.b.module.TerminalVoltage(), m.b.noise)
	if m.hung > 0 {
		return
	}
	m.latest = drivers.Reading{Voltage: v, Current: drivers.NoReading, Beat: tally(m.latest.Beat)}
}

// reach is the beginning of a call: a hung device never answers, and neither
// does one whose caller has given up.
func reach(ctx context.Context, name Device, hung int) error {
	if hung > 0 {
		return fmt.Errorf("virtual %s: %w", name, drivers.ErrNoAnswer)
	}
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("virtual %s: %w: %w", name, drivers.ErrNoAnswer, err)
	}
	return nil
}

// identity is what a virtual device says of itself.
func (b *Bench) identity(name Device) drivers.Identity {
	return drivers.Identity{
		Maker: drivers.VirtualMaker, Model: drivers.VirtualModel + string(name),
		Serial: fmt.Sprintf("%s-%d", b.cfg.Bench.Name, b.cfg.Seed), Firmware: "1",
	}
}
