package store

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// naive makes the bins of one level from all frames at once.
func naive(list []*drivers.Frame, level drivers.Span) (bins []Bin) {
	for _, f := range list {
		at := drivers.Instant(math.Floor(float64(f.At)/float64(level))) * drivers.Instant(level)
		if n := len(bins); n == 0 || bins[n-1].At != at {
			b := Bin{At: at, Span: level}
			for range f.Counts {
				b.Min, b.Max, b.Mean, b.Valid = append(b.Min, drivers.NoReading), append(b.Max, drivers.NoReading), append(b.Mean, 0), append(b.Valid, 0)
			}
			bins = append(bins, b)
		}
		b := &bins[len(bins)-1]
		b.Frames++
		for i, v := range f.Counts {
			if v == drivers.NoReading {
				continue
			}
			if b.Valid[i] == 0 || v < b.Min[i] {
				b.Min[i] = v
			}
			if v > b.Max[i] {
				b.Max[i] = v
			}
			b.Mean[i] += v // a sum for now
			b.Valid[i]++
		}
	}
	for k := range bins {
		for i, n := range bins[k].Valid {
			if n == 0 {
				bins[k].Mean[i] = drivers.NoReading
				continue
			}
			bins[k].Mean[i] = int32(math.Round(float64(bins[k].Mean[i]) / float64(n)))
		}
	}
	return bins
}

func aggregates(t *testing.T, s *Store, id string, level drivers.Span, from, to drivers.Instant) (bins []Bin) {
	t.Helper()
	require.NoError(t, s.Aggregates(id, level, from, to, func(b *Bin) error {
		c := *b
		c.Min, c.Max = append([]int32(nil), b.Min...), append([]int32(nil), b.Max...)
		c.Mean, c.Valid = append([]int32(nil), b.Mean...), append([]int32(nil), b.Valid...)
		bins = append(bins, c)
		return nil
	}))
	return bins
}

// requireBins compares bins; means of bins joined from two chunks may differ by
// the rounding of their parts.
func requireBins(t *testing.T, want, got []Bin) {
	t.Helper()
	require.Len(t, got, len(want))
	for k := range want {
		for i := range want[k].Mean {
			require.InDelta(t, want[k].Mean[i], got[k].Mean[i], 1)
		}
		got[k].Mean = want[k].Mean
		require.Equal(t, want[k], got[k])
	}
}

// TestAggregatesAreOfAllFrames over chunks, straddled bins, pieces, channels with
// gaps and a dead one, while the run goes on, after its end and after a kill.
func TestAggregatesAreOfAllFrames(t *testing.T) {
	o := small()
	o.chunkFrames = 777 // 77.7 s: every level is straddled
	s := openStore(t, tempPath(t), o)
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	src := newSource(12, 7)
	var want []*drivers.Frame
	more := func(n int) {
		for i := range n {
			f := src.next()
			f.Counts[2] = drivers.NoReading
			if i%13 < 6 {
				f.Counts[3] = drivers.NoReading
			}
			require.NoError(t, r.Frame(f))
			want = append(want, f.Clone())
			if src.n%100 == 0 {
				require.NoError(t, r.Commit())
			}
		}
		require.NoError(t, r.Commit())
	}
	compare := func(s *Store) {
		for _, level := range Levels {
			bins := naive(want, level)
			requireBins(t, bins, aggregates(t, s, r.ID(), level, 0, 0))
			from, to := bins[0].At+drivers.Instant(level)/2, bins[len(bins)-1].At
			requireBins(t, bins[:len(bins)-1], aggregates(t, s, r.ID(), level, from, to))
		}
	}
	more(3000)
	compare(s)
	more(4000)
	compare(s)
	compare(openStore(t, crash(t, s), o))
	finish(t, r)
	compare(s)
	require.ErrorIs(t, s.Aggregates(r.ID(), drivers.Second, 0, 0, nil), ErrBadValue)
}

func TestMeanRoundsToNearest(t *testing.T) {
	for _, c := range []struct {
		sum, n int64
		want   int32
	}{{7, 2, 4}, {-7, 2, -4}, {1, 3, 0}, {2, 3, 1}, {-2, 3, -1}, {0, 0, drivers.NoReading}, {3 * math.MaxInt32, 3, math.MaxInt32}} {
		require.Equal(t, c.want, mean(c.sum, c.n), "%d/%d", c.sum, c.n)
	}
	require.Equal(t, drivers.Instant(-10_000_000), binStart(-1, 10*drivers.Second))
}
