package host

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// Hand-computed: a cell at 40 A into 40 Ah near the top of its curve rises by
// 5 mV/s at worst, and has 50 mV: 10 s. The temperature rises by 60 mK/s and
// has 5 K: 83.333333 s. The lower voltage limit: 100 mV at 40 mV/s: 2.5 s.
func TestAllowed(t *testing.T) {
	cell := Margin{Name: "cell over-voltage", Absolute: 3_650_000, Operating: 3_600_000, Rate: 5_000}
	temp := Margin{Name: "temperature", Absolute: 333_150, Operating: 328_150, Rate: 60}
	low := Margin{Name: "cell under-voltage", Absolute: 2_000_000, Operating: 2_100_000, Rate: 40_000}
	still := Margin{Name: "still", Absolute: 1, Operating: 0}
	for _, c := range []struct {
		margins []Margin
		want    drivers.Span
		by      string
	}{
		{[]Margin{cell, temp}, 10 * drivers.Second, cell.Name},
		{[]Margin{temp, still}, 83_333_333, temp.Name},
		{[]Margin{cell, temp, low, still}, 2_500 * ms, low.Name},
		{[]Margin{{Name: "at its limit", Absolute: 5, Operating: 5, Rate: 1}, cell}, 0, "at its limit"},
	} {
		got, by, err := Allowed(c.margins...)
		require.NoError(t, err)
		require.Equal(t, c.want, got)
		require.Equal(t, c.by, by)
	}
	_, _, err := Allowed(still)
	require.ErrorContains(t, err, "no quantity moves")
	_, _, err = Allowed(Margin{Name: "backwards", Absolute: 2, Operating: 1, Rate: -1})
	require.ErrorContains(t, err, "backwards: rate -1")
	_, _, err = Allowed(Margin{Name: "absurd", Absolute: 1 << 62, Operating: 0, Rate: 1})
	require.ErrorContains(t, err, "too far to be meant")
}

func TestCheckLease(t *testing.T) {
	require.NoError(t, CheckLease(303*ms, 100*ms, 3*ms))
	err := CheckLease(303*ms-1, 100*ms, 3*ms)
	require.ErrorIs(t, err, ErrLeaseShort)
	require.EqualError(t, CheckLease(250*ms, 100*ms, 2_345), "lease is too short: 250 ms, but three frames of 100 ms and the scheduling delay of 2.345 ms need 303 ms")
	require.ErrorIs(t, CheckLease(0, 0, 0), ErrLeaseShort)
}

// pathBench is the test bench with figures that can be added up by hand.
func pathBench(driver string) drivers.Bench {
	b := testBench()
	for _, w := range []*drivers.Wire{&b.Monitor.Wire, &b.Supply.Wire, &b.Load.Wire, &b.Box.Wire, &b.Meter.Wire} {
		w.Driver = driver
	}
	b.Monitor.Skew, b.Monitor.Window = 2*ms, 8*ms
	b.Supply.Delay, b.Supply.Slew = 50*ms, 100*drivers.Ampere // 50 A at 100 A/s: 500 ms
	b.Load.Delay = 20 * ms
	return b
}

// pathOf finds a fault's path, whose legs must add up.
func pathOf(t *testing.T, b *drivers.Bench, fault string) Path {
	t.Helper()
	timing := Timing{Scheduling: 4 * ms, Call: 200 * ms, LostAfter: 3, Silence: 350 * ms}
	var found []Path
	for _, p := range Paths(b, timing) {
		sum := drivers.Span(0)
		for _, l := range p.Legs {
			sum += l.Time
		}
		require.Equal(t, p.Worst, sum, p.Fault)
		if p.Fault == fault {
			found = append(found, p)
		}
	}
	require.Len(t, found, 1, fault)
	return found[0]
}

// Every path's worst time is the sum of what the bench declares. The figures
// are added up here by hand.
func TestPaths(t *testing.T) {
	b := pathBench("virtual")
	const off = 200*ms + 550*ms           // call, and the supply's delay and fall
	const opens = 100*ms + 200*ms + 30*ms // opening time, call, contactors
	const lost = 400*ms + 50*ms + drivers.Second + 4*ms
	for fault, want := range map[string]drivers.Span{
		"breach of an absolute limit": 110*ms + 50*ms + 4*ms + off,
		"monitor silent":              350*ms + 100*ms + 50*ms + 4*ms + off,
		"daemon dead":                 4*ms + off,
		"daemon frozen":               drivers.Second + 4*ms + off,
		"supply cut off":              lost + opens,
		"load cut off":                lost + opens,
		"box cut off":                 lost + off,
		"meter cut off":               lost + off,
		"instrument obeys nothing":    4*ms + opens,
	} {
		p := pathOf(t, &b, fault)
		require.True(t, p.Bounded, fault)
		require.Equal(t, want, p.Worst, fault)
	}
	require.False(t, pathOf(t, &b, "host dead or frozen").Bounded, "no timeout, no heartbeat: nothing ends it")

	b.Supply.CommTimeout = 600 * ms // the load has none: still not bounded
	require.False(t, pathOf(t, &b, "host dead or frozen").Bounded)
	// A timeout's margin is a tenth and a period, to which it is proven.
	require.Equal(t, 600*ms+160*ms+550*ms, pathOf(t, &b, "supply cut off").Worst)
	require.Equal(t, "its own communication timeout", pathOf(t, &b, "supply cut off").Acts)
	b.Load.CommTimeout = 900 * ms
	require.Equal(t, 600*ms+160*ms+550*ms, pathOf(t, &b, "host dead or frozen").Worst, "the later of both")
	b.Load.CommTimeout = 1500 * ms
	require.Equal(t, 1500*ms+250*ms+20*ms, pathOf(t, &b, "host dead or frozen").Worst)
	b.Box.Heartbeat = 500 * ms
	require.Equal(t, 500*ms+150*ms+30*ms, pathOf(t, &b, "host dead or frozen").Worst)
	require.Equal(t, "contactor box without its heartbeat", pathOf(t, &b, "host dead or frozen").Acts)
	require.Equal(t, 680*ms, pathOf(t, &b, "box cut off").Worst)
}

// Over wires a halt may cost the connection that it interrupts, and the monitor
// measures on its own grid.
func TestPathsOverWires(t *testing.T) {
	b := pathBench("scpi")
	const again = 10*ms + 200*ms
	require.Equal(t, 4*ms+200*ms+again+550*ms, pathOf(t, &b, "daemon dead").Worst)
	require.Equal(t, 110*ms+100*ms+50*ms+4*ms+200*ms+again+550*ms, pathOf(t, &b, "breach of an absolute limit").Worst)
	// A monitor that makes the frames may be waited for a quarter of a period.
	require.Equal(t, 425*ms+50*ms+drivers.Second+4*ms+100*ms+200*ms+again+30*ms, pathOf(t, &b, "load cut off").Worst)
	// Its last sweep may come while a frame is made, and is then new in the next.
	require.Equal(t, 100*ms+350*ms+125*ms+50*ms+4*ms+200*ms+again+550*ms, pathOf(t, &b, "monitor silent").Worst)
}

// What a plugin holds, the plugin switches off when its host is gone; what the
// host holds itself still has only its own timeout, or the box.
func TestPathsOfPlugins(t *testing.T) {
	b := pathBench("scpi")
	b.Load.Driver = "plugin"
	const again = 10*ms + 200*ms
	const fall = 200*ms + again + 4*ms + 20*ms // and the plugin's scheduling
	require.Equal(t, 4*ms+fall, pathOf(t, &b, "host dead, before a plugin").Worst)
	require.Equal(t, drivers.Second+4*ms+fall, pathOf(t, &b, "host frozen, before a plugin").Worst)
	require.Equal(t, drivers.Second+4*ms+fall, pathOf(t, &b, "load's plugin cut off").Worst)
	require.Equal(t, "lease in the host, then the contactor box", pathOf(t, &b, "load's plugin dead, or itself cut off").Acts)
	// What a frozen plugin sent last is an answer for two periods more.
	require.Equal(t, 200*ms+425*ms+50*ms+drivers.Second+4*ms+100*ms+200*ms+again+30*ms, pathOf(t, &b, "load's plugin dead, or itself cut off").Worst)
	require.False(t, pathOf(t, &b, "host dead or frozen").Bounded, "the supply is the host's own")
	b.Supply.CommTimeout = drivers.Second
	require.Equal(t, drivers.Second+200*ms+550*ms, pathOf(t, &b, "host dead or frozen").Worst, "the load needs none of its own for that")
	b.Supply.CommTimeout = 0
	b.Box.Driver = "plugin"
	p := pathOf(t, &b, "host dead or frozen")
	require.Equal(t, "lease in the box's plugin", p.Acts)
	require.Equal(t, drivers.Second+4*ms+100*ms+200*ms+again+4*ms+30*ms, p.Worst)

	b.Monitor.Driver = "plugin" // its frame, its reading, two delays and two looks
	require.Equal(t, 110*ms+150*ms+4*ms+100*ms+50*ms+4*ms+200*ms+again+550*ms, pathOf(t, &b, "breach of an absolute limit").Worst)
}

func TestLeaseTerms(t *testing.T) {
	b := testBench()
	terms, err := LeaseTerms(&b, 1234)
	require.NoError(t, err)
	require.Equal(t, "lease 1s: at least 301.234ms (three frames of 100ms and 1.234ms of scheduling)", terms.String())
	require.True(t, terms.Fits())
	// 50 mV at 20 mV/s.
	terms, err = LeaseTerms(&b, 1234, Margin{Name: "cell voltage", Absolute: 3_650_000, Operating: 3_600_000, Rate: 20_000})
	require.NoError(t, err)
	require.Equal(t, 2500*ms, terms.Allowed)
	require.Equal(t, "lease 1s: at least 301.234ms (three frames of 100ms and 1.234ms of scheduling), at most 2.5s (cell voltage)", terms.String())
	require.True(t, terms.Fits())
	b.Lease = 3 * drivers.Second
	terms, err = LeaseTerms(&b, 1234, Margin{Name: "cell voltage", Absolute: 3_650_000, Operating: 3_600_000, Rate: 20_000})
	require.NoError(t, err)
	require.False(t, terms.Fits())
	_, err = LeaseTerms(&b, 0, Margin{Name: "absurd", Absolute: 1 << 62, Rate: 1})
	require.Error(t, err)
}

// A client tells both with what its host measured.
func TestClientPaths(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.config.CallTimeout = 150 * ms
		r.open()
		b := r.bench
		require.Equal(t, Paths(&b, Timing{Scheduling: ms, Call: 150 * ms, LostAfter: 3, Silence: 350 * ms}), r.client.Paths(testLimits()))
		terms, err := r.client.Terms()
		require.NoError(t, err)
		require.Equal(t, 301*ms, terms.Least)
	})
}

// 1000 delays of 1 us to 1000 us: at most one in a thousand, the longest, may
// exceed the 99.9 %.
func TestP999(t *testing.T) {
	var late []time.Duration
	for i := 1000; i > 0; i-- {
		late = append(late, time.Duration(i)*time.Microsecond)
	}
	require.Equal(t, drivers.Span(999), p999(late))
	require.Equal(t, drivers.Span(0), p999(nil))
	require.Equal(t, drivers.Span(0), p999([]time.Duration{-time.Second}))
	require.Equal(t, drivers.Span(2), p999([]time.Duration{1001}), "rounded up")
}

func TestSchedulingIsMeasured(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	require.Positive(t, Scheduling(ctx, 20, 100*drivers.Microsecond), "no machine wakes without delay")
	cancel()
	require.LessOrEqual(t, Scheduling(ctx, 1000, drivers.Hour), drivers.Hour, "a context that is over ends it")
}
