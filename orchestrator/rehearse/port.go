package rehearse

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// port is the rig as the loop sees it: every call goes on to the virtual bench
// unchanged, and past the witness.
type port struct {
	*virtual.Bench
	w *witness
}

// Set returns the instruments with the witness before each.
func (p port) Set() drivers.Set {
	s := p.Bench.Set()
	s.Supply = watchedPower{s.Supply, p.w, virtual.DeviceSupply}
	s.Load = watchedPower{s.Load, p.w, virtual.DeviceLoad}
	s.Box = watchedBox{s.Box, p.w}
	s.Monitor = watchedMonitor{s.Monitor, p.w}
	return s
}

// Frame lets the witness look at the truth whenever the loop gets a frame.
func (p port) Frame(f *drivers.Frame) bool {
	ok := p.Bench.Frame(f)
	p.w.turn()
	if ok {
		p.w.frame(f)
		if l := p.w.shelf.current(); l != nil {
			l.given(f, p.w.rig.Now(), p.w.on[virtual.DeviceSupply] || p.w.on[virtual.DeviceLoad])
		}
	}
	return ok
}

type watchedPower struct {
	drivers.Power
	w      *witness
	device virtual.Device
}

func (p watchedPower) Halt(ctx context.Context) error {
	p.w.wire(operation{device: p.device, halt: true})
	return p.Power.Halt(ctx)
}

func (p watchedPower) Arm(ctx context.Context, limits drivers.Protection) (drivers.Protection, error) {
	p.w.wire(operation{device: p.device, text: "arm"})
	got, err := p.Power.Arm(ctx, limits)
	if err == nil {
		p.w.read[p.device] = got
	}
	return got, err
}

func (p watchedPower) Set(ctx context.Context, s drivers.Setpoint) error {
	p.w.wire(operation{device: p.device, on: s.On, current: s.Current, voltage: s.Voltage})
	return p.Power.Set(ctx, s)
}

type watchedBox struct {
	drivers.Box
	w *witness
}

func (b watchedBox) Halt(ctx context.Context) error {
	b.tells(0)
	b.w.wire(operation{device: virtual.DeviceBox, halt: true})
	return b.Box.Halt(ctx)
}

func (b watchedBox) Switch(ctx context.Context, closed drivers.Contactors) error {
	b.tells(closed)
	b.w.wire(operation{device: virtual.DeviceBox, halt: closed == 0, on: closed != 0, closed: closed, text: fmt.Sprintf("%03b", closed)})
	return b.Box.Switch(ctx, closed)
}

// tells notes from when on contacts travel.
func (b watchedBox) tells(closed drivers.Contactors) {
	if closed != b.w.told {
		b.w.inrush.moves = b.w.rig.Now()
	}
}

type watchedMonitor struct {
	drivers.Monitor
	w *witness
}

func (m watchedMonitor) Halt(ctx context.Context) error {
	m.w.wire(operation{device: virtual.DeviceMonitor, halt: true})
	return m.Monitor.Halt(ctx)
}

func (m watchedMonitor) Bleed(ctx context.Context, words []int32) error {
	m.w.wire(operation{device: virtual.DeviceMonitor, text: "bleed"})
	return m.Monitor.Bleed(ctx, words)
}
