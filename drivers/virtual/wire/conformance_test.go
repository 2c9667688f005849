package wire

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/canbus"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/modbus"
	"github.com/rigwarden/rigwarden/drivers/scpi"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// wired is a bench all of whose instruments are reached over wires, by the
// project's own drivers with the shipped maps. Time is the test's.
type wired struct {
	*rig
	spec   drivers.Bench
	sweeps uint64 // that the monitor's driver must have seen
	can    *canbus.Monitor
	set    drivers.Set
}

func clean[M any](t *testing.T, m M, problems []tree.Problem) M {
	t.Helper()
	require.Empty(t, problems)
	return m
}

func newWired(t *testing.T, change func(*virtual.Config)) *wired {
	t.Helper()
	w := &wired{}
	w.rig = newRig(t, func(c *virtual.Config, _ *Config) {
		c.Sensing = virtual.Sensing{}
		if change != nil {
			change(c)
		}
		w.spec = c.Bench
	})
	now := func() drivers.Instant { return drivers.Instant(w.clock.Load()) }
	power := func(role, address string, spec drivers.PowerSpec) *scpi.Power {
		src, _ := scpi.Shipped("common-" + role)
		d, problems := scpi.ParseDialect("common-"+role, src)
		p, err := scpi.NewPower(scpi.Options{Role: role, Address: address, Dialect: clean(t, d, problems), Now: now}, spec)
		require.NoError(t, err)
		t.Cleanup(func() { _ = p.Close() })
		return p
	}
	a := w.s.Addresses()
	w.set.Supply = told{power("supply", a.Supply, w.spec.Supply), w, virtual.DeviceSupply}
	w.set.Load = told{power("load", a.Load, w.spec.Load), w, virtual.DeviceLoad}

	src, _ := scpi.Shipped("common-meter")
	dialect, problems := scpi.ParseDialect("common-meter", src)
	m, err := scpi.NewMeter(scpi.Options{Role: "meter", Address: a.Meter, Dialect: clean(t, dialect, problems), Now: now}, w.spec.Meter)
	require.NoError(t, err)
	t.Cleanup(func() { _ = m.Close() })
	w.set.Meter = m

	src, _ = modbus.Shipped("common-box")
	registers, problems := modbus.ParseMap("common-box", src)
	x, err := modbus.NewBox(modbus.Options{Address: a.Box, Map: clean(t, registers, problems), Now: now}, w.spec.Box)
	require.NoError(t, err)
	t.Cleanup(func() { _ = x.Close() })
	w.set.Box = toldBox{x, w}

	src, _ = canbus.Shipped("common-monitor")
	signals, problems := canbus.ParseMap("common-monitor", src, func(file string) (string, []byte, error) {
		return file, []byte(canbus.CommonDBC(w.spec.Monitor.Cells, w.spec.Monitor.Temps)), nil
	})
	w.can, err = canbus.New(canbus.Options{Address: a.Monitor[0], Map: clean(t, signals, problems), Now: now}, w.spec.Monitor)
	require.NoError(t, err)
	t.Cleanup(func() { _ = w.can.Close() })
	w.set.Monitor = toldMonitor{w.can, w}
	w.listening()
	w.step(w.spec.Monitor.Period)
	return w
}

// listening waits until the monitor's driver is on the bus, and counts what is
// sent from then on.
func (w *wired) listening() {
	w.eventually("the driver listens", func() bool {
		w.s.bus.mu.Lock()
		defer w.s.bus.mu.Unlock()
		return len(w.s.bus.members) > 0
	})
	w.rt.Do(func(*virtual.Bench) {
		emit := w.s.monitor.emit
		w.s.monitor.emit = func(f []canFrame) {
			w.sweeps++
			emit(f)
		}
	})
}

// eventually waits for what another goroutine does at once.
func (w *wired) eventually(what string, ok func() bool) {
	w.t.Helper()
	limit := time.NewTimer(10 * time.Second)
	defer limit.Stop()
	look := time.NewTicker(50 * time.Microsecond)
	defer look.Stop()
	for !ok() {
		select {
		case <-look.C:
		case <-limit.C:
			w.t.Errorf("not in time: %s", what)
			return
		}
	}
}

// step moves time by no more than a period and waits until what the monitor sent
// was heard.
func (w *wired) step(d drivers.Span) {
	w.advance(d)
	var sent uint64
	w.rt.Do(func(*virtual.Bench) { sent = w.sweeps })
	w.eventually("the sweep is heard", func() bool { return w.can.Counts().Sweeps >= sent })
}

func (w *wired) pass(d drivers.Span) {
	for d > 0 {
		step := min(d, w.spec.Monitor.Period)
		w.step(step)
		d -= step
	}
}

// In the test's time a halt takes no time to arrive, so the fixture waits until
// it has: a driver returns once the device was told.

type told struct {
	drivers.Power
	w *wired
	d virtual.Device
}

func (p told) Halt(ctx context.Context) error {
	err := p.Power.Halt(ctx)
	if err == nil {
		p.w.eventually("the halt is heard", func() (ok bool) {
			p.w.rt.Do(func(*virtual.Bench) { ok = !p.w.s.instruments[p.d].source.on })
			return ok
		})
	}
	return err
}

type toldBox struct {
	drivers.Box
	w *wired
}

func (x toldBox) Halt(ctx context.Context) error {
	err := x.Box.Halt(ctx)
	if err == nil {
		x.w.eventually("the halt is heard", func() (ok bool) {
			x.w.rt.Do(func(b *virtual.Bench) { ok = b.BoxPanel().Coils() == 0 })
			return ok
		})
	}
	return err
}

type toldMonitor struct {
	drivers.Monitor
	w *wired
}

func (m toldMonitor) bleeds(words []int32) {
	m.w.eventually("the command is heard", func() bool { return slices.Equal(m.w.bleeding(), words) })
}

func (m toldMonitor) Halt(ctx context.Context) error {
	err := m.Monitor.Halt(ctx)
	if err == nil {
		m.bleeds(make([]int32, (m.w.spec.Monitor.Cells+15)/16))
	}
	return err
}

func (m toldMonitor) Bleed(ctx context.Context, words []int32) error {
	err := m.Monitor.Bleed(ctx, words)
	if err == nil {
		m.bleeds(words)
	}
	return err
}

// hang makes a device stop answering. That a bus is silent shows only after a
// while: time passes.
func (w *wired) hang(r drivertest.Role) {
	require.NoError(w.t, w.s.Inject(virtual.Fault{
		Kind: virtual.DriverHangs, Device: virtual.Device(r), When: virtual.Trigger{On: virtual.AfterStart},
	}))
	w.advance(1)
	if r == drivertest.RoleMonitor {
		w.advance(2 * drivers.Second)
	}
}

// The contract of drivers over all wires at once: SCPI, CAN and Modbus, against
// instruments that know nothing of the drivers.
func TestConformance(t *testing.T) {
	drivertest.Run(t, func(t *testing.T) *drivertest.Fixture {
		w := newWired(t, nil)
		return &drivertest.Fixture{Set: w.set, Bench: w.spec, Concurrent: true, Advance: w.pass, Hang: w.hang}
	})
}
