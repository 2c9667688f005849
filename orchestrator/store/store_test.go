package store

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

func TestARunComesBackAsItWas(t *testing.T) {
	for _, virtual := range []bool{false, true} {
		path := tempPath(t)
		s := openStore(t, path, small())
		r, err := s.Begin(demoRun(t, "bench-1", virtual))
		require.NoError(t, err)
		require.Equal(t, "r000001", r.ID())
		src := newSource(1, 7)
		require.NoError(t, r.Line(0, startAt, "start run=r000001"))
		want := record(t, r, src, 6100) // over one chunk
		require.Equal(t, want[0].At, r.Pending())
		require.NoError(t, r.Commit())
		require.Zero(t, r.Pending())
		require.Equal(t, want, frames(t, s, r.ID()), "read while the run goes on")
		want = append(want, record(t, r, src, 7)...)
		require.Equal(t, want[6100].At, r.Pending())
		require.NoError(t, r.Line(12215, startAt, "finish outcome=done"))
		finish(t, r)
		require.Equal(t, want, frames(t, s, r.ID()))
		require.Equal(t, []string{"0 start run=r000001", "12215 finish outcome=done"}, lines(t, s, r.ID()))
		info, err := s.Run(r.ID())
		require.NoError(t, err)
		require.Equal(t, machine.OutcomeDone, info.Outcome)
		require.Equal(t, uint64(6107), info.Frames)
		require.Equal(t, want[6106].At, info.LastFrame)
		require.Equal(t, Unproven, info.Verdict)
		require.NoError(t, s.Verify(r.ID()))
		require.NoError(t, s.Check())
		require.ErrorIs(t, r.Frame(src.next()), ErrEnded)
		require.ErrorIs(t, r.Finish(machine.OutcomeDone, "", 0), ErrEnded)
		plan, err := s.Plan(r.ID())
		require.NoError(t, err)
		require.Equal(t, `{"profile":"qualify"}`, string(plan))
		l, err := s.Layout(r.ID())
		require.NoError(t, err)
		require.Equal(t, 5, l.Find(drivers.ModuleCurrent))
	}
}
