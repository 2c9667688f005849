package store

import (
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// fill records noise until the store is full and returns what was durable.
func fill(t *testing.T, r *Recorder, src *source) (durable int) {
	t.Helper()
	var pending int
	for range 100_000 {
		f := src.next()
		for i := range f.Counts {
			f.Counts[i] = int32(src.rng.Uint32()) // incompressible
		}
		require.NoError(t, r.Frame(f))
		if pending++; pending < 200 {
			continue
		}
		if err := r.Commit(); err != nil {
			require.ErrorIs(t, err, ErrFull)
			return durable
		}
		durable += pending
		pending = 0
	}
	require.FailNow(t, "the store never filled")
	return 0
}

// stillSafe demands of a full store what INV-05 promises: marks, trips, latches,
// acknowledgements and ends are stored, many of them, and all stays readable.
func stillSafe(t *testing.T, s *Store, r *Recorder, durable int) {
	t.Helper()
	require.Len(t, frames(t, s, r.ID()), durable, "what is stored stays readable")
	for i := range uint64(100) {
		require.NoError(t, r.MarkEnergised(i, startAt, i, "permit"))
		require.NoError(t, r.MarkSafe())
		require.NoError(t, r.Urgent(i, startAt, "step"))
	}
	require.NoError(t, r.MarkEnergised(200, startAt, 200, "permit"))
	require.NoError(t, r.Trip(201, startAt, "trip", "the store is full"))
	require.ErrorIs(t, r.Commit(), ErrFull)
	for i := range 50 {
		require.NoError(t, s.ClearLatch(r.start.Bench, "engineer", "seen", startAt))
		require.NoError(t, s.SetLatch(Latch{Bench: r.start.Bench, Reason: fmt.Sprint("trip ", i)}))
	}
	var err error
	for i := 0; err == nil; i++ { // small things fill what is left
		err = s.PutModule(Module{Serial: fmt.Sprint("KW-", i), Source: "serial: KW\n"})
	}
	require.ErrorIs(t, err, ErrFull)
	_, err = s.Begin(demoRun(t, "bench-other", false))
	require.ErrorIs(t, err, ErrFull)
	for i := range 50 {
		require.NoError(t, s.ClearLatch(r.start.Bench, "engineer", "seen again", startAt))
		require.NoError(t, s.SetLatch(Latch{Bench: r.start.Bench, Reason: fmt.Sprint("another trip ", i)}))
	}
	require.ErrorIs(t, r.Finish(machine.OutcomeTripped, "the store is full", startAt), ErrFull)
	info, err := s.Run(r.ID())
	require.NoError(t, err)
	require.Equal(t, machine.OutcomeTripped, info.Outcome, "the end is recorded all the same")
	require.Equal(t, uint64(durable), info.Frames)
	require.NoError(t, s.Check())
}

// TestINV05FullQuotaLosesNoTrip, then more room: what was left unsealed is
// sealed at the next start.
func TestINV05FullQuotaLosesNoTrip(t *testing.T) {
	path := tempPath(t)
	o := small()
	o.Quota, o.Reserve = 2<<20, 512<<10
	s, err := Open(path, o)
	require.NoError(t, err)
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	durable := fill(t, r, newSource(5, 7))
	stillSafe(t, s, r, durable)
	size, err := s.Size()
	require.NoError(t, err)
	require.LessOrEqual(t, size.File, o.Quota)
	require.NoError(t, s.Close())

	o.Quota = 64 << 20
	again := openStore(t, path, o)
	require.Empty(t, again.Recovered(), "the run had ended")
	require.Len(t, frames(t, again, r.ID()), durable)
	require.NoError(t, again.Verify(r.ID()))
	info, err := again.Run(r.ID())
	require.NoError(t, err)
	require.Equal(t, machine.OutcomeTripped, info.Outcome)
	require.NotEmpty(t, info.Head)
	_, latched, err := again.Latch("bench-1")
	require.NoError(t, err)
	require.True(t, latched)
}

// TestINV07FullDiskIsAnError: the file cannot grow, though its quota allows.
func TestINV07FullDiskIsAnError(t *testing.T) {
	o := small()
	grown := int64(3 << 20)
	o.extend = func(file *os.File, from, to int64) error {
		if to > grown {
			return &os.PathError{Op: "fallocate", Path: file.Name(), Err: syscall.ENOSPC}
		}
		return extend(file, from, to)
	}
	s := openStore(t, tempPath(t), o)
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	stillSafe(t, s, r, fill(t, r, newSource(6, 7)))
}

// TestINV05RealFullDisk fills a small file system of its own.
func TestINV05RealFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=4m"); err != nil {
		t.Skipf("needs the right to mount a small file system: %v", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(dir, syscall.MNT_DETACH)) })
	s, err := Open(filepath.Join(dir, "rig.db"), small())
	require.NoError(t, err)
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	durable := fill(t, r, newSource(7, 7))
	// Somebody else takes what is left of the disk, to the last byte.
	other, err := os.Create(filepath.Join(dir, "other"))
	require.NoError(t, err)
	for err == nil {
		_, err = other.Write(make([]byte, 4096))
	}
	require.ErrorIs(t, err, syscall.ENOSPC)
	stillSafe(t, s, r, durable)
	require.NoError(t, other.Close())
	require.NoError(t, s.Close())
	checkFile(t, filepath.Join(dir, "rig.db"))

	again, err := Open(filepath.Join(dir, "rig.db"), small())
	require.NoError(t, err, "a full disk keeps nobody from starting")
	_, latched, err := again.Latch("bench-1")
	require.NoError(t, err)
	require.True(t, latched)
	require.NoError(t, again.Close())
}

// TestRecordersOutliveAFullStore: once there is room again, the next commit
// stores what had to wait.
func TestRecordersOutliveAFullStore(t *testing.T) {
	o := small()
	full := false
	o.extend = func(file *os.File, from, to int64) error {
		if full {
			return syscall.ENOSPC
		}
		return extend(file, from, to)
	}
	s := openStore(t, tempPath(t), o)
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	full = true
	src := newSource(8, 7)
	durable := fill(t, r, src)
	require.Equal(t, startAt.Add(drivers.Span(durable)*100*drivers.Millisecond), r.Pending())
	full = false
	require.NoError(t, r.Commit())
	require.Zero(t, r.Pending())
	require.Len(t, frames(t, s, r.ID()), src.n)
	finish(t, r)
	require.Len(t, frames(t, s, r.ID()), src.n)
}

func TestQuotaMustHoldTheReserve(t *testing.T) {
	_, err := Open(filepath.Join(t.TempDir(), "rig.db"), Options{Quota: 100 << 10})
	require.ErrorIs(t, err, ErrBadValue)
}
