package block

import (
	"encoding/binary"
	"hash/crc32"

	"github.com/klauspost/compress/fse"

	"github.com/rigwarden/rigwarden/drivers"
)

// version is the first byte of every block.
const version = 1

// clockColumns are the columns before the channels: instants, sequence numbers
// and echoes.
const clockColumns = 3

// Flags of a series' description, beside its predictor in the low nibble.
const (
	predictorMask = 0x0f
	flagGaps      = 0x10
	flagGain      = 0x20
	knownFlags    = predictorMask | flagGaps | flagGain
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Encoder packs columns into blocks. Its memory is kept from block to block; it
// is for one goroutine at a time.
type Encoder struct {
	// Reference is the channel whose steps the others follow at once, the
	// measured current; negative where there is none. The result is lossless
	// whatever it says.
	Reference int
	// Brief packs faster and less tightly, for what will soon be packed again: it
	// compares the simplest predictors only. It may change from block to block.
	Brief bool

	clock      [clockColumns][]int32
	filled     []int32 // the series at hand with its gaps filled
	ref        []int32 // the reference with its gaps filled
	edges      []int32 // of the reference
	trialEdges []int32
	u          []uint32
	extras     []uint32 // residuals with extra bits, all series
	tokens     []byte   // all series, one after another
	series     []seriesPlan
	hists      []histogram
	active     []bool
	grouping   grouping
	merged     []byte
	bits       bitWriter
	scratch    fse.Scratch
}

// seriesPlan is how one series is stored.
type seriesPlan struct {
	model          model
	base           int32
	gaps           []gap
	extras, extraN int // range in Encoder.extras
}

// gap is a stretch of counts without a reading.
type gap struct{ from, to int }

// NewEncoder returns an encoder; reference is the position of the measured
// current in the layout, or negative.
func NewEncoder(reference int) *Encoder { return &Encoder{Reference: reference} }

// Encode appends the block of c to dst and returns it.
func (e *Encoder) Encode(dst []byte, c *Columns) ([]byte, error) {
	if err := c.check(); err != nil {
		return dst, err
	}
	start := len(dst)
	n, m := len(c.At), len(c.Counts)
	dst = append(dst, version)
	dst = binary.AppendUvarint(dst, uint64(n))
	dst = binary.AppendUvarint(dst, uint64(m))
	if n > 0 {
		dst = e.encode(dst, c)
	}
	return binary.LittleEndian.AppendUint32(dst, crc32.Checksum(dst[start:], castagnoli)), nil
}

func (e *Encoder) encode(dst []byte, c *Columns) []byte {
	n, m := len(c.At), len(c.Counts)
	e.prepare(n, m)
	dst = e.clocks(dst, c)
	reference := e.Reference
	if reference < 0 || reference >= m {
		reference = -1
	}
	dst = e.writeReference(dst, c, reference)
	for i := range clockColumns {
		if e.clock[i] != nil {
			e.plan(i, e.clock[i], false)
		}
	}
	for i, column := range c.Counts {
		e.plan(clockColumns+i, column, reference >= 0 && i != reference)
	}
	if n > 1 {
		e.grouping.assign(e.hists, e.active, n-1)
	}
	dst = e.describe(dst)
	return e.groups(dst, n-1)
}

// prepare makes room for m channels of n counts.
func (e *Encoder) prepare(n, m int) {
	s := m + clockColumns
	e.filled = grow(e.filled, n)
	e.ref = grow(e.ref, n)
	e.u = grow(e.u, n)
	e.tokens = grow(e.tokens, s*max(n-1, 0))
	e.hists = grow(e.hists, s)
	for i := range e.hists {
		e.hists[i].reset()
	}
	e.active = grow(e.active, s)
	clear(e.active)
	if cap(e.series) < s {
		e.series = append(e.series[:cap(e.series)], make([]seriesPlan, s-cap(e.series))...)
	}
	e.series = e.series[:s]
	e.extras = e.extras[:0]
}

// grow returns s with length n, with new memory only where s has too little.
func grow[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}

// clocks writes how the clock columns are stored: as a straight line and a
// series of what differs from it, or, where that does not fit, in full.
func (e *Encoder) clocks(dst []byte, c *Columns) []byte {
	dst = e.oneClock(dst, 0, func(i int) uint64 { return uint64(c.At[i]) }, len(c.At))
	dst = e.oneClock(dst, 1, func(i int) uint64 { return c.Seq[i] }, len(c.At))
	return e.oneClock(dst, 2, func(i int) uint64 { return c.Echo[i] }, len(c.At))
}

func (e *Encoder) oneClock(dst []byte, column int, at func(int) uint64, n int) []byte {
	first, stride := at(0), clockStride(at, n)
	off := grow(e.clock[column], n)
	fits := true
	for i := range off {
		d := int64(at(i) - first - uint64(i)*uint64(stride))
		off[i] = int32(d)
		fits = fits && int64(off[i]) == d && off[i] != drivers.NoReading
	}
	if fits {
		e.clock[column] = off
		dst = append(dst, clockLine)
		dst = binary.AppendVarint(dst, int64(first))
		return binary.AppendVarint(dst, stride)
	}
	e.clock[column] = nil
	dst = append(dst, clockFull)
	before := uint64(0)
	for i := range n {
		v := at(i)
		dst = binary.AppendVarint(dst, int64(v-before))
		before = v
	}
	return dst
}

// How a clock column is stored.
const (
	clockLine = 0
	clockFull = 1
)

// clockStride is the first step where at least half of the steps are like it,
// else the mean.
func clockStride(at func(int) uint64, n int) int64 {
	if n < 2 {
		return 0
	}
	first, same := at(1)-at(0), 0
	for i := 1; i < n; i++ {
		if at(i)-at(i-1) == first {
			same++
		}
	}
	if 2*same >= n-1 {
		return int64(first)
	}
	return int64(at(n-1)-at(0)) / int64(n-1)
}

// writeReference writes which channel is the reference and what counts as an
// edge of it, and prepares its counts and edges.
func (e *Encoder) writeReference(dst []byte, c *Columns, reference int) []byte {
	dst = binary.AppendUvarint(dst, uint64(reference+1))
	e.edges = e.edges[:0]
	if reference < 0 {
		return dst
	}
	fill(e.ref, c.Counts[reference], nil)
	limit := edgeLimit(e.ref)
	e.edges = edges(e.edges, e.ref, limit)
	return binary.AppendUvarint(dst, uint64(limit))
}

// plan decides how series s is stored and makes its tokens.
func (e *Encoder) plan(s int, x []int32, referable bool) {
	p := &e.series[s]
	*p = seriesPlan{gaps: p.gaps[:0], extras: len(e.extras)}
	x, p.gaps = fill(e.filled, x, p.gaps)
	p.base = x[0]
	if allEqual(x) {
		p.model.predictor = constant
		return
	}
	if referable && len(e.edges) > 0 && !e.Brief {
		p.model.gain = chooseGain(x, e.ref, e.edges)
	}
	p.model.predictor = choosePredictor(e.newTrial(x, p.model.gain))
	e.active[s] = true
	p.model.residuals(e.u, x, e.ref, e.edges)
	n := len(x) - 1
	e.tokenise(e.tokens[s*n:(s+1)*n], e.u[:n], &e.hists[s])
	p.extraN = len(e.extras) - p.extras
}

func (e *Encoder) tokenise(tokens []byte, u []uint32, h *histogram) {
	tokens = tokens[:len(u)]
	highest := uint8(0)
	for i, v := range u {
		t := uint8(v)
		if v >= plainTokens {
			t, _ = token(v)
			e.extras = append(e.extras, v)
		}
		tokens[i] = t
		h.count[t]++
		highest = max(highest, t)
	}
	h.end = max(h.end, int(highest)+1)
}

// fill copies x to dst with every gap bridged by the count before it (or, at
// the start, the first count after it), appending the gaps to list.
func fill(dst, x []int32, list []gap) ([]int32, []gap) {
	dst = dst[:len(x)]
	copy(dst, x)
	for i := 0; i < len(x); i++ {
		if x[i] != drivers.NoReading {
			continue
		}
		from := i
		for i < len(x) && x[i] == drivers.NoReading {
			i++
		}
		bridge := int32(0)
		switch {
		case from > 0:
			bridge = dst[from-1]
		case i < len(x):
			bridge = x[i]
		}
		for j := from; j < i; j++ {
			dst[j] = bridge
		}
		list = append(list, gap{from, i})
	}
	return dst, list
}

func allEqual(x []int32) bool {
	first := x[0]
	for _, v := range x {
		if v != first {
			return false
		}
	}
	return true
}

// describe writes every series' description.
func (e *Encoder) describe(dst []byte) []byte {
	base := int32(0)
	for s := range e.series {
		if s < clockColumns && e.clock[s] == nil {
			continue
		}
		p := &e.series[s]
		head := byte(p.model.predictor)
		if len(p.gaps) > 0 {
			head |= flagGaps
		}
		if p.model.gain != 0 {
			head |= flagGain
		}
		dst = append(dst, head)
		dst = binary.AppendVarint(dst, int64(p.base)-int64(base))
		base = p.base
		if p.model.gain != 0 {
			dst = binary.AppendVarint(dst, p.model.gain)
		}
		if len(p.gaps) > 0 {
			dst = describeGaps(dst, p.gaps)
		}
		if p.model.predictor != constant {
			dst = binary.AppendUvarint(dst, uint64(e.grouping.group[s]))
		}
	}
	return dst
}

func describeGaps(dst []byte, gaps []gap) []byte {
	dst = binary.AppendUvarint(dst, uint64(len(gaps)))
	at := 0
	for _, g := range gaps {
		dst = binary.AppendUvarint(dst, uint64(g.from-at))
		dst = binary.AppendUvarint(dst, uint64(g.to-g.from))
		at = g.to
	}
	return dst
}

// groups writes every group's tokens and extra bits; each active series has n
// tokens.
func (e *Encoder) groups(dst []byte, n int) []byte {
	groups := e.grouping.groups
	if n <= 0 {
		groups = 0
	}
	dst = binary.AppendUvarint(dst, uint64(groups))
	for g := range groups {
		e.merged = e.merged[:0]
		e.bits.reset(e.bits.out[:0])
		var h histogram
		for s := range e.series {
			if e.grouping.group[s] != g {
				continue
			}
			e.merged = append(e.merged, e.tokens[s*n:(s+1)*n]...)
			h.add(&e.hists[s])
			p := &e.series[s]
			for _, u := range e.extras[p.extras : p.extras+p.extraN] {
				_, width := token(u)
				e.bits.write(u, width)
			}
		}
		how, payload := pack(e.merged, &h, &e.scratch)
		extra := e.bits.close()
		dst = append(dst, byte(how))
		dst = binary.AppendUvarint(dst, uint64(len(payload)))
		dst = append(dst, payload...)
		dst = binary.AppendUvarint(dst, uint64(len(extra)))
		dst = append(dst, extra...)
	}
	return dst
}
