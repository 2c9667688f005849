package virtual

import (
	"context"
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
)

// call runs f alone on the bench at the present. A device that does not answer
// keeps its caller waiting until the context is done; a context that is never
// done is answered at once, or nobody ever would be.
func (r *Realtime) call(ctx context.Context, f func() error) error {
	r.mu.Lock()
	r.bench.Advance(r.now())
	err := f()
	r.mu.Unlock()
	if errors.Is(err, drivers.ErrNoAnswer) && ctx.Done() != nil {
		<-ctx.Done()
	}
	return err
}

// ask is call for what also returns a value.
func ask[T any](ctx context.Context, r *Realtime, f func() (T, error)) (v T, err error) {
	err = r.call(ctx, func() error {
		v, err = f()
		return err
	})
	return v, err
}

type livePower struct {
	r *Realtime
	p drivers.Power
}

func (l livePower) Halt(ctx context.Context) error {
	return l.r.call(ctx, func() error { return l.p.Halt(ctx) })
}

func (l livePower) Identify(ctx context.Context) (drivers.Identity, error) {
	return ask(ctx, l.r, func() (drivers.Identity, error) { return l.p.Identify(ctx) })
}

func (l livePower) Arm(ctx context.Context, p drivers.Protection) (drivers.Protection, error) {
	return ask(ctx, l.r, func() (drivers.Protection, error) { return l.p.Arm(ctx, p) })
}

func (l livePower) Set(ctx context.Context, s drivers.Setpoint) error {
	return l.r.call(ctx, func() error { return l.p.Set(ctx, s) })
}

func (l livePower) Read(ctx context.Context) (drivers.Reading, error) {
	return ask(ctx, l.r, func() (drivers.Reading, error) { return l.p.Read(ctx) })
}

type liveBox struct {
	r *Realtime
	x drivers.Box
}

func (l liveBox) Halt(ctx context.Context) error {
	return l.r.call(ctx, func() error { return l.x.Halt(ctx) })
}

func (l liveBox) Identify(ctx context.Context) (drivers.Identity, error) {
	return ask(ctx, l.r, func() (drivers.Identity, error) { return l.x.Identify(ctx) })
}

func (l liveBox) Switch(ctx context.Context, closed drivers.Contactors) error {
	return l.r.call(ctx, func() error { return l.x.Switch(ctx, closed) })
}

func (l liveBox) Read(ctx context.Context) (drivers.BoxReading, error) {
	return ask(ctx, l.r, func() (drivers.BoxReading, error) { return l.x.Read(ctx) })
}

type liveMonitor struct {
	r *Realtime
	m drivers.Monitor
}

func (l liveMonitor) Halt(ctx context.Context) error {
	return l.r.call(ctx, func() error { return l.m.Halt(ctx) })
}

func (l liveMonitor) Identify(ctx context.Context) (drivers.Identity, error) {
	return ask(ctx, l.r, func() (drivers.Identity, error) { return l.m.Identify(ctx) })
}

func (l liveMonitor) Bleed(ctx context.Context, words []int32) error {
	return l.r.call(ctx, func() error { return l.m.Bleed(ctx, words) })
}

func (l liveMonitor) Read(ctx context.Context, r *drivers.MonitorReading) error {
	return l.r.call(ctx, func() error { return l.m.Read(ctx, r) })
}

type liveMeter struct {
	r *Realtime
	m drivers.Meter
}

func (l liveMeter) Identify(ctx context.Context) (drivers.Identity, error) {
	return ask(ctx, l.r, func() (drivers.Identity, error) { return l.m.Identify(ctx) })
}

func (l liveMeter) Read(ctx context.Context) (drivers.Reading, error) {
	return ask(ctx, l.r, func() (drivers.Reading, error) { return l.m.Read(ctx) })
}
