package rehearse

import (
	"context"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
)

// recorded carries the first phase of a campaign out and leaves the process
// alive, its record unjudged.
func recorded(t *testing.T, c *Campaign) *rehearsal {
	t.Helper()
	rig, err := virtual.New(c.Config)
	require.NoError(t, err)
	w := &witness{t: quick(t), c: c, rig: rig}
	w.shelf, err = newShelf(w, c.Store)
	require.NoError(t, err)
	x := &rehearsal{t: w.t, c: c, w: w, shelf: w.shelf, r: &Result{Campaign: c}}
	t.Cleanup(func() {
		require.NoError(t, x.leave())
		require.NoError(t, w.shelf.remove())
	})
	require.NoError(t, x.open())
	require.NoError(t, x.start())
	x.follow(began.Add(drivers.Hour))
	require.NotNil(t, x.end)
	return x
}

// INV-05, INV-06, INV-07, INV-14: a judge of records that finds nothing judges
// nothing. Each change to what was given makes the file wrong in one way.
func TestJudgeSeesTheRecord(t *testing.T) {
	wrong := map[string]struct {
		inv    int
		change func(l *ledger, x *rehearsal)
	}{
		"a frame was lost": {7, func(l *ledger, x *rehearsal) {
			l.frames = append(l.frames, l.frames[len(l.frames)-1])
		}},
		"a durable frame was lost": {14, func(l *ledger, x *rehearsal) {
			l.frames = append(l.frames, l.frames[len(l.frames)-1])
			l.storedFrames = len(l.frames)
		}},
		"a frame has other counts": {14, func(l *ledger, x *rehearsal) { l.frames[70].sum++ }},
		"a frame has another time": {14, func(l *ledger, x *rehearsal) { l.frames[70].at++ }},
		"the bench kept one back":  {14, func(l *ledger, x *rehearsal) { l.frames[70].handed = false }},
		"two changed places": {14, func(l *ledger, x *rehearsal) {
			l.frames[70], l.frames[71] = l.frames[71], l.frames[70]
		}},
		"one that nobody gave": {14, func(l *ledger, x *rehearsal) { l.frames = l.frames[:len(l.frames)-1] }},
		"live for too long after a loss": {7, func(l *ledger, x *rehearsal) {
			first := l.frames[len(l.frames)-1]
			l.frames = append(l.frames, givenFrame{now: first.now.Add(100 * drivers.Millisecond), on: true},
				givenFrame{now: first.now.Add(1400 * drivers.Millisecond), on: true})
			l.finished = false
		}},
		"a kill took too much": {14, func(l *ledger, x *rehearsal) {
			last := l.frames[len(l.frames)-1].now
			l.frames = append(l.frames, givenFrame{now: last})
			l.finished, l.killed = false, last.Add(1100*drivers.Millisecond)
		}},
		"a durable line was lost":                {14, func(l *ledger, x *rehearsal) { l.durable(5, began, "trip") }},
		"a line that nobody gave":                {14, func(l *ledger, x *rehearsal) { l.lines = l.lines[1:] }},
		"another outcome":                        {14, func(l *ledger, x *rehearsal) { l.ending = &bench.Ending{Outcome: machine.OutcomeTripped} }},
		"no word of a cut":                       {6, func(l *ledger, x *rehearsal) { l.finished, l.ending, l.killed = false, nil, began.Add(drivers.Hour) }},
		"a trip is not in the trail":             {5, func(l *ledger, x *rehearsal) { l.trips = append(l.trips, "cell_high: too high") }},
		"an acknowledgement is not in it either": {5, func(l *ledger, x *rehearsal) { x.shelf.acks = append(x.shelf.acks, ack{person, "seen"}) }},
	}
	for name, c := range wrong {
		t.Run(name, func(t *testing.T) {
			x := recorded(t, quick(t).Plain(1))
			l := x.shelf.runs[0]
			require.Greater(t, len(l.frames), 400)
			require.True(t, l.finished)
			c.change(l, x)
			require.NoError(t, x.leave())
			require.NoError(t, x.judgeRecords())
			require.NotEmpty(t, x.w.violations)
			assert.Equal(t, c.inv, x.w.violations[0].INV, "%v", x.w.violations)
		})
	}
	x := recorded(t, quick(t).Plain(1))
	require.NoError(t, x.leave())
	require.NoError(t, x.judgeRecords())
	require.Empty(t, x.w.violations)
}

// What the judge of records finds in the end is told: here that no verdict comes
// of the second run.
func TestJudgeOfRecordsIsHeard(t *testing.T) {
	twin := *quick(t)
	twin.criteria = "criteria: [nonsense"
	r, err := twin.Run(twin.Plain(1), nil)
	require.NoError(t, err)
	require.Len(t, r.Violations, 1)
	assert.Equal(t, 14, r.Violations[0].INV)
	assert.Contains(t, r.Violations[0].What, "run r000002 cannot be judged from its record")
}

// A clock that steps back while the bench is being armed ends the run before the
// frame that shows it is taken in: that frame was once missed in the record.
func TestFrameThatComesAfterTheEnd(t *testing.T) {
	f, err := virtual.ParseFault("time-steps step=-44690783us after=2464216us")
	require.NoError(t, err)
	c := quick(t).Plain(1)
	c.Config.Faults = []virtual.Fault{f}
	r, err := quick(t).Run(c, nil)
	require.NoError(t, err)
	assert.Equal(t, machine.OutcomeRefused, r.Outcome)
	assert.True(t, r.Held(), "%v", r.Violations)
}

// A campaign that is given up while its slow store still writes ends all the same,
// and leaves nothing behind.
func TestGivenUpWhileTheStoreWrites(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	c := quick(t).Plain(1)
	c.Store = StoreFault{Kind: StoreSlow, At: 10 * drivers.Second, Delay: 4 * drivers.Second}
	ctx, cancel := context.WithCancel(t.Context())
	_, err := quick(t).run(c, &runOptions{ctx: ctx, say: func(at instant, text string) {
		if at.Sub(began) > 11*drivers.Second {
			cancel()
		}
	}})
	require.ErrorIs(t, err, context.Canceled)
	left, err := os.ReadDir(os.TempDir())
	require.NoError(t, err)
	require.Empty(t, left)
}

// INV-07, INV-14: a verdict's inputs are read from the record alone, and a record
// whose end is missing is found out.
func TestJudgeReadsVerdicts(t *testing.T) {
	x := recorded(t, quick(t).Plain(50)) // one of those whose verdict is worked out
	require.Zero(t, x.c.Seed%verdictEvery)
	require.NoError(t, x.judgeInputs(x.shelf.st, "r000001"))

	rec, err := x.shelf.st.Begin(store.Run{
		Bench: "another", Module: "QK-01", Layout: &x.c.plan.Layout, Plan: x.t.canonical, Criteria: x.t.criteria, Start: began,
	})
	require.NoError(t, err)
	require.NoError(t, x.shelf.st.Frames("r000001", 0, 0, rec.Frame))
	require.NoError(t, rec.Finish(machine.OutcomeDone, "without its lines", began))
	require.ErrorContains(t, x.judgeInputs(x.shelf.st, rec.ID()), "a replay differs")
}
