package rehearse

import (
	"os"
	"runtime"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// INV-05, INV-06, INV-14: the process dies at its calls of drivers, journal and
// disk, each in its turn: the file opens, holds what was acknowledged and all but
// the last second, says that the run was cut off, latches a bench that may have
// been live, and nothing flows until a person starts the next run.
//
// RIGWARDEN_KILLS=every leaves out no call.
func TestKills(t *testing.T) {
	twin := quick(t)
	stride := 7
	switch {
	case os.Getenv("RIGWARDEN_KILLS") == "every":
		stride = 1
	case testing.Short():
		stride = 83
	}
	var s Summary
	latched, lost, again := 0, drivers.Span(0), 0
	err := twin.Kills(t.Context(), 1, stride, runtime.GOMAXPROCS(0), func(r *Result) {
		s.Add(r)
		assert.True(t, r.Killed, "call %d", r.Campaign.Kill.Call)
		assert.True(t, r.Held(), "call %d, again %d: %v", r.Campaign.Kill.Call, r.Campaign.Kill.Again, r.Violations)
		assert.Equal(t, machine.OutcomeDone, r.Next, "call %d: %s", r.Campaign.Kill.Call, r.NextReason)
		lost = max(lost, r.Lost)
		if r.Latched {
			latched++
		}
		if r.Again {
			again++
		}
	})
	require.NoError(t, err)
	t.Logf("killed at %d of %d calls, %d of them again; latched %d times; at most %s of the record lost",
		s.Killed, twin.Healthy.Calls, again, latched, seconds(lost))
	assert.GreaterOrEqual(t, s.Killed, twin.Healthy.Calls/stride)
	assert.Greater(t, twin.Healthy.Calls, 1000)
	// For most of the run something is energised, so that a kill there latches.
	assert.Greater(t, latched, s.Killed/2)
	assert.Greater(t, again, s.Killed/5)
	assert.LessOrEqual(t, lost, drivers.Second)
	assert.Positive(t, lost, "nothing was ever at risk: the kills are not where they are believed to be")
}
