package block

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Sizes that no block exceeds; they bound what a hostile block can make a
// decoder allocate.
const (
	MaxFrames   = 1 << 20
	MaxChannels = 1 << 13
	// MaxSamples bounds frames times channels: 64 MiB of counts.
	MaxSamples = 1 << 24
)

// Errors of the codec.
var (
	// ErrCorrupt: the bytes are not a whole, undamaged block.
	ErrCorrupt = errors.New("corrupt block")
	// ErrVersion: the block was written by a newer format.
	ErrVersion = errors.New("unknown block version")
	// ErrSize: more frames or channels than a block may hold, or columns of
	// different lengths.
	ErrSize = errors.New("block size out of range")
)

// Columns is a run of frames of one layout, channel by channel. The zero value
// is empty; Reset gives it its channels. It may be reused for ever.
type Columns struct {
	At   []drivers.Instant
	Seq  []uint64
	Echo []uint64
	// Counts has one slice per channel, each as long as At.
	Counts [][]int32

	backing []int32
}

// NewColumns returns empty columns with room for the given number of frames.
func NewColumns(channels, frames int) *Columns {
	c := &Columns{}
	c.Reset(channels, frames)
	return c
}

// Reset empties c, gives it the number of channels and room for at least the
// given number of frames, keeping the memory it has where that is enough.
func (c *Columns) Reset(channels, frames int) {
	c.At, c.Seq, c.Echo = c.At[:0], c.Seq[:0], c.Echo[:0]
	if cap(c.At) < frames {
		c.At = make([]drivers.Instant, 0, frames)
		c.Seq = make([]uint64, 0, frames)
		c.Echo = make([]uint64, 0, frames)
	}
	if cap(c.Counts) < channels {
		c.Counts = make([][]int32, channels)
	}
	c.Counts = c.Counts[:channels]
	stride := columnStride(frames)
	if len(c.backing) < channels*stride {
		c.backing = make([]int32, channels*stride)
	}
	for i := range c.Counts {
		c.Counts[i] = c.backing[i*stride : i*stride : (i+1)*stride]
	}
}

// columnStride spaces columns so that the tails of neighbours do not fall into
// one set of the processor's cache, as they would at powers of two.
func columnStride(frames int) int {
	return (frames+15)/16*16 + 16
}

// Len returns the number of frames.
func (c *Columns) Len() int { return len(c.At) }

// Append adds a frame, copying its counts. It allocates only where the room
// given to Reset is used up.
func (c *Columns) Append(f *drivers.Frame) error {
	if len(f.Counts) != len(c.Counts) {
		return fmt.Errorf("%w: frame %d has %d channels, its layout %d", ErrSize, f.Seq, len(f.Counts), len(c.Counts))
	}
	c.At = append(c.At, f.At)
	c.Seq = append(c.Seq, f.Seq)
	c.Echo = append(c.Echo, f.Echo)
	for i, v := range f.Counts {
		c.Counts[i] = append(c.Counts[i], v)
	}
	return nil
}

// AppendColumns adds every frame of o, which has as many channels.
func (c *Columns) AppendColumns(o *Columns) error {
	if len(o.Counts) != len(c.Counts) {
		return fmt.Errorf("%w: columns of %d channels after columns of %d", ErrSize, len(o.Counts), len(c.Counts))
	}
	c.At = append(c.At, o.At...)
	c.Seq = append(c.Seq, o.Seq...)
	c.Echo = append(c.Echo, o.Echo...)
	for i := range c.Counts {
		c.Counts[i] = append(c.Counts[i], o.Counts[i]...)
	}
	return nil
}

// Frame fills f with frame i, reusing f's counts.
func (c *Columns) Frame(i int, f *drivers.Frame) {
	f.At, f.Seq, f.Echo = c.At[i], c.Seq[i], c.Echo[i]
	f.Counts = f.Counts[:0]
	for _, column := range c.Counts {
		f.Counts = append(f.Counts, column[i])
	}
}

// View makes v show frames from up to, not including, to of c without copying.
// Appending to c afterwards leaves v as it is; v must not be appended to.
func (c *Columns) View(v *Columns, from, to int) {
	v.At, v.Seq, v.Echo = c.At[from:to:to], c.Seq[from:to:to], c.Echo[from:to:to]
	if cap(v.Counts) < len(c.Counts) {
		v.Counts = make([][]int32, len(c.Counts))
	}
	v.Counts = v.Counts[:len(c.Counts)]
	for i, column := range c.Counts {
		v.Counts[i] = column[from:to:to]
	}
	v.backing = nil
}

// check reports columns that cannot make a block.
func (c *Columns) check() error {
	n, m := len(c.At), len(c.Counts)
	if n > MaxFrames || m > MaxChannels || n*m > MaxSamples {
		return fmt.Errorf("%w: %d frames of %d channels; at most %d frames, %d channels and %d counts", ErrSize, n, m, MaxFrames, MaxChannels, MaxSamples)
	}
	if len(c.Seq) != n || len(c.Echo) != n {
		return fmt.Errorf("%w: %d instants, %d sequence numbers, %d echoes", ErrSize, n, len(c.Seq), len(c.Echo))
	}
	for i, column := range c.Counts {
		if len(column) != n {
			return fmt.Errorf("%w: channel %d has %d counts of %d", ErrSize, i, len(column), n)
		}
	}
	return nil
}

// Digest is the SHA-256 of the frames themselves, independent of how they are
// packed: frame and channel numbers as 64-bit words, then all instants, all
// sequence numbers, all echoes (64 bit each) and each channel's counts (32 bit
// each), everything little-endian.
func (c *Columns) Digest() [sha256.Size]byte {
	h := sha256.New()
	const room = 8192
	buf := binary.LittleEndian.AppendUint64(make([]byte, 0, room), uint64(len(c.At)))
	buf = binary.LittleEndian.AppendUint64(buf, uint64(len(c.Counts)))
	word := func(v uint64) {
		if len(buf) > room-8 {
			h.Write(buf)
			buf = buf[:0]
		}
		buf = binary.LittleEndian.AppendUint64(buf, v)
	}
	for _, at := range c.At {
		word(uint64(at))
	}
	for _, seq := range c.Seq {
		word(seq)
	}
	for _, echo := range c.Echo {
		word(echo)
	}
	h.Write(buf)
	buf = buf[:room]
	for _, column := range c.Counts {
		for len(column) > 0 {
			n := min(len(column), room/4)
			for i, v := range column[:n] {
				binary.LittleEndian.PutUint32(buf[4*i:], uint32(v))
			}
			h.Write(buf[:4*n])
			column = column[n:]
		}
	}
	var sum [sha256.Size]byte
	h.Sum(sum[:0])
	return sum
}
