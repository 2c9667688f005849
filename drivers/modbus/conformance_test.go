package modbus

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
)

func fixture(t *testing.T, serve func(*bench) string) *drivertest.Fixture {
	b := newBench(t)
	set := b.rt.Set()
	set.Box = openBox(t, b, serve(b))
	set.Supply, set.Load, set.Monitor = nil, nil, nil
	return &drivertest.Fixture{
		Set: set, Bench: b.spec, Concurrent: true, Advance: b.advance,
		Hang: func(r drivertest.Role) { b.hung.Store(true) },
	}
}

// The contract of drivers, with the contactor box behind Modbus TCP.
func TestConformanceTCP(t *testing.T) {
	drivertest.Run(t, func(t *testing.T) *drivertest.Fixture {
		f := fixture(t, func(b *bench) string { return serveTCP(t, b) })
		f.Set.Meter = nil // it would not hang
		return f
	})
}

// The same over a serial line.
func TestConformanceRTU(t *testing.T) {
	drivertest.Run(t, func(t *testing.T) *drivertest.Fixture {
		f := fixture(t, func(b *bench) string { return serveRTU(t, b) + "?baud=115200" })
		f.Set.Meter = nil
		return f
	})
}

// A whole bench's checks of supply and load, whose path for current is made by
// the box behind Modbus.
func TestConformanceBench(t *testing.T) {
	for _, c := range drivertest.Checks() {
		switch c.Name {
		case "supply/silence", "supply/set-absolute", "load/halt-current", "load/voltage", "supply/own-limit":
			t.Run(c.Name, func(t *testing.T) {
				b := newBench(t)
				set := b.rt.Set()
				set.Box = openBox(t, b, serveTCP(t, b))
				require.NoError(t, c.Do(&drivertest.Fixture{Set: set, Bench: b.spec, Concurrent: true, Advance: b.advance}))
			})
		}
	}
}

func TestIdentity(t *testing.T) {
	b := newBench(t)
	address := serveTCP(t, b)
	x := openBox(t, b, address)
	who, err := x.Identify(t.Context())
	require.NoError(t, err)
	assert.Equal(t, drivers.Identity{Maker: "harbour works", Model: "box-3", Serial: "KB-0007", Firmware: "1.4"}, who)

	// The wrong box on the right address is refused, and never written to.
	other, err := NewBox(Options{Address: address, Map: shippedMap(t, "common-box"), Now: b.now, Expect: drivers.Identity{Serial: "KB-0008"}}, b.spec.Box)
	require.NoError(t, err)
	defer other.Close()
	b.mu.Lock()
	b.refuse = func(write bool, at uint16, n int) error {
		if write {
			t.Errorf("register %d is written", at)
		}
		return nil
	}
	b.mu.Unlock()
	_, err = other.Identify(t.Context())
	require.ErrorIs(t, err, drivers.ErrIdentity)
	require.ErrorContains(t, err, `its serial is "KB-0007", the bench file says "KB-0008"`)
	_, err = other.Read(t.Context())
	require.ErrorIs(t, err, drivers.ErrIdentity)
	require.ErrorIs(t, other.Switch(t.Context(), drivers.BoxNegative), drivers.ErrIdentity)
	require.ErrorIs(t, other.Halt(t.Context()), drivers.ErrIdentity)
}
