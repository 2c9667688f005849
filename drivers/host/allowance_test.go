package host

import (
	"context"
	"testing"
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

// Every path's worst time is the sum of what the bench declares. The figures
// are added up here by hand.
func TestPaths(t *testing.T) {
	b := testBench()
	b.Monitor.Skew, b.Monitor.Window = 2*ms, 8*ms
	b.Supply.Delay, b.Supply.Slew = 50*ms, 100*drivers.Ampere // 50 A at 100 A/s: 500 ms
	b.Load.Delay = 20 * ms
	timing := Timing{Scheduling: 4 * ms, Call: 200 * ms, LostAfter: 3, Silence: 350 * ms, Persistence: 0}
	find := func(fault string) Path {
		for _, p := range Paths(&b, timing) {
			if p.Fault == fault {
				sum := drivers.Span(0)
				for _, l := range p.Legs {
					sum += l.Time
				}
				require.Equal(t, p.Worst, sum, fault)
				return p
			}
		}
		require.Fail(t, "no path", fault)
		return Path{}
	}
	const off = 200*ms + 550*ms // call, and the supply's delay and fall
	for fault, want := range map[string]drivers.Span{
		"breach of an absolute limit": 110*ms + 50*ms + 4*ms + off,
		"monitor silent":              350*ms + 100*ms + 50*ms + 4*ms + off,
		"daemon dead":                 4*ms + off,
		"daemon frozen":               drivers.Second + 4*ms + off,
		"supply cut off":              400*ms + drivers.Second + 4*ms + 100*ms + 30*ms,
		"load cut off":                400*ms + drivers.Second + 4*ms + 100*ms + 30*ms,
		"instrument obeys nothing":    4*ms + 100*ms + 30*ms,
	} {
		p := find(fault)
		require.True(t, p.Bounded, fault)
		require.Equal(t, want, p.Worst, fault)
	}
	require.False(t, find("host dead or frozen").Bounded, "no timeout, no heartbeat: nothing ends it")

	b.Supply.CommTimeout = 600 * ms // the load has none: still not bounded
	require.False(t, find("host dead or frozen").Bounded)
	require.Equal(t, 1150*ms, find("supply cut off").Worst)
	require.Equal(t, "its own communication timeout", find("supply cut off").Acts)
	b.Load.CommTimeout = 900 * ms
	require.Equal(t, 1450*ms, find("host dead or frozen").Worst) // the later timeout, the slower fall
	b.Box.Heartbeat = 500 * ms
	require.Equal(t, 530*ms, find("host dead or frozen").Worst)
	require.Equal(t, "contactor box without its heartbeat", find("host dead or frozen").Acts)

	timing.Plugin = true
	require.Equal(t, 4*ms+off, find("host dead").Worst)
	require.Equal(t, drivers.Second+4*ms+off, find("host frozen").Worst)
	require.Equal(t, 530*ms, find("plugin dead or frozen").Worst)
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
