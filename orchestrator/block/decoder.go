package block

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"

	"github.com/klauspost/compress/fse"

	"github.com/rigwarden/rigwarden/drivers"
)

// Decoder unpacks blocks. Its memory is kept from block to block; it is for one
// goroutine at a time. The zero value is ready.
type Decoder struct {
	series  []described
	groups  []unpacked
	members []int // series of each group
	clock   [clockColumns][]int32
	clocked [clockColumns]line
	u       []uint32
	edges   []int32 // of the reference
	scratch fse.Scratch
}

// described is one series' description as read.
type described struct {
	model   model
	base    int32
	gaps    []gap
	group   int
	present bool // false for clock columns kept in full
}

// line is a clock column's straight line.
type line struct {
	full          bool
	first, stride uint64
}

// unpacked is one group's tokens and extra bits.
type unpacked struct {
	tokens []byte // what is left of them
	extra  bitReader
	memory []byte
}

// Decode fills c with the frames of the block, which must be exactly b.
// ErrCorrupt and ErrVersion say what is wrong with it; c is then empty.
func (d *Decoder) Decode(b []byte, c *Columns) error {
	c.Reset(0, 0)
	if err := d.decode(b, c); err != nil {
		c.Reset(0, 0)
		return err
	}
	return nil
}

func (d *Decoder) decode(b []byte, c *Columns) error {
	in, err := open(b)
	if err != nil {
		return err
	}
	n, m, err := in.shape()
	if err != nil {
		return err
	}
	c.Reset(m, n)
	if n > 0 {
		if err := d.body(in, c, n, m); err != nil {
			return err
		}
	}
	if len(in.b) > 0 {
		return fmt.Errorf("%w: %d bytes left over", ErrCorrupt, len(in.b))
	}
	return nil
}

// open checks version and checksum.
func open(b []byte) (*input, error) {
	if len(b) < 1+1+1+4 {
		return nil, fmt.Errorf("%w: %d bytes are no block", ErrCorrupt, len(b))
	}
	body, sum := b[:len(b)-4], binary.LittleEndian.Uint32(b[len(b)-4:])
	if got := crc32.Checksum(body, castagnoli); got != sum {
		return nil, fmt.Errorf("%w: checksum %08x, stored %08x", ErrCorrupt, got, sum)
	}
	if body[0] != version {
		return nil, fmt.Errorf("%w %d; this program reads %d", ErrVersion, body[0], version)
	}
	return &input{b: body[1:]}, nil
}

// shape reads and bounds the numbers of frames and channels, before any memory
// is taken for them.
func (in *input) shape() (frames, channels int, err error) {
	n, m := in.uvarint(), in.uvarint()
	switch {
	case in.err != nil:
		return 0, 0, in.err
	case n > MaxFrames || m > MaxChannels || n*m > MaxSamples:
		return 0, 0, fmt.Errorf("%w: claims %d frames of %d channels", ErrCorrupt, n, m)
	}
	return int(n), int(m), nil
}

func (d *Decoder) body(in *input, c *Columns, n, m int) error {
	c.At, c.Seq, c.Echo = c.At[:n], c.Seq[:n], c.Echo[:n]
	for i := range c.Counts {
		c.Counts[i] = c.Counts[i][:n]
	}
	if err := d.readClocks(in, c, n); err != nil {
		return err
	}
	reference, limit := int(in.bounded(uint64(m)))-1, int64(0)
	if reference >= 0 {
		limit = int64(in.bounded(1 << 40))
	}
	tokens, err := d.readSeries(in, n, m)
	if err != nil {
		return err
	}
	if err := d.readGroups(in, tokens, n-1); err != nil {
		return err
	}
	d.u = grow(d.u, max(n-1, 0))
	return d.rebuild(c, n, reference, limit)
}

func (d *Decoder) readClocks(in *input, c *Columns, n int) error {
	for k := range clockColumns {
		d.clocked[k] = line{}
		switch in.byte() {
		case clockLine:
			d.clocked[k].first = uint64(in.varint())
			d.clocked[k].stride = uint64(in.varint())
		case clockFull:
			d.clocked[k].full = true
			v := uint64(0)
			for i := range n {
				v += uint64(in.varint())
				setClock(c, k, i, v)
			}
		default:
			in.fail("unknown kind of clock column")
		}
		if in.err != nil {
			return in.err
		}
	}
	return nil
}

func setClock(c *Columns, column, i int, v uint64) {
	switch column {
	case 0:
		c.At[i] = drivers.Instant(v)
	case 1:
		c.Seq[i] = v
	default:
		c.Echo[i] = v
	}
}

// readSeries reads the descriptions and returns how many series each group has.
func (d *Decoder) readSeries(in *input, n, m int) ([]int, error) {
	s := m + clockColumns
	if cap(d.series) < s {
		d.series = append(d.series[:cap(d.series)], make([]described, s-cap(d.series))...)
	}
	d.series = d.series[:s]
	members := d.members[:0]
	base := int32(0)
	for i := range d.series {
		p := &d.series[i]
		*p = described{gaps: p.gaps[:0], group: -1}
		if i < clockColumns && d.clocked[i].full {
			continue
		}
		p.present = true
		in.describe(p, base, n)
		base = p.base
		if p.model.predictor != constant {
			p.group = int(in.bounded(uint64(s - 1)))
			for len(members) <= p.group {
				members = append(members, 0)
			}
			members[p.group]++
		}
		if in.err != nil {
			return nil, fmt.Errorf("series %d: %w", i, in.err)
		}
	}
	d.members = members
	return members, nil
}

// describe reads one series' description.
func (in *input) describe(p *described, base int32, n int) {
	head := in.byte()
	p.model.predictor = predictor(head & predictorMask)
	if head&^knownFlags != 0 || p.model.predictor > trackerLast {
		in.fail("unknown kind of series")
		return
	}
	p.base = base + int32(in.varint())
	if head&flagGain != 0 {
		p.model.gain = in.varint()
		if p.model.predictor < tracker1 || p.model.gain > maxGain || p.model.gain < -maxGain {
			in.fail("reference gain out of place")
		}
	}
	if head&flagGaps != 0 {
		in.gaps(p, n)
	}
}

func (in *input) gaps(p *described, n int) {
	count := in.bounded(uint64(n))
	at := 0
	for range count {
		from := at + int(in.bounded(uint64(n-at)))
		to := from + int(in.bounded(uint64(n-from)))
		if in.err != nil {
			return
		}
		p.gaps = append(p.gaps, gap{from, to})
		at = to
	}
}

// readGroups unpacks every group: members[g] series of n tokens each.
func (d *Decoder) readGroups(in *input, members []int, n int) error {
	count := int(in.bounded(uint64(len(members))))
	if in.err == nil && (count != len(members) || n == 0 && count > 0) {
		in.fail("groups missing")
	}
	if in.err != nil {
		return in.err
	}
	if cap(d.groups) < count {
		d.groups = append(d.groups[:cap(d.groups)], make([]unpacked, count-cap(d.groups))...)
	}
	d.groups = d.groups[:count]
	for g, series := range members {
		how, payload := mode(in.byte()), in.bytes()
		extra := in.bytes()
		if in.err != nil {
			return in.err
		}
		if err := d.unpack(&d.groups[g], how, payload, series*n); err != nil {
			return fmt.Errorf("group %d: %w", g, err)
		}
		d.groups[g].extra = bitReader{in: extra}
	}
	return nil
}

func (d *Decoder) unpack(g *unpacked, how mode, payload []byte, tokens int) error {
	switch how {
	case plain:
		g.tokens = payload
	case repeated:
		if len(payload) != 1 {
			return fmt.Errorf("%w: %d bytes for one repeated token", ErrCorrupt, len(payload))
		}
		g.memory = grow(g.memory, tokens)
		for i := range g.memory {
			g.memory[i] = payload[0]
		}
		g.tokens = g.memory
	case entropy:
		// The library checks its limit every 256 bytes and before it is exact.
		d.scratch.DecompressLimit = tokens + 1
		d.scratch.Out = grow(g.memory, tokens+512)[:0]
		out, err := fse.Decompress(payload, &d.scratch)
		d.scratch.Out = nil
		if err != nil {
			return fmt.Errorf("%w: %w", ErrCorrupt, err)
		}
		g.tokens, g.memory = out, out
	default:
		return fmt.Errorf("%w: unknown mode %d", ErrCorrupt, how)
	}
	if len(g.tokens) != tokens {
		return fmt.Errorf("%w: %d tokens of %d", ErrCorrupt, len(g.tokens), tokens)
	}
	return nil
}
