package store

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
)

// Aggregates of a chunk are stored as a block of their own, one frame a bin: its
// instant is the bin's beginning, its sequence number the number of frames, and
// its channels are the minima of all channels, then their maxima, their means
// and their numbers of readings. A bin that straddles two chunks is stored in
// two parts, which readers join.

// binColumns is how many columns each channel has in a block of bins.
const binColumns = 4

// channelsMost bounds a run's layout, so that its bins fit a block.
const channelsMost = block.MaxChannels / binColumns

// binner makes a chunk's aggregates. It reuses its memory.
type binner struct {
	encoder block.Encoder
	tables  [len(Levels)]binTable
	columns block.Columns
}

// pack returns one block of bins for each level.
func (b *binner) pack(frames *block.Columns) (packed [len(Levels)][]byte, err error) {
	b.encoder.Reference = -1
	for i, level := range Levels {
		t := &b.tables[i]
		if i == 0 {
			t.fill(frames, level)
		} else {
			t.join(&b.tables[i-1], level)
		}
		t.columns(&b.columns)
		if packed[i], err = b.encoder.Encode(nil, &b.columns); err != nil {
			return packed, err
		}
	}
	return packed, nil
}

// binTable holds bins of one level; each value is at [channel*bins + bin].
type binTable struct {
	channels  int
	at        []drivers.Instant
	frames    []int
	from      []int // first frame, or first finer bin, of each bin; one more at the end
	low, high []int32
	sum       []int64
	valid     []int32
}

// binStart is the beginning of the bin that holds t.
func binStart(t drivers.Instant, level drivers.Span) drivers.Instant {
	l := drivers.Instant(level)
	r := t % l
	if r < 0 {
		r += l
	}
	return t - r
}

// divide cuts the instants into bins: neighbours with one beginning.
func (t *binTable) divide(at []drivers.Instant, level drivers.Span, channels int) {
	t.channels = channels
	t.at, t.frames, t.from = t.at[:0], t.frames[:0], t.from[:0]
	for i, x := range at {
		start := binStart(x, level)
		if n := len(t.at); n == 0 || t.at[n-1] != start {
			t.at, t.frames, t.from = append(t.at, start), append(t.frames, 0), append(t.from, i)
		}
	}
	t.from = append(t.from, len(at))
	n := channels * len(t.at)
	t.low, t.high, t.valid = resize(t.low, n), resize(t.high, n), resize(t.valid, n)
	t.sum = resize(t.sum, n)
}

func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}

// fill makes bins from frames.
func (t *binTable) fill(c *block.Columns, level drivers.Span) {
	t.divide(c.At, level, len(c.Counts))
	bins := len(t.at)
	for b := range bins {
		t.frames[b] = t.from[b+1] - t.from[b]
	}
	for ch, column := range c.Counts {
		for b := range bins {
			k := ch*bins + b
			t.low[k], t.high[k], t.sum[k], t.valid[k] = summarise(column[t.from[b]:t.from[b+1]])
		}
	}
}

// summarise returns the least and greatest count, their sum and number; counts
// without a reading are left out. Plain compares: the built-in min and max are
// no faster here, and on floats much slower.
func summarise(x []int32) (low, high int32, sum int64, valid int32) {
	low, high = drivers.NoReading, drivers.NoReading
	for _, v := range x {
		if v == drivers.NoReading {
			continue
		}
		if valid == 0 || v < low {
			low = v
		}
		if v > high { // NoReading is less than any count
			high = v
		}
		sum += int64(v)
		valid++
	}
	return low, high, sum, valid
}

// join makes coarser bins from finer ones.
func (t *binTable) join(f *binTable, level drivers.Span) {
	t.divide(f.at, level, f.channels)
	bins, fine := len(t.at), len(f.at)
	for b := range bins {
		for i := t.from[b]; i < t.from[b+1]; i++ {
			t.frames[b] += f.frames[i]
		}
	}
	for ch := range t.channels {
		for b := range bins {
			low, high, sum, valid := drivers.NoReading, drivers.NoReading, int64(0), int32(0)
			for k := ch*fine + t.from[b]; k < ch*fine+t.from[b+1]; k++ {
				if f.valid[k] == 0 {
					continue
				}
				if valid == 0 || f.low[k] < low {
					low = f.low[k]
				}
				high = max(high, f.high[k])
				sum += f.sum[k]
				valid += f.valid[k]
			}
			k := ch*bins + b
			t.low[k], t.high[k], t.sum[k], t.valid[k] = low, high, sum, valid
		}
	}
}

// columns lays the bins out as a block's columns.
func (t *binTable) columns(c *block.Columns) {
	m, bins := t.channels, len(t.at)
	c.Reset(binColumns*m, bins)
	c.At = append(c.At, t.at...)
	for _, n := range t.frames {
		c.Seq = append(c.Seq, uint64(n))
		c.Echo = append(c.Echo, 0)
	}
	for ch := range m {
		at := ch * bins
		c.Counts[ch] = append(c.Counts[ch], t.low[at:at+bins]...)
		c.Counts[m+ch] = append(c.Counts[m+ch], t.high[at:at+bins]...)
		for k := at; k < at+bins; k++ {
			c.Counts[2*m+ch] = append(c.Counts[2*m+ch], mean(t.sum[k], int64(t.valid[k])))
		}
		c.Counts[3*m+ch] = append(c.Counts[3*m+ch], t.valid[at:at+bins]...)
	}
}

// mean is sum/n to the nearest count, halves away from zero.
func mean(sum, n int64) int32 {
	if n == 0 {
		return drivers.NoReading
	}
	half := n / 2
	if sum < 0 {
		half = -half
	}
	return int32((sum + half) / n)
}

// binJoiner hands bins on, joining the parts of straddling ones.
type binJoiner struct {
	span     drivers.Span
	from, to drivers.Instant // to 0: no end
	fn       func(*Bin) error
	next     Bin // not handed on yet; Frames 0: none
	sum      []int64
	parts    int
}

// columns takes the bins of one block.
func (j *binJoiner) columns(c *block.Columns) error {
	if len(c.Counts)%binColumns != 0 {
		return fmt.Errorf("%w: bins with %d columns", ErrDamaged, len(c.Counts))
	}
	m := len(c.Counts) / binColumns
	for i := range c.At {
		if c.At[i].Add(j.span) <= j.from || j.to != 0 && c.At[i] >= j.to {
			continue
		}
		if j.next.Frames > 0 && j.next.At == c.At[i] && len(j.next.Min) == m {
			j.merge(c, i, m)
			continue
		}
		if err := j.flush(); err != nil {
			return err
		}
		b := &j.next
		b.At, b.Span, b.Frames = c.At[i], j.span, int(c.Seq[i])
		b.Min, b.Max, b.Mean, b.Valid = b.Min[:0], b.Max[:0], b.Mean[:0], b.Valid[:0]
		j.sum, j.parts = j.sum[:0], 1
		for ch := range m {
			b.Min = append(b.Min, c.Counts[ch][i])
			b.Max = append(b.Max, c.Counts[m+ch][i])
			b.Mean = append(b.Mean, c.Counts[2*m+ch][i])
			b.Valid = append(b.Valid, c.Counts[3*m+ch][i])
			j.sum = append(j.sum, int64(c.Counts[2*m+ch][i])*int64(c.Counts[3*m+ch][i]))
		}
	}
	return nil
}

// merge adds bin i, the second part of the one in hand.
func (j *binJoiner) merge(c *block.Columns, i, m int) {
	b := &j.next
	b.Frames += int(c.Seq[i])
	j.parts++
	for ch := range m {
		valid := c.Counts[3*m+ch][i]
		if valid == 0 {
			continue
		}
		if low := c.Counts[ch][i]; b.Valid[ch] == 0 || low < b.Min[ch] {
			b.Min[ch] = low
		}
		b.Max[ch] = max(b.Max[ch], c.Counts[m+ch][i])
		b.Valid[ch] += valid
		j.sum[ch] += int64(c.Counts[2*m+ch][i]) * int64(valid)
	}
}

func (j *binJoiner) flush() error {
	if j.next.Frames == 0 {
		return nil
	}
	if j.parts > 1 {
		for ch, sum := range j.sum {
			j.next.Mean[ch] = mean(sum, int64(j.next.Valid[ch]))
		}
	}
	err := j.fn(&j.next)
	j.next.Frames = 0
	return err
}
