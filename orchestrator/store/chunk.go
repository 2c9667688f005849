package store

import (
	"sort"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
)

const (
	// A chunk is sealed at framesMost frames, samplesMost counts, textLong bytes
	// of lines or, in a live run, spanMost of time, whichever comes first.
	framesMost  = 6000
	framesLeast = 64
	samplesMost = 1 << 22
	textLong    = 1 << 20
	spanMost    = 600 * drivers.Second
)

// chunk is a stretch of a run in memory: what will be sealed together. Parts of
// it are durable as pieces before that.
type chunk struct {
	no     uint32
	frames *block.Columns
	room   int // frames that fit
	frame0 uint64

	line0 uint64
	text  []byte
	lines int
	// loose are the lines that no piece has taken yet; only among them can a
	// line that comes late still find its place.
	loose             []looseLine
	firstSeq, lastSeq uint64 // of the lines

	// What is durable as pieces, and their keys.
	durableFrames, durableText, durableLines int
	pieces                                   [][]byte
	// doubtful are the keys of pieces whose commit failed: a disk that reports an
	// error may have stored them all the same. The next piece takes their place.
	doubtful [][]byte
}

// looseLine is where a line lies in a chunk's text.
type looseLine struct {
	seq uint64
	at  int
}

// roomFor is how many frames of so many channels a chunk holds.
func roomFor(channels int) int {
	return min(framesMost, max(framesLeast, samplesMost/max(channels, 1)))
}

func newChunk(channels, room int) *chunk {
	return &chunk{room: room, frames: block.NewColumns(channels, room)}
}

// reset makes the chunk empty, with its place in the run.
func (c *chunk) reset(no uint32, channels int, frame0, line0 uint64) {
	c.no, c.frame0, c.line0 = no, frame0, line0
	c.frames.Reset(channels, c.room)
	c.text, c.lines, c.loose = c.text[:0], 0, c.loose[:0]
	c.firstSeq, c.lastSeq = 0, 0
	c.durableFrames, c.durableText, c.durableLines = 0, 0, 0
	c.pieces, c.doubtful = nil, nil
}

// full says that frame at instant at, or a line, no longer belongs here.
func (c *chunk) full(at drivers.Instant, virtual bool) bool {
	n := c.frames.Len()
	switch {
	case n >= c.room, len(c.text) >= textLong:
		return true
	case n == 0 || virtual:
		return false
	}
	return at.Sub(c.frames.At[0]) >= spanMost
}

// line adds a line in the order of sequence numbers: lines that are made durable
// at once come from another goroutine, and so a little late.
func (c *chunk) line(seq uint64, at drivers.Instant, line string) {
	if c.lines == 0 || seq < c.firstSeq {
		c.firstSeq = seq
	}
	c.lastSeq = max(c.lastSeq, seq)
	c.lines++
	k := len(c.loose)
	if k == 0 || c.loose[k-1].seq <= seq {
		c.loose = append(c.loose, looseLine{seq, len(c.text)})
		c.text = appendLine(c.text, seq, at, line)
		return
	}
	k = sort.Search(k, func(i int) bool { return c.loose[i].seq > seq })
	row := appendLine(nil, seq, at, line)
	place := c.loose[k].at
	c.text = append(c.text, row...)
	copy(c.text[place+len(row):], c.text[place:])
	copy(c.text[place:], row)
	c.loose = append(c.loose, looseLine{})
	copy(c.loose[k+1:], c.loose[k:])
	c.loose[k] = looseLine{seq, place}
	for i := k + 1; i < len(c.loose); i++ {
		c.loose[i].at += len(row)
	}
}

// oldest is the instant of the first frame that is not durable, 0 for none.
func (c *chunk) oldest() drivers.Instant {
	if c == nil || c.durableFrames >= c.frames.Len() {
		return 0
	}
	return c.frames.At[c.durableFrames]
}

// settled says that everything in the chunk is durable in pieces.
func (c *chunk) settled() bool {
	return c.durableFrames == c.frames.Len() && c.durableLines == c.lines
}
