package rehearse

import (
	"bytes"
	"context"
	"fmt"
	"runtime"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// Twenty benches in health, of all sorts: nothing trips. Where frames are few they
// are followed through whole runs, where there are many for an hour or two;
// .ci/long lives through a thousand whole days.
func TestQuietDays(t *testing.T) {
	alone(t)
	const first = 1
	n := 20
	var s DaysSummary
	steps, edges := map[drivers.Microvolts]int{}, map[virtual.Edge]int{}
	still := 0
	for seed := uint64(first); seed < first+uint64(n); seed++ {
		d, err := DrawDay(seed)
		require.NoError(t, err)
		m := &d.config.Bench.Monitor
		steps[m.CellStep]++
		edges[d.config.Sensing.Edge]++
		if m.CellStep == 1000 && d.config.Sensing.Steps == 0 {
			still++
		}
	}
	err := days(t.Context(), first, n, runtime.GOMAXPROCS(0), func(d *Day) drivers.Span {
		p := d.config.Bench.Monitor.Period
		if p >= 500*drivers.Millisecond {
			return 18 * drivers.Hour
		}
		return drivers.Hour * p / (80 * drivers.Millisecond)
	}, s.Add)
	require.NoError(t, err)
	var text bytes.Buffer
	s.Write(&text)
	t.Logf("%s", &text)
	assert.Equal(t, n, s.Days)
	assert.True(t, s.Held(), "seeds %d to %d", s.First, s.Last)
	assert.Positive(t, s.Runs, "runs that ended")
	assert.Greater(t, s.Frames, int64(n)*40_000)
	if !testing.Short() {
		assert.Positive(t, still, "1 mV steps without noise")
		assert.GreaterOrEqual(t, len(steps), 3)
		assert.Len(t, edges, 4)
	}
}

// A seed is a day, whoever lives it and from where the count began.
func TestDaysAreTheirSeeds(t *testing.T) {
	lives := func(first uint64, n, workers int) (list []*DayResult) {
		err := Days(t.Context(), first, n, workers, drivers.Hour, func(r *DayResult) { list = append(list, r) })
		require.NoError(t, err)
		return list
	}
	n := 4
	if testing.Short() {
		n = 2
	}
	whole := lives(31, n, 2)
	require.Len(t, whole, n)
	assert.Equal(t, whole, append(lives(31, 1, 1), lives(32, n-1, 3)...))
	for _, r := range whole {
		assert.GreaterOrEqual(t, r.Span, drivers.Hour)
		assert.Positive(t, r.Frames)
	}

	ctx, cancel := context.WithCancel(t.Context())
	seen := 0
	require.NoError(t, Days(ctx, 31, 1000, 2, drivers.Minute, func(*DayResult) {
		if seen++; seen == 3 {
			cancel()
		}
	}))
	assert.GreaterOrEqual(t, seen, 3)
	assert.Less(t, seen, 1000)
}

// A day that finds nothing whatever happens would prove nothing: with one sensor
// past its declaration it is loud.
func TestDaysHear(t *testing.T) {
	for _, fault := range []string{
		"tap-reads-low cell=3 offset=300mV drift=0mV/h after=30s",
		"meter-reads-off offset=2V drift=0mV/h after=30s",
		"current-offset device=box current=5A after=30s",
		"temp-reads-low sensor=1 temp=-15K after=3min",
	} {
		d, err := DrawDay(9)
		require.NoError(t, err)
		f, err := virtual.ParseFault(fault)
		require.NoError(t, err)
		d.config.Faults = []virtual.Fault{f}
		r, err := d.Run(drivers.Hour, nil)
		require.NoError(t, err)
		var s DaysSummary
		s.Add(r)
		assert.Len(t, r.Trips, 1, fault)
		assert.False(t, s.Held(), fault)
		var at float64
		_, err = fmt.Sscanf(r.Trips[0], "%fs", &at)
		require.NoError(t, err)
		assert.Less(t, at, 240.0, fault)
	}
}
