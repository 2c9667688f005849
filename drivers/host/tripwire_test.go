package host

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
)

// testBench is a small bench: 3 cells, 2 sensors, box with a current sensor.
func testBench() drivers.Bench {
	return drivers.Bench{
		Name: "slip-1",
		Monitor: drivers.MonitorSpec{Wire: drivers.Wire{Driver: "fake"}, Cells: 3, Temps: 2, Period: 100 * ms, CellStep: 150, TempStep: 100,
			CurrentStep: 10_000, CurrentRange: 200 * drivers.Ampere},
		Supply: drivers.PowerSpec{Wire: drivers.Wire{Driver: "fake"}, VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere, VoltageStep: 1000, CurrentStep: 1000},
		Load:   drivers.PowerSpec{Wire: drivers.Wire{Driver: "fake"}, VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere, VoltageStep: 1000, CurrentStep: 1000},
		Box: drivers.BoxSpec{Wire: drivers.Wire{Driver: "fake"}, LinkStep: 1000, LinkPeriod: 5 * ms, OpeningCurrent: 2 * drivers.Ampere,
			BreakingCurrent: 100 * drivers.Ampere, OpeningTime: 100 * ms, SwitchTime: 30 * ms, CurrentStep: 10_000},
		Meter: drivers.MeterSpec{Wire: drivers.Wire{Driver: "fake"}, VoltageStep: 1000},
		Lease: drivers.Second,
	}
}

// testLimits allow cells from 2.0 V to 3.8 V, 60 degC, 45 A.
func testLimits() TripwireLimits {
	return TripwireLimits{CellMax: 3_800_000, CellMin: 2_000_000, TempMax: drivers.ZeroC + 60*drivers.Kelvin,
		CurrentMax: 45 * drivers.Ampere, Silence: 350 * ms}
}

func testLayout(t require.TestingT) *drivers.Layout {
	b := testBench()
	l, err := b.Layout()
	require.NoError(t, err)
	return l
}

// healthy is a frame well inside all limits; beat is its monitor's counter.
func healthy(l *drivers.Layout, when drivers.Instant, beat int32) *drivers.Frame {
	f := &drivers.Frame{At: when, Counts: make([]int32, len(l.Channels))}
	for i, c := range l.Channels {
		switch c.Kind {
		case drivers.CellVoltage:
			f.Counts[i] = c.Scale.Nearest(3_300_000)
		case drivers.Temperature:
			f.Counts[i] = c.Scale.Nearest(int64(drivers.ZeroC + 25*drivers.Kelvin))
		case drivers.ModuleCurrent, drivers.BoxCurrent:
			f.Counts[i] = c.Scale.Nearest(int64(20 * drivers.Ampere))
		case drivers.MonitorBeat:
			f.Counts[i] = beat
		}
	}
	return f
}

func newTripwire(t require.TestingT, l *drivers.Layout, limits TripwireLimits) *Tripwire {
	w, err := NewTripwire(l, limits, 0)
	require.NoError(t, err)
	return w
}

// Each limit trips at the first count beyond it and not at the last one inside,
// also where it falls between two counts: the safe side is inside.
func TestTripwireLimits(t *testing.T) {
	l := testLayout(t)
	limits := testLimits()
	limits.CellMax = 3_800_100 // 25334 counts of 150 uV are 3 800 100; one more is beyond
	for _, c := range []struct {
		kind         drivers.Kind
		last, first  int32 // counts
		value, limit int64
	}{
		{drivers.CellVoltage, 25334, 25335, 3_800_250, 3_800_100},
		{drivers.CellVoltage, 13334, 13333, 1_999_950, 2_000_000}, // 13333.3 counts: 13334 is the least inside
		{drivers.Temperature, 3331, 3332, 333_200, 333_150},       // 333.15 K: 3331.5 counts
		{drivers.ModuleCurrent, 4500, 4501, 45_010_000, 45_000_000},
		{drivers.ModuleCurrent, -4500, -4501, -45_010_000, -45_000_000},
		{drivers.BoxCurrent, 4500, 4501, 45_010_000, 45_000_000},
		{drivers.BoxCurrent, -4500, -4501, -45_010_000, -45_000_000},
	} {
		for i, ch := range l.Channels {
			if ch.Kind != c.kind {
				continue
			}
			w := newTripwire(t, l, limits)
			f := healthy(l, at(100*ms), 1)
			f.Counts[i] = c.last
			_, hit := w.Check(f)
			require.False(t, hit, "%s at %d counts", ch.Name(), c.last)
			f = healthy(l, at(200*ms), 2)
			f.Counts[i] = c.first
			b, hit := w.Check(f)
			require.True(t, hit, "%s at %d counts", ch.Name(), c.first)
			require.Equal(t, Breach{Channel: i, Value: c.value, Limit: c.limit}, b)
		}
	}
}

func TestTripwirePersistence(t *testing.T) {
	l := testLayout(t)
	limits := testLimits()
	limits.Persistence = 200 * ms
	w := newTripwire(t, l, limits)
	high := func(when drivers.Span, beat int32) *drivers.Frame {
		f := healthy(l, at(when), beat)
		f.Counts[1] = 26000
		return f
	}
	check := func(f *drivers.Frame, want bool) {
		t.Helper()
		_, hit := w.Check(f)
		require.Equal(t, want, hit)
	}
	check(high(100*ms, 1), false)
	check(high(200*ms, 2), false)
	check(healthy(l, at(300*ms), 3), false) // relief: it begins anew
	check(high(400*ms, 4), false)
	gap := high(500*ms, 5)
	gap.Counts[1] = drivers.NoReading // no reading is no relief (INV-02)
	check(gap, false)
	check(high(600*ms-1, 6), false)
	check(high(600*ms, 7), true)
}

// A cell that went beyond its limit and then vanished trips when the
// persistence is over, in a frame without it and without a frame at all.
func TestTripwirePersistenceWithoutReadings(t *testing.T) {
	l := testLayout(t)
	limits := testLimits()
	limits.Persistence = 200 * ms
	for _, frames := range []bool{true, false} {
		w := newTripwire(t, l, limits)
		f := healthy(l, at(100*ms), 1)
		f.Counts[2] = 1000
		_, hit := w.Check(f)
		require.False(t, hit)
		f = healthy(l, at(300*ms), 2)
		f.Counts[2] = drivers.NoReading
		var b Breach
		if frames {
			b, hit = w.Check(f)
		} else {
			b, hit = w.Missing(at(300 * ms))
		}
		require.True(t, hit, "frames: %v", frames)
		require.Equal(t, Breach{Channel: 2, Value: int64(200 * ms), Limit: int64(350 * ms), Unknown: true}, b)
	}
}

// INV-02: missing, stale and repeated data is unsafe, never absent.
func TestTripwireSilence(t *testing.T) {
	l := testLayout(t)
	for i, c := range l.Channels {
		watched := c.Kind == drivers.CellVoltage || c.Kind == drivers.Temperature || c.Kind == drivers.ModuleCurrent || c.Kind == drivers.BoxCurrent
		w := newTripwire(t, l, testLimits())
		hitAt := drivers.Span(0)
		for n := drivers.Span(1); n <= 10 && hitAt == 0; n++ {
			f := healthy(l, at(100*ms*n), int32(n))
			if n > 2 {
				f.Counts[i] = drivers.NoReading
			}
			if b, hit := w.Check(f); hit {
				require.Equal(t, Breach{Channel: i, Value: int64(400 * ms), Limit: int64(350 * ms), Unknown: true}, b)
				hitAt = 100 * ms * n
			}
		}
		if watched || c.Kind == drivers.MonitorBeat { // last reading at 200 ms, 350 ms allowed
			require.Equal(t, 600*ms, hitAt, c.Name())
		} else {
			require.Zero(t, hitAt, c.Name())
		}
	}

	t.Run("repeated", func(t *testing.T) {
		w := newTripwire(t, l, testLimits())
		for n := drivers.Span(1); n <= 5; n++ {
			b, hit := w.Check(healthy(l, at(100*ms*n), 77))
			require.Equal(t, n == 5, hit, "frame %d", n)
			if hit {
				require.Equal(t, l.Find(drivers.MonitorBeat), b.Channel)
			}
		}
	})
	t.Run("no frame", func(t *testing.T) {
		w := newTripwire(t, l, testLimits())
		_, hit := w.Check(healthy(l, at(100*ms), 1))
		require.False(t, hit)
		_, hit = w.Missing(at(450 * ms))
		require.False(t, hit)
		b, hit := w.Missing(at(450*ms + 1))
		require.True(t, hit)
		require.Equal(t, Breach{Channel: -1, Value: int64(350*ms + 1), Limit: int64(350 * ms), Unknown: true}, b)
	})
	t.Run("never a frame", func(t *testing.T) {
		w := newTripwire(t, l, testLimits())
		_, hit := w.Missing(at(350*ms + 1))
		require.True(t, hit)
	})
}

func TestTripwireRefusesLimitsThatCannotBeMeant(t *testing.T) {
	l := testLayout(t)
	_, err := NewTripwire(l, TripwireLimits{Persistence: -1}, 0)
	for _, part := range []string{"cells from 0 uV to 0 uV", "0 mK", "0 uA", "persistence -1 us", "silence 0 us"} {
		require.ErrorContains(t, err, part)
	}
	bare := &drivers.Layout{Channels: []drivers.Channel{{Kind: drivers.CellVoltage, Scale: drivers.Scale{Num: 1, Den: 1}}}}
	require.NoError(t, bare.Index())
	_, err = NewTripwire(bare, testLimits(), 0)
	require.ErrorContains(t, err, "no monitor counter")
}

// The tripwire against a dumb one that keeps all frames, compares in base
// units and looks back through the history of each channel.
func TestTripwireModel(t *testing.T) {
	l := testLayout(t)
	rapid.Check(t, func(t *rapid.T) {
		limits := testLimits()
		limits.Persistence = drivers.Span(rapid.IntRange(0, 3).Draw(t, "persistence")) * 100 * ms
		limits.Silence = drivers.Span(rapid.IntRange(1, 5).Draw(t, "silence")) * 100 * ms
		w := newTripwire(t, l, limits)
		var past []*drivers.Frame
		var now drivers.Instant
		beat := int32(0)
		for range rapid.IntRange(1, 25).Draw(t, "frames") {
			now = now.Add(drivers.Span(rapid.IntRange(1, 250).Draw(t, "wait")) * ms)
			beat += int32(rapid.IntRange(0, 1).Draw(t, "beat"))
			f := healthy(l, now, beat)
			for i, c := range l.Channels {
				lowest, highest, watched := edges(c.Kind, limits)
				if !watched {
					continue
				}
				switch rapid.IntRange(0, 9).Draw(t, "what") {
				case 0, 1:
					f.Counts[i] = drivers.NoReading
				case 2:
					f.Counts[i] = c.Scale.Nearest(highest) + int32(rapid.IntRange(-1, 2).Draw(t, "over"))
				case 3:
					f.Counts[i] = c.Scale.Nearest(lowest) - int32(rapid.IntRange(-1, 2).Draw(t, "under"))
				}
			}
			past = append(past, f)
			b, hit := w.Check(f)
			want := dumbTripwire(l, limits, past)
			if hit != (len(want) > 0) {
				t.Fatalf("frame %d: tripwire %v %+v, dumb one %v", len(past), hit, b, want)
			}
			if hit {
				if !want[b.Channel] {
					t.Fatalf("frame %d: tripwire names channel %d, dumb one %v", len(past), b.Channel, want)
				}
				return
			}
		}
	})
}

// edges are a kind's limits in base units.
func edges(k drivers.Kind, limits TripwireLimits) (low, high int64, watched bool) {
	switch k {
	case drivers.CellVoltage:
		return int64(limits.CellMin), int64(limits.CellMax), true
	case drivers.Temperature:
		return -1 << 40, int64(limits.TempMax), true
	case drivers.ModuleCurrent, drivers.BoxCurrent:
		return -int64(limits.CurrentMax), int64(limits.CurrentMax), true
	}
	return 0, 0, false
}

// dumbTripwire returns the channels in breach in the last of the frames.
func dumbTripwire(l *drivers.Layout, limits TripwireLimits, past []*drivers.Frame) map[int]bool {
	now := past[len(past)-1].At
	bad := map[int]bool{}
	for i, c := range l.Channels {
		low, high, watched := edges(c.Kind, limits)
		if !watched {
			continue
		}
		var seen drivers.Instant
		var since *drivers.Instant
		for _, f := range past {
			n := f.Counts[i]
			if n == drivers.NoReading {
				continue
			}
			seen = f.At
			if v := c.Scale.Value(n); v >= low && v <= high {
				since = nil
			} else if since == nil {
				since = &f.At
			}
		}
		if past[len(past)-1].Counts[i] == drivers.NoReading && now.Sub(seen) > limits.Silence {
			bad[i] = true
		}
		if since != nil && now.Sub(*since) >= limits.Persistence {
			bad[i] = true
		}
	}
	beat := l.Find(drivers.MonitorBeat)
	moved, last := drivers.Instant(0), drivers.NoReading
	for _, f := range past {
		if f.Counts[beat] != last {
			moved, last = f.At, f.Counts[beat]
		}
	}
	if now.Sub(moved) > limits.Silence {
		bad[beat] = true
	}
	return bad
}

func TestTripwireAllocatesNothing(t *testing.T) {
	l := testLayout(t)
	w := newTripwire(t, l, testLimits())
	f := healthy(l, 0, 0)
	require.Zero(t, testing.AllocsPerRun(100, func() {
		f.At = f.At.Add(100 * ms)
		f.Counts[l.Find(drivers.MonitorBeat)]++
		if _, hit := w.Check(f); hit {
			t.Fatal("tripped")
		}
	}))
}

func BenchmarkTripwire(b *testing.B) {
	for _, cells := range []int{24, 512} {
		b.Run(fmt.Sprint(cells), func(b *testing.B) {
			bench := testBench()
			bench.Monitor.Cells = cells
			l, err := bench.Layout()
			require.NoError(b, err)
			w := newTripwire(b, l, testLimits())
			f := healthy(l, 0, 0)
			b.ReportAllocs()
			for b.Loop() {
				f.At++
				f.Counts[l.Find(drivers.MonitorBeat)]++
				w.Check(f)
			}
		})
	}
}
