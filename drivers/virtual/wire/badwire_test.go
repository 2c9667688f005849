package wire

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// readTime bounds a reading, as a host would.
const readTime = 50 * time.Millisecond

// read is one reading of a role's quantity in base units, with a deadline as a
// host would give it.
func (w *wired) read(d virtual.Device) (int64, error) {
	ctx, cancel := context.WithTimeout(w.t.Context(), readTime)
	defer cancel()
	switch d {
	case virtual.DeviceSupply:
		r, err := w.set.Supply.Read(ctx)
		return int64(r.Current) * int64(w.spec.Supply.CurrentStep), err
	case virtual.DeviceLoad:
		r, err := w.set.Load.Read(ctx)
		return int64(r.Voltage) * int64(w.spec.Load.VoltageStep), err
	case virtual.DeviceMeter:
		r, err := w.set.Meter.Read(ctx)
		return int64(r.Voltage) * int64(w.spec.Meter.VoltageStep), err
	}
	r, err := w.set.Box.Read(ctx)
	return int64(r.Link) * int64(w.spec.Box.LinkStep), err
}

// charging brings a bench to 10 A of charge over its drivers.
func charging(t *testing.T) *wired {
	w := newWired(t, func(c *virtual.Config) { c.Sensing = virtual.Sensing{Ideal: true} })
	ctx := t.Context()
	keep := func(d drivers.Span) {
		for ; d > 0; d -= w.spec.Monitor.Period {
			w.pass(w.spec.Monitor.Period)
			_, err := w.set.Box.Read(ctx)
			require.NoError(t, err)
			_, err = w.set.Supply.Read(ctx)
			require.NoError(t, err)
		}
	}
	for _, c := range []drivers.Contactors{drivers.BoxNegative | drivers.BoxPrecharge, contactorBits, drivers.BoxNegative | drivers.BoxPositive} {
		require.NoError(t, w.set.Box.Switch(ctx, c))
		keep(drivers.Second)
	}
	_, err := w.set.Supply.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 20 * drivers.Ampere})
	require.NoError(t, err)
	require.NoError(t, w.set.Supply.Set(ctx, drivers.Setpoint{On: true, Current: 10 * drivers.Ampere, Voltage: 90 * drivers.Volt}))
	keep(drivers.Second)
	return w
}

// Whatever a wire does to answers, a driver that reads over it gives the true
// figure or none: never half of one, never another question's (INV-02). When the
// wire is well again, so is the driver, and a halt gets through.
func TestDriversOverBadWires(t *testing.T) {
	if testing.Short() {
		t.Skip("it waits out some hundred deadlines; left out of the short tier")
	}
	t.Parallel()
	w := charging(t)
	want := map[virtual.Device]int64{}
	for _, d := range []virtual.Device{virtual.DeviceSupply, virtual.DeviceLoad, virtual.DeviceMeter, virtual.DeviceBox} {
		v, err := w.read(d)
		require.NoError(t, err)
		want[d] = v
	}
	require.InDelta(t, 10_000_000, want[virtual.DeviceSupply], 10_000)
	require.InDelta(t, 79_000_000, want[virtual.DeviceMeter], 3_000_000)
	for _, m := range []Misbehaviour{
		{Kind: Swallow}, {Kind: Drop}, {Kind: Late, Delay: 2 * readTime, Count: 2}, {Kind: Late, Delay: readTime / 8},
		{Kind: Twice, Count: 1}, {Kind: Twice}, {Kind: Half, Count: 1}, {Kind: Half}, {Kind: Garbage, Count: 1}, {Kind: Garbage},
		{Kind: Endless, Count: 1},
	} {
		var devices sync.WaitGroup
		for d, v := range want {
			devices.Go(func() { w.badWire(d, m, v) })
		}
		devices.Wait()
	}
	require.EqualValues(t, 10_000_000, w.supply(), "all the while it charged")
	require.NoError(t, w.set.Supply.Halt(t.Context()))
	w.pass(drivers.Second)
	require.Zero(t, w.supply())
}

func (w *wired) supply() (i drivers.Microamps) {
	w.rt.Do(func(b *virtual.Bench) { i = b.Truth().Supply })
	return i
}

// badWire reads a device over a bad wire, and again when it is well.
func (w *wired) badWire(d virtual.Device, m Misbehaviour, want int64) {
	assert.NoError(w.t, w.s.Misbehave(d, m))
	good := 0
	for range 3 {
		got, err := w.read(d)
		if err != nil {
			assert.ErrorContains(w.t, err, "127.0.0.1", "the error says where")
			continue
		}
		assert.InDelta(w.t, want, got, 20_000, "%s over %+v", d, m)
		good++
	}
	assert.NoError(w.t, w.s.Misbehave(d, Misbehaviour{}))
	w.eventually(string(d)+" over "+string(m.Kind)+" heals", func() bool {
		w.clock.Add(int64(drivers.Millisecond)) // a driver waits before it tries again
		got, err := w.read(d)
		if err == nil {
			assert.InDelta(w.t, want, got, 20_000, "%s after %+v", d, m)
		}
		return err == nil
	})
	w.t.Logf("%s over %s (%d): %d of 3 readings", d, m.Kind, m.Count, good)
}
