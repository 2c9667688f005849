package store

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
)

// sum is a SHA-256.
type sum = [sha256.Size]byte

// link is one link of a run's hash chain: what a sealed chunk holds, by number
// and by digest, tied to the link before. It does not depend on how the frames
// and lines are packed.
type link struct {
	frame0            uint64 // number of the first frame, counted in the run
	frames            uint32
	line0             uint64
	lines             uint32
	firstAt, lastAt   drivers.Instant // earliest and latest frame
	firstSeq          uint64          // lowest sequence number of frames and lines
	lastSeq           uint64
	prev              sum
	frameSum, lineSum sum
	hash              sum
}

// A link as stored: one byte of version, then its fields in order, big-endian.
const (
	linkVersion = 1
	linkFields  = 8 + 4 + 8 + 4 + 8 + 8 + 8 + 8
	linkSize    = 1 + linkFields + 4*sha256.Size
)

func (l *link) appendFields(b []byte) []byte {
	b = binary.BigEndian.AppendUint64(b, l.frame0)
	b = binary.BigEndian.AppendUint32(b, l.frames)
	b = binary.BigEndian.AppendUint64(b, l.line0)
	b = binary.BigEndian.AppendUint32(b, l.lines)
	b = binary.BigEndian.AppendUint64(b, uint64(l.firstAt))
	b = binary.BigEndian.AppendUint64(b, uint64(l.lastAt))
	b = binary.BigEndian.AppendUint64(b, l.firstSeq)
	b = binary.BigEndian.AppendUint64(b, l.lastSeq)
	b = append(b, l.prev[:]...)
	b = append(b, l.frameSum[:]...)
	return append(b, l.lineSum[:]...)
}

func (l *link) append(b []byte) []byte {
	b = append(b, linkVersion)
	return append(l.appendFields(b), l.hash[:]...)
}

// seal computes the link's hash: SHA-256 over "link 1\n" and its fields.
func (l *link) seal() sum {
	return sha256.Sum256(l.appendFields([]byte("link 1\n")))
}

// parseLink splits a stored chunk into its link and its frame block.
func parseLink(v []byte) (l link, frames []byte, err error) {
	if len(v) < linkSize || v[0] != linkVersion {
		return l, nil, fmt.Errorf("%w: chunk header of %d bytes, version %d", ErrDamaged, len(v), first(v))
	}
	in := v[1:]
	word := func() uint64 {
		x := binary.BigEndian.Uint64(in)
		in = in[8:]
		return x
	}
	half := func() uint32 {
		x := binary.BigEndian.Uint32(in)
		in = in[4:]
		return x
	}
	l.frame0, l.frames = word(), half()
	l.line0, l.lines = word(), half()
	l.firstAt, l.lastAt = drivers.Instant(word()), drivers.Instant(word())
	l.firstSeq, l.lastSeq = word(), word()
	for _, to := range []*sum{&l.prev, &l.frameSum, &l.lineSum, &l.hash} {
		in = in[copy(to[:], in):]
	}
	return l, in, nil
}

func first(v []byte) int {
	if len(v) == 0 {
		return -1
	}
	return int(v[0])
}

// genesis is what a run's first link is tied to: what was fixed when it began.
func genesis(i *RunInfo) sum {
	text, err := json.Marshal([]any{i.ID, i.Bench, i.Module, i.Profile, i.PlanSum, i.LayoutSum, i.CriteriaSum, int64(i.Start), i.Who})
	if err != nil {
		panic("run cannot be marshalled: " + err.Error()) // strings and numbers only
	}
	return sha256.Sum256(append([]byte("run 1\n"), text...))
}

// span fills the link's instants and sequence numbers from frames and lines.
func (l *link) span(c *block.Columns, firstLine, lastLine uint64) {
	l.firstAt, l.lastAt = extremes(c.At)
	switch {
	case l.lines > 0:
		l.firstSeq, l.lastSeq = firstLine, lastLine
	case c.Len() > 0:
		l.firstSeq, l.lastSeq = c.Seq[0], c.Seq[0]
	}
	for _, seq := range c.Seq {
		l.firstSeq, l.lastSeq = min(l.firstSeq, seq), max(l.lastSeq, seq)
	}
}

// extremes returns the earliest and the latest instant, 0 and 0 without any.
func extremes(at []drivers.Instant) (earliest, latest drivers.Instant) {
	for i, t := range at {
		if i == 0 || t < earliest {
			earliest = t
		}
		if i == 0 || t > latest {
			latest = t
		}
	}
	return earliest, latest
}

func hexSum(s sum) string { return hex.EncodeToString(s[:]) }

func textSum(b []byte) string { return hexSum(sha256.Sum256(b)) }
