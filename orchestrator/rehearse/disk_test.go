package rehearse

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// rehearsed runs a campaign without any fault but the store's and returns its
// lines.
func rehearsed(t *testing.T, fault StoreFault) (*Result, string) {
	t.Helper()
	c := quick(t).Plain(1)
	c.Store = fault
	var lines strings.Builder
	r, err := quick(t).Run(c, func(at instant, text string) { fmt.Fprintln(&lines, text) })
	require.NoError(t, err)
	assert.True(t, r.Held(), "%v", r.Violations)
	assert.Equal(t, machine.OutcomeDone, r.Next, r.NextReason)
	return r, lines.String()
}

// INV-07: a disk that takes its time is no reason to stop while less than a second
// waits for it; one that takes longer ends the run.
func TestINV07SlowStore(t *testing.T) {
	for _, c := range []struct {
		delay drivers.Span
		stops bool
	}{{20 * drivers.Millisecond, false}, {300 * drivers.Millisecond, false}, {700 * drivers.Millisecond, true}, {4 * drivers.Second, true}} {
		r, lines := rehearsed(t, StoreFault{Kind: StoreSlow, At: 20 * drivers.Second, Delay: c.delay})
		if !c.stops {
			assert.Equal(t, machine.OutcomeDone, r.Outcome, "%s: %s", seconds(c.delay), r.Reason)
			assert.NotContains(t, lines, "store_failed")
			continue
		}
		require.Len(t, r.Trips, 1, "%s", seconds(c.delay))
		assert.Equal(t, "store", r.Trips[0].Cause)
		assert.Contains(t, r.Trips[0].Text, "the oldest unstored frame is 1")
		// Frames come every 100 ms, so that the first one over a second is under 1.1 s.
		assert.Contains(t, lines, "at most 1000 ms is allowed")
	}
}

// INV-05, INV-07: a store that takes nothing any more ends the run within half a
// second of commits, and its latch lives in the process; a full one has room for
// the trip.
func TestINV07FailingAndFullStore(t *testing.T) {
	r, lines := rehearsed(t, StoreFault{Kind: StoreFailing, At: 20 * drivers.Second})
	require.NotEmpty(t, r.Trips)
	assert.Equal(t, "store", r.Trips[0].Cause)
	assert.LessOrEqual(t, r.Trips[0].At.Sub(began), 20*drivers.Second+600*drivers.Millisecond)
	assert.Contains(t, lines, "input/output error")

	r, lines = rehearsed(t, StoreFault{Kind: StoreFull, At: 20 * drivers.Second})
	require.Len(t, r.Trips, 1)
	assert.Equal(t, "store", r.Trips[0].Cause)
	assert.Contains(t, lines, "store is full")
	assert.Contains(t, lines, `record kind="clear"`)
}

// INV-05, INV-06: a process that is killed while its store fails leaves a bench
// for which none can start, and which has gone off by itself; the one that starts
// when somebody has put the disk right finds the mark of what was energised. A
// slow or a full disk lets the next process start at once.
func TestINV06KilledOnAFailingDisk(t *testing.T) {
	twin := quick(t)
	for _, kind := range []StoreKind{StoreFailing, StoreFull, StoreSlow} {
		c := twin.Plain(1)
		c.Store = StoreFault{Kind: kind, At: 6 * drivers.Second, Delay: 600 * drivers.Millisecond}
		c.Kill = &Kill{At: 6300 * drivers.Millisecond, Outage: 2 * drivers.Second}
		var lines []string
		r, err := twin.Run(c, func(_ instant, text string) { lines = append(lines, text) })
		require.NoError(t, err)
		at := func(part string) int {
			return slices.IndexFunc(lines, func(l string) bool { return strings.Contains(l, part) })
		}
		assert.True(t, r.Held(), "%s: %v", kind, r.Violations)
		assert.Empty(t, r.Beyond, "%s", kind)
		assert.True(t, r.Killed, "%s", kind)
		assert.True(t, r.Latched, "%s", kind)
		assert.Equal(t, machine.OutcomeDone, r.Next, "%s: %s", kind, r.NextReason)
		killed, none, again := at("process killed"), at("no process starts"), at("process started again, latched: run r000001 may have been energised")
		assert.Equal(t, kind == StoreFailing, none > killed, "%s", kind)
		assert.Greater(t, again, max(killed, none), "%s: %q", kind, lines)
	}
}
