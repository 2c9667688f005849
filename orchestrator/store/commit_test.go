package store

import (
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/rigwarden/rigwarden/drivers"
)

// transactions counts write transactions by the number of their latest.
func transactions(t *testing.T, s *Store) int {
	t.Helper()
	tx, err := s.db.Begin(false)
	require.NoError(t, err)
	defer func() { require.NoError(t, tx.Rollback()) }()
	return tx.ID()
}

// TestTwoRoutineCommitsASecond: 16 benches record for ten seconds of fake time,
// each asking for a commit whenever its last is answered. All together make two
// commits a second, and no frame waits for longer than one.
func TestTwoRoutineCommitsASecond(t *testing.T) {
	path := tempPath(t)
	synctest.Test(t, func(t *testing.T) {
		s, err := Open(path, Options{NoSync: true, Quota: 64 << 20})
		require.NoError(t, err)
		const benches, seconds = 16, 10
		before := 0
		worst := make(chan time.Duration, benches)
		start := time.Now()
		for i := range benches {
			r, err := s.Begin(demoRun(t, string(rune('a'+i)), false))
			require.NoError(t, err)
			go recordLive(t, r, uint64(i), start.Add(seconds*time.Second), worst)
		}
		before = transactions(t, s)
		var oldest time.Duration
		for range benches {
			oldest = max(oldest, <-worst)
		}
		made, took := transactions(t, s)-before, time.Since(start)
		t.Logf("%d commits in %v for %d benches; oldest unstored frame %v", made, took, benches, oldest)
		require.LessOrEqual(t, float64(made-1), 2*took.Seconds())
		require.GreaterOrEqual(t, made, 2*seconds-1)
		require.LessOrEqual(t, oldest, time.Second)
		require.NoError(t, s.Close())
	})
}

// recordLive records at 10 Hz of fake time, and reports the greatest age that an
// unstored frame reached.
func recordLive(t *testing.T, r *Recorder, seed uint64, until time.Time, worst chan<- time.Duration) {
	rng := rand.New(rand.NewPCG(seed, 1))
	src := newSource(seed, 7)
	answered := make(chan error, 1)
	answered <- nil
	start := time.Now()
	var oldest time.Duration
	for time.Now().Before(until) {
		<-time.After(time.Duration(90+rng.IntN(20)) * time.Millisecond)
		f := src.next()
		f.At = drivers.Instant(time.Since(start)/time.Microsecond) + 1
		if err := r.Frame(f); err != nil {
			t.Error(err)
		}
		if at := r.Pending(); at != 0 {
			oldest = max(oldest, time.Duration(f.At-at)*time.Microsecond)
		}
		select {
		case err := <-answered:
			if err != nil {
				t.Error(err)
			}
			go func() { answered <- r.Commit() }()
		default:
		}
	}
	if err := <-answered; err != nil {
		t.Error(err)
	}
	worst <- oldest
}

// TestUrgentDoesNotWaitForItsTurn: a trip is durable while routine commits wait.
func TestUrgentDoesNotWaitForItsTurn(t *testing.T) {
	path := tempPath(t)
	synctest.Test(t, func(t *testing.T) {
		s, err := Open(path, Options{NoSync: true, Quota: 64 << 20})
		require.NoError(t, err)
		r, err := s.Begin(demoRun(t, "bench-1", false))
		require.NoError(t, err)
		src := newSource(1, 7)
		record(t, r, src, 1)
		require.NoError(t, r.Commit())
		record(t, r, src, 1)
		answered := make(chan error)
		go func() { answered <- r.Commit() }() // has to wait for half a second
		synctest.Wait()
		began := time.Now()
		require.NoError(t, r.Trip(3, startAt, "trip", "cell_07 over 3.650 V"))
		_, latched, err := s.Latch("bench-1")
		require.NoError(t, err)
		require.True(t, latched)
		require.Zero(t, time.Since(began), "the trip waited")
		require.NotZero(t, r.Pending())
		require.NoError(t, <-answered)
		require.Equal(t, 500*time.Millisecond, time.Since(began))
		require.Zero(t, r.Pending())
		require.NoError(t, s.Close())
	})
}

// TestLiveChunksAreSealedByTime: a slow bench's chunk is sealed after ten
// minutes, however few its frames.
func TestLiveChunksAreSealedByTime(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	f := newSource(1, 7).next()
	for i := range 25 {
		f.At = startAt.Add(drivers.Span(i) * drivers.Minute)
		require.NoError(t, r.Frame(f))
		require.NoError(t, r.Commit())
	}
	for chunk, frames := range []uint32{10, 10} {
		value, _, err := s.chunk(1, uint32(chunk))
		require.NoError(t, err)
		l, _, err := parseLink(value)
		require.NoError(t, err)
		require.Equal(t, frames, l.frames)
	}
	value, _, err := s.chunk(1, 2)
	require.NoError(t, err)
	require.Nil(t, value)
	require.Len(t, frames(t, s, r.ID()), 25)
	finish(t, r)
}

// TestRecordingWithoutCommitsStops: a live recorder that nobody commits refuses
// frames once both its chunks are full (INV-07).
func TestRecordingWithoutCommitsStops(t *testing.T) {
	o := small()
	o.chunkFrames = 100
	s := openStore(t, tempPath(t), o)
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	src := newSource(1, 7)
	record(t, r, src, 200)
	require.ErrorIs(t, r.Frame(src.next()), ErrBehind)
	require.NoError(t, r.Commit())
	record(t, r, src, 50)
	finish(t, r)
	require.Len(t, frames(t, s, r.ID()), 250)
}

func TestNoGoroutineIsLeft(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	s, err := Open(tempPath(t), small())
	require.NoError(t, err)
	r, err := s.Begin(demoRun(t, "bench-1", true))
	require.NoError(t, err)
	record(t, r, newSource(1, 7), 500)
	require.NoError(t, r.Line(1, startAt, string(make([]byte, 2*packLeast))))
	finish(t, r)
	require.Len(t, lines(t, s, r.ID()), 1)
	require.NoError(t, s.Close())
}
