package bench_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Whoever learns of a run's end may start the next one: the picture of the bench
// is no longer that of a busy one when the end is told.
func TestAnEndIsToldOfAFreeBench(t *testing.T) {
	x := quick(t).open(t)
	seen := make(chan machine.Phase, 1)
	r := x.request()
	r.Finished = func(e bench.Ending) {
		seen <- x.virtual.Status().View.Phase
		x.ended <- e
	}
	require.NoError(t, x.virtual.Start(t.Context(), r))
	require.Equal(t, machine.OutcomeDone, x.wait().Outcome)
	assert.Equal(t, machine.PhaseWatching, <-seen)
}

func TestAnEndIsToldOfAFreeLiveBench(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		seen := make(chan machine.Phase, 1)
		l.tell = func() { seen <- l.live.Status().View.Phase }
		l.start()
		l.charging()
		require.NoError(t, l.live.Command(t.Context(), machine.VerbStop, "tester", ""))
		select {
		case p := <-seen:
			assert.Equal(t, machine.PhaseWatching, p)
		case <-time.After(time.Minute):
			require.FailNow(t, "the run does not end")
		}
	})
}
