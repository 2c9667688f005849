package bench_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// A frame stamped forty minutes ahead took the machine's time with it: its
// deadlines and its watch on silence lay forty minutes off, and a charge was
// bounded by nothing meanwhile. One stamped in the past held the guard's
// persistences up as long. Now a stamp is held against the loop's own clock, and
// the run ends (INV-02, INV-11).
func TestFramesFromAnotherTime(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"time-steps step=40min charging=20s", "time-steps step=-40min charging=20s"} {
		t.Run(text, func(t *testing.T) {
			t.Parallel()
			s := quick(t)
			f, err := virtual.ParseFault(text)
			require.NoError(t, err)
			k := suffer(t, s, f)
			require.Equal(t, machine.OutcomeTripped, k.ending.Outcome, k.ending.Reason)
			assert.Equal(t, "clock", k.cause)
			assert.LessOrEqual(t, k.after, 2*s.plan.Bench.Monitor.Period)
			assert.False(t, k.truth.Flowing)
			assert.LessOrEqual(t, k.truth.At.Sub(k.fault.Begin), drivers.Minute)
		})
	}
}
