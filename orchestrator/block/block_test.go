package block

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
)

// roundTrip packs and unpacks c with coders that have seen other blocks before.
func roundTrip(t require.TestingT, e *Encoder, d *Decoder, c *Columns) []byte {
	b, err := e.Encode(nil, c)
	require.NoError(t, err)
	var got Columns
	require.NoError(t, d.Decode(b, &got))
	same(t, c, &got)
	return b
}

func same(t require.TestingT, want, got *Columns) {
	require.Equal(t, len(want.At), len(got.At))
	require.Equal(t, len(want.Counts), len(got.Counts))
	for i := range want.At {
		require.Equal(t, want.At[i], got.At[i])
		require.Equal(t, want.Seq[i], got.Seq[i])
		require.Equal(t, want.Echo[i], got.Echo[i])
	}
	for k := range want.Counts {
		for i := range want.Counts[k] {
			if want.Counts[k][i] != got.Counts[k][i] {
				require.FailNow(t, "counts differ", "channel %d frame %d: %d, want %d", k, i, got.Counts[k][i], want.Counts[k][i])
			}
		}
	}
	require.Equal(t, want.Digest(), got.Digest())
}

func TestSignalsComeBackUnchanged(t *testing.T) {
	e, d := NewEncoder(24), &Decoder{}
	for _, s := range []signal{
		{cells: 24, frames: 3000, noise: 0.5},
		{cells: 24, frames: 1, noise: 1},
		{cells: 24, frames: 2, noise: 1},
		{cells: 24, frames: 3000, noise: 1.5, pulsed: true},
		{cells: 24, frames: 700, noise: 3000},
	} {
		c, _ := s.columns(7)
		roundTrip(t, e, d, c)
	}
}

func TestNoFramesAndNoChannels(t *testing.T) {
	e, d := NewEncoder(-1), &Decoder{}
	roundTrip(t, e, d, NewColumns(0, 0))
	roundTrip(t, e, d, NewColumns(5, 0))
	c := NewColumns(0, 2)
	require.NoError(t, c.Append(&drivers.Frame{At: 5, Seq: 1}))
	require.NoError(t, c.Append(&drivers.Frame{At: 9, Seq: 2}))
	roundTrip(t, e, d, c)
}

// TestNearShannonBound holds the goals of the design: at most 1.10 times the
// bound on slow signals and 1.35 under pulsed load, in long blocks.
func TestNearShannonBound(t *testing.T) {
	for _, c := range []struct {
		signal signal
		most   float64
	}{
		{signal{cells: 24, frames: 6000, noise: 0.5}, 1.10},
		{signal{cells: 24, frames: 6000, noise: 1}, 1.10},
		{signal{cells: 24, frames: 6000, noise: 1.5}, 1.10},
		{signal{cells: 24, frames: 6000, noise: 0.5, pulsed: true}, 1.35},
		{signal{cells: 24, frames: 6000, noise: 1, pulsed: true}, 1.35},
		{signal{cells: 24, frames: 6000, noise: 1.5, pulsed: true}, 1.35},
	} {
		columns, bound := c.signal.columns(3)
		b, err := NewEncoder(c.signal.cells).Encode(nil, columns)
		require.NoError(t, err)
		ratio := float64(8*len(b)) / bound
		t.Logf("%v: %.3f bit a sample, %.3f times the bound", c.signal, float64(8*len(b))/float64(c.signal.cells*c.signal.frames), ratio)
		require.LessOrEqual(t, ratio, c.most, "%v", c.signal)
		require.Greater(t, ratio, 1.0, "%v: under the bound, so the bound is wrong", c.signal)
	}
}

// TestRoundedEntropy: a Gaussian much wider than a count has the differential
// entropy log2(sd*sqrt(2*pi*e)) (Shannon 1948), 5.047 bits for sd = 8.
func TestRoundedEntropy(t *testing.T) {
	require.InDelta(t, math.Log2(8*math.Sqrt(2*math.Pi*math.E)), roundedEntropy(0.3, 8), 1e-3)
}

// TestConstantChannelsCostNothing: states, counters and dead channels are a few
// bytes each, however long the block.
func TestConstantChannelsCostNothing(t *testing.T) {
	size := func(frames int) int {
		c := NewColumns(4, frames)
		for i := range frames {
			require.NoError(t, c.Append(&drivers.Frame{
				At: drivers.Instant(1e15 + int64(i)*100_000), Seq: uint64(3 * i), Echo: uint64(i),
				Counts: []int32{5, drivers.NoReading, int32(i), -1},
			}))
		}
		return len(roundTrip(t, NewEncoder(-1), &Decoder{}, c))
	}
	require.Less(t, size(10_000), 80)
	require.LessOrEqual(t, size(10_000)-size(100), 8)
}

// drawColumns makes columns of every kind of awkward channel.
func drawColumns(t *rapid.T) *Columns {
	n := rapid.IntRange(0, 900).Draw(t, "frames")
	m := rapid.IntRange(0, 6).Draw(t, "channels")
	seed := rapid.Uint64().Draw(t, "seed")
	rng := rand.New(rand.NewPCG(seed, 2))
	c := NewColumns(m, n)
	f := drivers.Frame{Counts: make([]int32, m)}
	kinds := make([]int, m)
	for k := range kinds {
		kinds[k] = rapid.IntRange(0, 6).Draw(t, "kind")
	}
	clock := rapid.IntRange(0, 2).Draw(t, "clock")
	for i := range n {
		f.Seq++
		f.Echo = uint64(i)
		switch clock {
		case 0:
			f.At += 100_000
		case 1:
			f.At += drivers.Instant(99_000 + rng.IntN(2000))
		default:
			f.At, f.Seq, f.Echo = drivers.Instant(rng.Uint64()), rng.Uint64(), rng.Uint64()
		}
		for k := range f.Counts {
			f.Counts[k] = drawCount(rng, kinds[k], i, f.Counts)
		}
		require.NoError(t, c.Append(&f))
	}
	return c
}

func drawCount(rng *rand.Rand, kind, i int, before []int32) int32 {
	switch kind {
	case 0:
		return 42
	case 1:
		return int32(rng.Uint32()) // any count, NoReading included
	case 2:
		if rng.IntN(5) == 0 {
			return drivers.NoReading
		}
		return int32(3000 + rng.IntN(4))
	case 3:
		return int32(i) * 7 // a counter
	case 4:
		if i/100%2 == 0 {
			return math.MaxInt32
		}
		return math.MinInt32 + 1
	case 5:
		return int32(i/50%2)*40_000 + int32(rng.IntN(5)) // pulses
	default:
		return before[0]/100 + int32(rng.IntN(3)) // follows the first channel
	}
}

func TestAnyColumnsComeBackUnchanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := NewEncoder(rapid.IntRange(-1, 6).Draw(t, "reference"))
		d := &Decoder{}
		roundTrip(t, e, d, drawColumns(t))
		roundTrip(t, e, d, drawColumns(t)) // with used coders
	})
}

// TestAnyDamageIsNamed flips single bits and cuts: never a wrong frame.
func TestAnyDamageIsNamed(t *testing.T) {
	c, _ := signal{cells: 6, frames: 200, noise: 1}.columns(5)
	b, err := NewEncoder(6).Encode(nil, c)
	require.NoError(t, err)
	d := &Decoder{}
	var got Columns
	for i := range 8 * len(b) {
		bad := append([]byte(nil), b...)
		bad[i/8] ^= 1 << (i % 8)
		require.ErrorIs(t, d.Decode(bad, &got), ErrCorrupt, "bit %d", i)
		require.Zero(t, got.Len())
	}
	for i := range b {
		require.ErrorIs(t, d.Decode(b[:i], &got), ErrCorrupt, "cut at %d", i)
	}
	require.ErrorIs(t, d.Decode(append(b, 0), &got), ErrCorrupt)
	require.NoError(t, d.Decode(b, &got), "the decoder survives bad blocks")
	same(t, c, &got)
}

// seal puts a valid checksum on a body.
func sealed(body []byte) []byte {
	return binary.LittleEndian.AppendUint32(append([]byte(nil), body...), crc32.Checksum(body, castagnoli))
}

func TestNewerVersionIsRefused(t *testing.T) {
	var c Columns
	err := (&Decoder{}).Decode(sealed([]byte{version + 1, 0, 0}), &c)
	require.ErrorIs(t, err, ErrVersion)
	require.ErrorContains(t, err, "this program reads 1")
}

func TestHostileSizesTakeNoMemory(t *testing.T) {
	for _, shape := range [][2]uint64{{MaxFrames + 1, 1}, {1, MaxChannels + 1}, {MaxFrames, MaxChannels}, {math.MaxUint64, math.MaxUint64}, {1 << 32, 1 << 32}} {
		body := binary.AppendUvarint(binary.AppendUvarint([]byte{version}, shape[0]), shape[1])
		var c Columns
		var err error
		allocs := testing.AllocsPerRun(1, func() { err = (&Decoder{}).Decode(sealed(body), &c) })
		require.ErrorIs(t, err, ErrCorrupt)
		require.Less(t, allocs, 20.0)
		require.Zero(t, cap(c.backing))
	}
	big := &Columns{At: make([]drivers.Instant, MaxFrames+1)}
	_, err := NewEncoder(-1).Encode(nil, big)
	require.ErrorIs(t, err, ErrSize)
}

func TestAppendRefusesAnotherLayout(t *testing.T) {
	c := NewColumns(2, 4)
	require.ErrorIs(t, c.Append(&drivers.Frame{Counts: []int32{1}}), ErrSize)
	require.Zero(t, c.Len())
}

func TestViewKeepsItsFrames(t *testing.T) {
	c := NewColumns(1, 4)
	for i := range 4 {
		require.NoError(t, c.Append(&drivers.Frame{At: drivers.Instant(i), Counts: []int32{int32(10 * i)}}))
	}
	var v Columns
	c.View(&v, 1, 3)
	require.NoError(t, c.Append(&drivers.Frame{At: 4, Counts: []int32{40}}))
	require.Equal(t, []int32{10, 20}, v.Counts[0])
	var f drivers.Frame
	v.Frame(1, &f)
	require.Equal(t, drivers.Frame{At: 2, Counts: []int32{20}}, f)
}

func TestCodersAllocateNothingOnceWarm(t *testing.T) {
	c, _ := signal{cells: 24, frames: 300, noise: 1, pulsed: true}.columns(9)
	e, d := NewEncoder(24), &Decoder{}
	var got Columns
	b, err := e.Encode(nil, c)
	require.NoError(t, err)
	require.NoError(t, d.Decode(b, &got))
	require.Zero(t, testing.AllocsPerRun(10, func() { b, err = e.Encode(b[:0], c) }))
	require.NoError(t, err)
	require.Less(t, testing.AllocsPerRun(10, func() { err = d.Decode(b, &got) }), 2.0)
	require.NoError(t, err)
}

// FuzzDecode: whatever the bytes, and with a checksum that fits, decoding ends
// in an error or in frames that pack and unpack to themselves.
func FuzzDecode(f *testing.F) {
	for _, s := range []signal{{cells: 3, frames: 40, noise: 1}, {cells: 2, frames: 700, noise: 2, pulsed: true}, {cells: 1, frames: 1, noise: 1}} {
		c, _ := s.columns(11)
		b, err := NewEncoder(s.cells).Encode(nil, c)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b[:len(b)-4])
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		d := &Decoder{}
		var c Columns
		if err := d.Decode(body, &c); err == nil {
			t.Log("a checksum by chance")
		}
		if err := d.Decode(sealed(body), &c); err != nil {
			if !errors.Is(err, ErrCorrupt) && !errors.Is(err, ErrVersion) {
				t.Fatalf("unnamed error: %v", err)
			}
			return
		}
		if c.Len()*len(c.Counts) < 1<<16 {
			roundTrip(t, NewEncoder(0), d, &c)
		}
	})
}
