package virtual_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// charge brings a bench to a steady charge of 20 A through closed contactors.
func charge(tb testing.TB, b *virtual.Bench) {
	tb.Helper()
	connect(tb, b)
	ctx := tb.Context()
	set := b.Set()
	_, err := set.Supply.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere})
	require.NoError(tb, err)
	require.NoError(tb, set.Supply.Set(ctx, drivers.Setpoint{On: true, Current: 20 * drivers.Ampere, Voltage: 88 * drivers.Volt}))
	frames(b, drivers.Second)
}

// connect precharges and closes the main contactors.
func connect(tb testing.TB, b *virtual.Bench) {
	tb.Helper()
	ctx, box := tb.Context(), b.Set().Box
	require.NoError(tb, box.Switch(ctx, drivers.BoxNegative|drivers.BoxPrecharge))
	frames(b, drivers.Second)
	require.NoError(tb, box.Switch(ctx, drivers.BoxNegative|drivers.BoxPositive))
	frames(b, drivers.Second/5)
}

// frames lets time pass as a loop does, and returns the last frame.
func frames(b *virtual.Bench, d drivers.Span) *drivers.Frame {
	f := &drivers.Frame{}
	for end := b.Now().Add(d); b.Now() < end; {
		t := b.Next()
		if t > end {
			b.Advance(end)
			break
		}
		b.Advance(t)
		b.Frame(f)
	}
	return f
}

func TestFramesDoNotAllocate(t *testing.T) {
	b := open(t, config())
	charge(t, b)
	f := frames(b, drivers.Second)
	assert.Zero(t, testing.AllocsPerRun(200, func() {
		b.Advance(b.Next())
		b.Frame(f)
	}))
}

func BenchmarkFrame(bm *testing.B) {
	b, err := virtual.New(config())
	require.NoError(bm, err)
	charge(bm, b)
	f := frames(b, drivers.Second)
	bm.ReportAllocs()
	for bm.Loop() {
		b.Advance(b.Next())
		b.Frame(f)
	}
}

func BenchmarkRest(bm *testing.B) {
	b, err := virtual.New(config())
	require.NoError(bm, err)
	f := frames(b, drivers.Second)
	for bm.Loop() {
		b.Advance(b.Next())
		b.Frame(f)
	}
}
