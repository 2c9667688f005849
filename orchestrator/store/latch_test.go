package store

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// TestINV05EnergisedMarkFoundAtStartIsALatch: killed while energised, the bench
// is latched at the next start, the run is interrupted, and only a person with a
// name and a reason clears the latch, also across restarts.
func TestINV05EnergisedMarkFoundAtStartIsALatch(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	want := record(t, r, newSource(1, 7), 20)
	require.NoError(t, r.Commit())
	record(t, r, newSource(2, 7), 5) // at risk, and lost
	require.NoError(t, r.MarkEnergised(41, startAt, 7, "permit epoch=7"))

	path := crash(t, s)
	again, err := Open(path, small())
	require.NoError(t, err)
	require.Equal(t, []Recovery{{Run: "r000001", Bench: "bench-1", LastFrame: want[19].At, Frames: 20, Energised: true}}, again.Recovered())
	info, err := again.Run("r000001")
	require.NoError(t, err)
	require.Equal(t, machine.OutcomeInterrupted, info.Outcome)
	require.Equal(t, want[19].At, info.End)
	require.Equal(t, want, frames(t, again, "r000001"))
	require.Equal(t, []string{"41 permit epoch=7"}, lines(t, again, "r000001"))
	l, latched, err := again.Latch("bench-1")
	require.NoError(t, err)
	require.True(t, latched)
	require.Equal(t, "r000001", l.Run)
	require.Contains(t, l.Reason, "may have been energised")
	_, err = again.Begin(demoRun(t, "bench-1", false))
	require.ErrorIs(t, err, ErrLatched)
	require.NoError(t, again.Close())

	third := openStore(t, path, small())
	require.Empty(t, third.Recovered(), "recovered once")
	_, latched, err = third.Latch("bench-1")
	require.NoError(t, err)
	require.True(t, latched, "a restart clears nothing")
	for _, c := range [][2]string{{"", "checked"}, {"engineer", ""}, {"engineer", " \t"}} {
		require.ErrorIs(t, third.ClearLatch("bench-1", c[0], c[1], startAt), ErrNoReason)
	}
	require.NoError(t, third.ClearLatch("bench-1", "engineer", "contactors seen open", startAt))
	require.ErrorIs(t, third.ClearLatch("bench-1", "engineer", "again", startAt), ErrNotLatched)
	r, err = third.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	finish(t, r)
	require.Equal(t, []string{"begin", "interrupt", "latch", "acknowledge", "begin", "finish"}, audit(t, third))
}

func audit(t *testing.T, s *Store) (what []string) {
	t.Helper()
	require.NoError(t, s.Audit(func(a Audit) error {
		what = append(what, a.What)
		return nil
	}))
	return what
}

// TestINV05TripLatches: the latch is durable when Trip returns, survives a kill
// and the run's own end, and the first of several stands.
func TestINV05TripLatches(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	require.NoError(t, r.MarkEnergised(1, startAt, 1, "permit"))
	require.NoError(t, r.Trip(2, startAt, "trip cell_07", "cell_07 over 3.650 V"))
	require.NoError(t, r.Trip(3, startAt+1, "trip cell_08", "cell_08 over 3.650 V"))
	killed := openStore(t, crash(t, s), small())
	l, latched, err := killed.Latch("bench-1")
	require.NoError(t, err)
	require.True(t, latched)
	require.Equal(t, Latch{Bench: "bench-1", Run: "r000001", Reason: "cell_07 over 3.650 V", At: startAt}, l)
	require.Equal(t, []string{"1 permit", "2 trip cell_07", "3 trip cell_08"}, lines(t, killed, "r000001"))

	require.NoError(t, r.Finish(machine.OutcomeTripped, "cell_07", startAt+2))
	ended := openStore(t, crash(t, s), small())
	require.Empty(t, ended.Recovered())
	_, latched, err = ended.Latch("bench-1")
	require.NoError(t, err)
	require.True(t, latched)
}

// TestINV06CleanEndsLatchNothing: neither a finished run nor one whose mark was
// taken away latches.
func TestINV06CleanEndsLatchNothing(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	require.NoError(t, r.MarkEnergised(1, startAt, 1, "permit"))
	require.NoError(t, r.MarkSafe())
	safe := openStore(t, crash(t, s), small())
	require.Equal(t, []Recovery{{Run: "r000001", Bench: "bench-1"}}, safe.Recovered())
	_, latched, err := safe.Latch("bench-1")
	require.NoError(t, err)
	require.False(t, latched)

	require.NoError(t, r.MarkEnergised(2, startAt, 2, "permit"))
	finish(t, r)
	ended := openStore(t, crash(t, s), small())
	require.Empty(t, ended.Recovered())
	_, latched, err = ended.Latch("bench-1")
	require.NoError(t, err)
	require.False(t, latched)
}

// TestLateLinesFindTheirPlace: urgent lines come from another goroutine, after
// later ones; they are read in the order of the sequence all the same, once.
func TestLateLinesFindTheirPlace(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	for _, seq := range []uint64{1, 3, 3, 7} {
		require.NoError(t, r.Line(seq, startAt, "line"))
	}
	require.NoError(t, r.Urgent(3, startAt, "late"))
	require.NoError(t, r.Urgent(2, startAt, "later"))
	require.NoError(t, r.Urgent(9, startAt, "last"))
	want := []string{"1 line", "2 later", "3 line", "3 line", "3 late", "7 line", "9 last"}
	require.Equal(t, []string{"3 late", "2 later", "9 last"}, lines(t, s, r.ID()), "durable ahead of the others")
	require.NoError(t, r.Commit())
	require.Equal(t, want, lines(t, s, r.ID()))
	require.NoError(t, r.Urgent(4, startAt, "too late"))
	want = append(want, "4 too late")
	require.Equal(t, want, lines(t, s, r.ID()), "what is durable keeps its order")
	finish(t, r)
	require.Equal(t, want, lines(t, s, r.ID()))
	require.ErrorIs(t, r.Urgent(10, startAt, "after the end"), ErrEnded)
}

func TestLinesMustBeOneLine(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	require.ErrorIs(t, r.Line(1, startAt, "a\nb"), ErrBadValue)
	require.ErrorIs(t, r.Urgent(1, startAt, "a\nb"), ErrBadValue)
	require.NoError(t, r.Line(1, drivers.Instant(-5), ""))
	finish(t, r)
	require.Equal(t, []string{"1 "}, lines(t, s, r.ID()))
}
