package virtual_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// digest runs a bench through rest, precharge, charge, bleeding and a halt, and
// returns the digest of all its frames.
func digest(tb testing.TB, b *virtual.Bench) string {
	tb.Helper()
	h := sha256.New()
	var f drivers.Frame
	run := func(d drivers.Span) {
		for end := b.Now().Add(d); b.Now() < end; {
			b.Advance(min(b.Next(), end))
			if b.Frame(&f) {
				require.NoError(tb, binary.Write(h, binary.LittleEndian, f.At))
				require.NoError(tb, binary.Write(h, binary.LittleEndian, f.Counts))
			}
		}
	}
	ctx, set := tb.Context(), b.Set()
	run(3 * drivers.Second)
	b.Fast(true)
	require.NoError(tb, set.Box.Switch(ctx, drivers.BoxNegative|drivers.BoxPrecharge))
	run(drivers.Second)
	b.Fast(false)
	require.NoError(tb, set.Box.Switch(ctx, drivers.BoxNegative|drivers.BoxPositive))
	run(drivers.Second)
	_, err := set.Supply.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere})
	require.NoError(tb, err)
	require.NoError(tb, set.Supply.Set(ctx, drivers.Setpoint{On: true, Current: 40 * drivers.Ampere, Voltage: 86 * drivers.Volt}))
	run(5 * drivers.Minute)
	require.NoError(tb, set.Monitor.Bleed(ctx, []int32{0x5, 0x80}))
	run(20 * drivers.Second)
	require.NoError(tb, set.Supply.Halt(ctx))
	run(10 * drivers.Second)
	return hex.EncodeToString(h.Sum(nil))
}

// goldenDigest is that of the run above with seed 7. It must be the same on
// every processor; it changes with the physics and the sensors, on purpose
// only.
const goldenDigest = "34099032891d8ed5b56b11557e61c9780d4fe4eafa0745d20554aa19cc9691c1"

func TestSeedGivesTheSameFrames(t *testing.T) {
	first := digest(t, open(t, config()))
	assert.Equal(t, first, digest(t, open(t, config())))
	assert.Equal(t, goldenDigest, first)
	c := config()
	c.Seed++
	assert.NotEqual(t, first, digest(t, open(t, c)))
}

// A clone goes on exactly as its original does, and neither disturbs the other.
func TestClone(t *testing.T) {
	c := config()
	c.Faults = []virtual.Fault{parse("tap-reads-low drift=-5mV/h charging=20s"), parse("frames-late delay=1s charging=30s"), parse("frames-lost rate=10% charging=40s")}
	b := open(t, c)
	charge(t, b)
	frames(b, 25*drivers.Second)
	twin := b.Clone()
	kept := twin.Clone()
	after := digest(t, b)
	assert.Equal(t, after, digest(t, twin))
	assert.Equal(t, after, digest(t, kept))
	assert.NotEqual(t, after, digest(t, b), "the original has moved on")
}

// The config travels to the process that owns the bench as JSON.
func TestConfigTravels(t *testing.T) {
	c := config()
	c.Faults = []virtual.Fault{parse("tap-reads-low cell=7 after=2h")}
	text, err := json.Marshal(c)
	require.NoError(t, err)
	assert.Contains(t, string(text), `"tap-reads-low cell=7 offset=-80mV drift=0mV/h after=2h"`)
	var back virtual.Config
	require.NoError(t, json.Unmarshal(text, &back))
	assert.Equal(t, c, back)
	assert.Error(t, json.Unmarshal([]byte(`{"faults":["gremlin"]}`), &back))
}

// Frames that nobody fetches are lost, Next stays while one waits, and time
// never goes back.
func TestFrameSchedule(t *testing.T) {
	c := config()
	b := open(t, c)
	var f drivers.Frame
	assert.Equal(t, c.Start.Add(100*drivers.Millisecond), b.Next())
	assert.False(t, b.Frame(&f), "nothing is due yet")
	b.Advance(b.Next())
	assert.Equal(t, b.Now(), b.Next(), "a frame waits")
	require.True(t, b.Frame(&f))
	assert.Equal(t, b.Now(), f.At)
	assert.False(t, b.Frame(&f), "fetched already")
	assert.Equal(t, b.Now().Add(100*drivers.Millisecond), b.Next())
	beat := state(b, &f, drivers.MonitorBeat)
	b.Advance(b.Now().Add(drivers.Second))
	require.True(t, b.Frame(&f))
	assert.EqualValues(t, 10, state(b, &f, drivers.MonitorBeat)-beat, "nine were lost")
	now := b.Now()
	b.Advance(now - 1000)
	assert.Equal(t, now, b.Now())
}

// The truth log says when current begins and ends, to the millisecond, and
// reads back.
func TestTruthLog(t *testing.T) {
	var log bytes.Buffer
	c := config()
	c.Truth = &log
	c.Faults = []virtual.Fault{parse("meter-reads-off charging=5s for=1s")}
	b := open(t, c)
	charge(t, b)
	frames(b, 10*drivers.Second)
	_, zero := b.ZeroSince()
	assert.False(t, zero)
	told := b.Now()
	require.NoError(t, b.Set().Supply.Halt(t.Context()))
	frames(b, drivers.Second)
	since, zero := b.ZeroSince()
	assert.True(t, zero)
	// 100 ms of delay at most, 20 A at 100 A/s, 1 mF of link.
	assert.InDelta(t, 265, float64(since.Sub(told))/1000, 40, "ms from the command to no current")

	var words []string
	for line := range strings.Lines(log.String()) {
		l, err := virtual.ParseTruthLine(strings.TrimSuffix(line, "\n"))
		require.NoError(t, err)
		assert.Equal(t, strings.TrimSuffix(line, "\n"), l.String())
		words = append(words, l.Word)
		if l.Word == "zero" {
			assert.LessOrEqual(t, max(l.Current, -l.Current), drivers.Microamps(50_000))
		}
	}
	// Precharge, the main contactors' edge, and the charge.
	assert.Equal(t, []string{"flowing", "zero", "flowing", "zero", "flowing", "fault", "fault-over", "zero"}, words)
	lines := strings.Split(strings.TrimSpace(log.String()), "\n")
	last, err := virtual.ParseTruthLine(lines[len(lines)-1])
	require.NoError(t, err)
	assert.Equal(t, since, last.At)

	for _, bad := range []string{"", "x zero", "12", "12 maybe current=1 supply=1 load=1", "12 zero current=1"} {
		_, err := virtual.ParseTruthLine(bad)
		assert.Error(t, err, bad)
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestTruthLogErrorIsKept(t *testing.T) {
	c := config()
	c.Truth = full{}
	b := open(t, c)
	require.NoError(t, b.TruthErr())
	charge(t, b)
	assert.ErrorContains(t, b.TruthErr(), "disk full")
}

// The judge sees which true cell left which limit, when, and how far.
func TestExcursions(t *testing.T) {
	b := open(t, config())
	charge(t, b)
	frames(b, drivers.Minute)
	truth := b.Truth()
	b.Watch(virtual.TruthLimits{
		CellMax: truth.CellMax + 2_000, CellMin: truth.CellMin - 50_000,
		TempMax: truth.TempMax + 50_000, Charge: 30 * drivers.Ampere, Discharge: drivers.Ampere,
	})
	assert.Empty(t, b.Excursions())
	began := b.Now()
	supply := b.Set().Supply
	require.NoError(t, supply.Set(t.Context(), drivers.Setpoint{On: true, Current: 40 * drivers.Ampere, Voltage: 95 * drivers.Volt}))
	frames(b, 10*drivers.Second)
	list := b.Excursions()
	require.Len(t, list, 2)
	high, charge := list[0], list[1]
	assert.Equal(t, "cell_high", high.What)
	assert.Equal(t, b.Truth().MaxCell, high.Cell)
	assert.InDelta(t, float64(b.Truth().CellMax), float64(high.Worst), 100)
	assert.Equal(t, "charge_high", charge.What)
	assert.InDelta(t, 40e6, float64(charge.Worst), 60_000)
	// 10 of the 20 A after a delay of 30 to 100 ms at 100 A/s.
	assert.InDelta(t, 165, float64(charge.First.Sub(began))/1000, 40)
	assert.Contains(t, charge.String(), "charge_high cell=0 worst=")
}

// Many goroutines command and read while the clock moves; the bench keeps its
// output until somebody halts it.
func TestRealtimeFromManyGoroutines(t *testing.T) {
	c := config()
	b := open(t, c)
	charge(t, b)
	var clock atomic.Int64
	clock.Store(int64(b.Now()))
	r := virtual.NewRealtime(b, func() drivers.Instant { return drivers.Instant(clock.Load()) })
	var group sync.WaitGroup
	set := r.Set()
	for range 4 {
		group.Go(func() {
			var f drivers.Frame
			for range 200 {
				clock.Add(int64(20 * drivers.Millisecond))
				r.Frame(&f)
				if _, err := set.Supply.Read(t.Context()); err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
	r.Do(func(b *virtual.Bench) { assert.InDelta(t, 20e6, float64(b.Truth().Current), 50_000) })
	for range 4 {
		group.Go(func() { assert.NoError(t, set.Supply.Halt(t.Context())) })
	}
	group.Wait()
	clock.Add(int64(drivers.Second))
	r.Do(func(b *virtual.Bench) { assert.InDelta(t, 0, float64(b.Truth().Current), 20_000) })
	var f drivers.Frame
	assert.True(t, r.Frame(&f))
	assert.Greater(t, r.Next(), drivers.Instant(clock.Load()))
}

// A process that stood still finds, when it goes on, that the instruments had
// taken care of themselves at the proper instant meanwhile (INV-06).
func TestRealtimeCatchesUp(t *testing.T) {
	var log bytes.Buffer
	c := config()
	c.Truth = &log
	b := open(t, c)
	charge(t, b)
	_, err := b.Set().Supply.Arm(t.Context(), drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere, CommTimeout: 2 * drivers.Second})
	require.NoError(t, err)
	stopped := b.Now()
	clock := stopped.Add(drivers.Minute)
	r := virtual.NewRealtime(b, func() drivers.Instant { return clock })
	_, err = r.Set().Supply.Read(t.Context())
	require.NoError(t, err)
	since, zero := b.ZeroSince()
	assert.True(t, zero)
	// The box misses its heartbeat after a second and is quicker than the supply.
	assert.InDelta(t, 1020, float64(since.Sub(stopped))/1000, 15)
	assert.Zero(t, b.Plant().Contacts())
}

// A hung driver keeps its caller waiting until the deadline, and nobody else.
func TestRealtimeHungDriverWaits(t *testing.T) {
	c := config()
	c.Faults = []virtual.Fault{parse("driver-hangs device=supply after=0s")}
	b := open(t, c)
	now := c.Start + 1
	r := virtual.NewRealtime(b, func() drivers.Instant { return now })
	set := r.Set()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- set.Supply.Halt(ctx) }()
	for range 100 {
		_, err := set.Load.Read(t.Context())
		require.NoError(t, err)
	}
	select {
	case err := <-done:
		t.Fatalf("came back before its context was done: %v", err)
	default:
	}
	cancel()
	select {
	case err := <-done:
		assert.ErrorIs(t, err, drivers.ErrNoAnswer)
	case <-time.After(10 * time.Second):
		t.Fatal("did not come back after its context was done")
	}
}

// Whoever fetches a frame late gets it with the instant at which it was measured.
func TestARealtimeFrameSaysWhenItWasMeasured(t *testing.T) {
	c := config()
	b := open(t, c)
	now := b.Next()
	r := virtual.NewRealtime(b, func() drivers.Instant { return now })
	made := now
	now = now.Add(37 * drivers.Millisecond)
	var f drivers.Frame
	require.True(t, r.Frame(&f))
	assert.Equal(t, made, f.At)
}
