package store

import (
	"bytes"
	"os"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// drive is a disk of a test: it counts the steps of writes and fails at one.
type drive struct {
	steps []DiskStep
	fail  DiskStep
	err   error
}

func (d *drive) step(at DiskStep) error {
	d.steps = append(d.steps, at)
	if at == d.fail {
		return d.err
	}
	return nil
}

// INV-07, INV-14: wherever a disk fails in a write, the caller is told, what was
// durable stays, what was not is neither there nor lost, and comes with the next
// commit.
func TestINV07DiskFailsAtEachStep(t *testing.T) {
	for _, step := range []DiskStep{DiskBegin, DiskWrite, DiskWritten} {
		d := &drive{err: syscall.EIO}
		o := small()
		o.Disk = d.step
		s := openStore(t, tempPath(t), o)
		r, err := s.Begin(demoRun(t, "bench-1", false))
		require.NoError(t, err)
		src := newSource(9, 7)
		record(t, r, src, 20)
		require.NoError(t, r.Commit())
		want := record(t, r, src, 30)

		d.fail = step
		require.ErrorIs(t, r.Commit(), syscall.EIO)
		require.ErrorIs(t, r.Trip(99, startAt, "trip", "why"), syscall.EIO)
		require.ErrorIs(t, s.SetLatch(Latch{Bench: "bench-1", Reason: "why"}), syscall.EIO)
		_, latched, err := s.Latch("bench-1")
		require.NoError(t, err)
		require.Equal(t, step == DiskWritten, latched)
		if step != DiskWritten {
			require.Len(t, frames(t, s, r.ID()), 20)
			require.Equal(t, want[0].At, r.Pending())
		}
		require.NoError(t, s.Check())

		d.fail = 0
		record(t, r, src, 10)
		require.NoError(t, r.Commit())
		require.Zero(t, r.Pending())
		require.Len(t, frames(t, s, r.ID()), 60, "step %d", step)
		finish(t, r)
		require.NoError(t, s.Check())
		require.Len(t, frames(t, s, r.ID()), 60)
	}
}

// The steps come in order, and growth is asked for before it is made.
func TestDiskSteps(t *testing.T) {
	d := &drive{}
	o := small()
	o.Disk = d.step
	s := openStore(t, tempPath(t), o)
	require.Equal(t, []DiskStep{DiskGrow, DiskBegin, DiskWrite, DiskWritten}, d.steps, "a new file is allocated, then made ready")
	d.steps = nil
	require.NoError(t, s.SetLatch(Latch{Bench: "bench-1", Reason: "why"}))
	require.Equal(t, []DiskStep{DiskBegin, DiskWrite, DiskWritten}, d.steps)

	d.fail, d.err = DiskGrow, syscall.ENOSPC
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.ErrorIs(t, err, ErrLatched)
	require.Nil(t, r)
	require.NoError(t, s.ClearLatch("bench-1", "engineer", "seen", startAt))
	r, err = s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	stillSafe(t, s, r, fill(t, r, newSource(5, 7)))
}

// INV-07, INV-14: what stands in for a disk is no kinder than one: here the file
// itself takes no writes, as a disk that went away.
func TestINV07FileTakesNoWrites(t *testing.T) {
	path := tempPath(t)
	s := openStore(t, path, small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	src := newSource(9, 7)
	record(t, r, src, 20)
	require.NoError(t, r.Commit())
	record(t, r, src, 30)

	fd := int(s.space.file.Fd())
	kept, err := syscall.Dup(fd)
	require.NoError(t, err)
	reading, err := os.Open(path)
	require.NoError(t, err)
	require.NoError(t, syscall.Dup3(int(reading.Fd()), fd, 0))
	require.Error(t, r.Commit())
	require.Error(t, r.Trip(99, startAt, "trip", "why"))
	require.Error(t, r.MarkEnergised(100, startAt, 1, "permit"))
	require.Len(t, frames(t, s, r.ID()), 20)
	require.NoError(t, s.Check())

	require.NoError(t, syscall.Dup3(kept, fd, 0))
	require.NoError(t, syscall.Close(kept))
	require.NoError(t, reading.Close())
	require.NoError(t, r.Commit())
	require.Len(t, frames(t, s, r.ID()), 50)
	require.NoError(t, r.Finish(machine.OutcomeDone, "done", startAt.Add(drivers.Hour)))
	require.NoError(t, s.Check())
}

// A bench's latch as its loop keeps it: an acknowledgement of a trip that could
// not be stored leaves both in the trail (INV-05).
func TestINV05BenchLatch(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	l := s.BenchLatch("bench-1")
	reason, err := l.Remembered()
	require.NoError(t, err)
	require.Empty(t, reason)
	require.NoError(t, l.SetLatch("cell high", startAt))
	reason, err = l.Remembered()
	require.NoError(t, err)
	require.Equal(t, "cell high", reason)
	require.ErrorIs(t, l.ClearLatch("engineer", " ", startAt), ErrNoReason)
	require.NoError(t, l.ClearLatch("engineer", "seen", startAt))
	require.NoError(t, l.ClearLatch("engineer", "seen again", startAt))
	var trail []string
	require.NoError(t, s.Audit(func(a Audit) error { trail = append(trail, a.What+": "+a.Text); return nil }))
	require.Equal(t, []string{"latch: cell high", "acknowledge: seen",
		"latch: a trip that could not be stored in its time", "acknowledge: seen again"}, trail)
	reason, err = l.Remembered()
	require.NoError(t, err)
	require.Empty(t, reason)
}

// The same writes make the same file, byte by byte, where that is asked for.
func TestOrderlyFilesAreEqual(t *testing.T) {
	var files [2][]byte
	for i := range files {
		path := tempPath(t)
		o := small()
		o.Orderly = true
		s, err := Open(path, o)
		require.NoError(t, err)
		r, err := s.Begin(demoRun(t, "bench-1", false))
		require.NoError(t, err)
		src := newSource(11, 7)
		for k := range uint64(300) {
			record(t, r, src, 5)
			if k%7 == 0 {
				require.NoError(t, r.Urgent(k, startAt, "step"))
			}
			require.NoError(t, r.Commit())
		}
		finish(t, r)
		require.NoError(t, s.Close())
		files[i], err = os.ReadFile(path)
		require.NoError(t, err)
	}
	require.True(t, bytes.Equal(files[0], files[1]), "files of %d and %d bytes differ", len(files[0]), len(files[1]))
}
