package store

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// TestFramesAllocateNothing: appending is a copy, nothing more.
func TestFramesAllocateNothing(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	f := newSource(1, 7).next()
	require.Zero(t, testing.AllocsPerRun(2000, func() {
		if err := r.Frame(f); err != nil {
			t.Fatal(err)
		}
	}))
	finish(t, r)
}

// BenchmarkVirtualRecording is the whole cost of a frame in a virtual run:
// append, aggregate, pack, chain, commit.
func BenchmarkVirtualRecording(b *testing.B) {
	for _, cells := range []int{24, 512} {
		b.Run(fmt.Sprint("cells=", cells), func(b *testing.B) {
			s := openStore(b, tempPath(b), Options{NoSync: true, Quota: 4 << 30})
			run := demoRun(b, "bench-1", true)
			run.Layout = layout(b, cells)
			r, err := s.Begin(run)
			require.NoError(b, err)
			list := make([]*drivers.Frame, 5000)
			src := newSource(1, cells+3)
			for i := range list {
				list[i] = src.next().Clone()
			}
			b.ReportAllocs()
			i := 0
			for b.Loop() {
				f := list[i%len(list)]
				f.At = startAt.Add(drivers.Span(i) * 100 * drivers.Millisecond)
				f.Seq = uint64(i)
				if err := r.Frame(f); err != nil {
					b.Fatal(err)
				}
				i++
			}
			finish(b, r)
			size, err := s.Size()
			require.NoError(b, err)
			b.ReportMetric(float64(size.Used)/float64(i)/float64(cells), "B/sample")
			b.ReportMetric(float64(i)*0.1/b.Elapsed().Seconds(), "x_real_time")
		})
	}
}

// BenchmarkLiveCommit is a durable commit of half a second of 16 benches.
func BenchmarkLiveCommit(b *testing.B) {
	s := openStore(b, tempPath(b), Options{Quota: 4 << 30, CommitEvery: 1})
	var recorders []*Recorder
	run := demoRun(b, "", false)
	run.Layout = layout(b, 32)
	for i := range 16 {
		run.Bench = fmt.Sprint("bench-", i)
		r, err := s.Begin(run)
		require.NoError(b, err)
		recorders = append(recorders, r)
	}
	src := newSource(1, 35)
	for b.Loop() {
		for range 5 {
			f := src.next()
			for _, r := range recorders {
				if err := r.Frame(f); err != nil {
					b.Fatal(err)
				}
			}
		}
		if err := recorders[0].Commit(); err != nil {
			b.Fatal(err)
		}
	}
	for _, r := range recorders {
		finish(b, r)
	}
}

// BenchmarkUrgent is a trip made durable.
func BenchmarkUrgent(b *testing.B) {
	s := openStore(b, tempPath(b), Options{Quota: 1 << 30, CommitEvery: 1})
	r, err := s.Begin(demoRun(b, "bench-1", false))
	require.NoError(b, err)
	i := uint64(0)
	for b.Loop() {
		i++
		if err := r.Urgent(i, startAt, "trip cell_07 over 3.650 V"); err != nil {
			b.Fatal(err)
		}
	}
	finish(b, r)
}

// BenchmarkOverview reads the aggregates of 24 h of 32 cells at 10 Hz.
func BenchmarkOverview(b *testing.B) {
	s := openStore(b, tempPath(b), Options{NoSync: true, Quota: 4 << 30})
	run := demoRun(b, "bench-1", true)
	run.Layout = layout(b, 32)
	r, err := s.Begin(run)
	require.NoError(b, err)
	src := newSource(1, 35)
	for range 24 * 3600 * 10 {
		if err := r.Frame(src.next()); err != nil {
			b.Fatal(err)
		}
	}
	finish(b, r)
	for _, level := range Levels {
		b.Run(fmt.Sprint("level=", level/drivers.Second, "s"), func(b *testing.B) {
			bins := 0
			for b.Loop() {
				bins = 0
				require.NoError(b, s.Aggregates(r.ID(), level, 0, 0, func(*Bin) error { bins++; return nil }))
			}
			b.ReportMetric(float64(bins), "bins")
		})
	}
	b.Run("decode", func(b *testing.B) {
		for b.Loop() {
			require.NoError(b, s.Frames(r.ID(), 0, 0, func(*drivers.Frame) error { return nil }))
		}
	})
}
