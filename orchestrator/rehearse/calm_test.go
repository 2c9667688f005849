package rehearse

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// longOf is a twin whose profile is taken for one of hours, with commits as much
// nearer to each other as it is shorter.
func longOf(t *Twin) *Twin {
	long := *t
	long.calm = 10 * drivers.Second
	return &long
}

// A long profile's process makes a tenth of the routine commits, and is the same
// to the machine and the judge.
func TestCommitsWhileNothingFails(t *testing.T) {
	live, calm := quick(t), longOf(quick(t))
	var h [2]Healthy
	for i, twin := range []*Twin{live, calm} {
		r, err := twin.run(twin.Plain(1), &runOptions{healthy: &h[i]})
		require.NoError(t, err)
		require.Equal(t, machine.OutcomeDone, r.Outcome, r.Reason)
		assert.True(t, r.Held(), "%v", r.Violations)
	}
	assert.Equal(t, h[0].Length, h[1].Length)
	assert.Equal(t, h[0].States, h[1].States)
	// Four of a process's calls belong to each commit.
	fewer := (len(h[0].Acts) - len(h[1].Acts)) / 4
	commits := int(h[0].Length / (500 * drivers.Millisecond))
	t.Logf("%s of rig time, %d commits, %d acts fewer", seconds(h[0].Length), commits, fewer)
	assert.InDelta(t, commits, fewer, 0.25*float64(commits), "of %d acts %d are left", len(h[0].Acts), len(h[1].Acts))
}

// INV-07, INV-14: where the process dies or the disk fails, a long profile's
// process has made its commits as a live bench's: the last second is lost, at
// most, and nothing is energised any longer without a record.
func TestCommitsWhereSomethingFails(t *testing.T) {
	twin := longOf(quick(t))
	for quarter := range drivers.Span(2) {
		at := twin.Healthy.Length * (quarter + 1) / 4
		c := twin.Plain(uint64(at / drivers.Second))
		c.Kill = &Kill{At: at, Outage: drivers.Second}
		r, err := twin.Run(c, nil)
		require.NoError(t, err)
		assert.True(t, r.Killed)
		assert.True(t, r.Held(), "killed at %s: %v", seconds(at), r.Violations)
		assert.LessOrEqual(t, r.Lost, drivers.Second, "killed at %s", seconds(at))
		for _, kind := range []StoreKind{StoreFailing, StoreFull, StoreSlow} {
			c := twin.Plain(uint64(at / drivers.Second))
			c.Store = StoreFault{Kind: kind, At: at, Delay: 3 * drivers.Second}
			r, err := twin.Run(c, nil)
			require.NoError(t, err)
			assert.True(t, r.Held(), "%s at %s: %v", kind, seconds(at), r.Violations)
			if kind != StoreFull { // which may have room for the little that is left
				assert.NotEqual(t, machine.OutcomeDone, r.Outcome, "%s at %s", kind, seconds(at))
			}
		}
	}
	// The call that a process dies of is counted, not timed.
	rig, err := virtual.New(twin.config)
	require.NoError(t, err)
	x := &rehearsal{t: twin, w: &witness{rig: rig}, shelf: &shelf{}}
	for _, left := range []struct {
		calls int
		calm  bool
	}{{calmCalls + 1, true}, {calmCalls, false}, {1, false}} {
		x.w.calls, x.w.killAt = 1000, 1000+left.calls
		assert.Equal(t, left.calm, x.sound(), "%d calls before the kill", left.calls)
	}
	// So are frames: a link that does not precharge gives a thousand a second.
	x.w.killAt = 0
	x.shelf.runs = []*ledger{{frames: make([]givenFrame, 5000), storedFrames: 3000}}
	assert.True(t, x.sound())
	x.shelf.runs[0].storedFrames--
	assert.False(t, x.sound())
}
