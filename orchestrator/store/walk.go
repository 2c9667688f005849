package store

import (
	"bytes"
	"encoding/binary"
	"time"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
)

// A read transaction copies at most so much, or runs so long, and ends: long
// ones keep freed pages from being used again.
const (
	copyMost = 1 << 20
	viewMost = 20 * time.Millisecond
)

// want says what a walk is for.
type want uint8

const (
	wantFrames want = iota
	wantLines
	wantBins
)

// walker goes through a run in order, sealed chunks first and then pieces, in
// transactions of its own. Its place is a frame and a line of the run, so that a
// chunk that is sealed while it walks through the pieces is neither missed nor
// seen twice.
type walker struct {
	s        *Store
	no       uint32
	want     want
	level    drivers.Span    // of bins
	from, to drivers.Instant // of frames and bins; to 0: no end
	seq      uint64          // of lines

	chunk       uint32 // the next to read
	frame, line uint64 // the next to hand on
	piece       []byte // key of the latest piece read

	copied int
	began  time.Time
	parts  []part
}

// part is a copy of something stored, to be decoded outside the transaction.
type part struct {
	chunk  uint32
	link   *link  // nil for a piece
	data   []byte // frame block, packed lines, or block of bins
	isBins bool
	skip   int // frames or lines at its beginning that were handed on before
	urgent bool
}

// next runs one transaction and returns what it copied; done says that there is
// nothing after it.
func (w *walker) next() (parts []part, done bool, err error) {
	w.copied, w.began, w.parts = 0, time.Now(), w.parts[:0]
	err = w.s.view(func(tx *bolt.Tx) error {
		ok, err := w.sealed(tx)
		if err == nil && ok {
			ok, err = w.pieces(tx)
		}
		if err == nil && ok && w.want == wantLines {
			err = w.urgentLines(tx)
		}
		done = ok
		return err
	})
	return w.parts, done, err
}

// spent says that the transaction should end.
func (w *walker) spent() bool {
	return w.copied >= copyMost || time.Since(w.began) >= viewMost
}

// outside says that frames between first and last are not asked for.
func (w *walker) outside(first, last drivers.Instant) bool {
	margin := w.level
	return last.Add(margin) < w.from || w.to != 0 && first.Add(-margin) >= w.to
}

func (w *walker) add(p part, data []byte) {
	p.data = append([]byte(nil), data...)
	w.copied += len(data) + 64
	w.parts = append(w.parts, p)
}

// sealed copies sealed chunks; false when the transaction is spent.
func (w *walker) sealed(tx *bolt.Tx) (bool, error) {
	chunks := tx.Bucket(chunkBucket)
	for !w.spent() {
		key := key3232(w.no, w.chunk)
		v := chunks.Get(key)
		if v == nil {
			return true, nil
		}
		l, frames, err := parseLink(v)
		if err != nil {
			return false, err
		}
		w.takeSealed(tx, key, &l, frames)
		w.chunk++
		w.frame = max(w.frame, l.frame0+uint64(l.frames))
		w.line = max(w.line, l.line0+uint64(l.lines))
	}
	return false, nil
}

func (w *walker) takeSealed(tx *bolt.Tx, key []byte, l *link, frames []byte) {
	p := part{chunk: w.chunk, link: l}
	if w.want == wantLines {
		p.skip = passed(w.line, l.line0)
		if p.skip < int(l.lines) && l.lastSeq >= w.seq {
			w.add(p, tx.Bucket(lineBucket).Get(key))
		}
		return
	}
	p.skip = passed(w.frame, l.frame0)
	if p.skip >= int(l.frames) || w.outside(l.firstAt, l.lastAt) {
		return
	}
	if w.want == wantBins && p.skip == 0 {
		p.isBins = true
		w.add(p, tx.Bucket(binBucket).Get(binKey(w.no, w.level, w.chunk)))
		return
	}
	w.add(p, frames)
}

// passed is how many things numbered from zero on lie before place.
func passed(place, zero uint64) int {
	if place <= zero {
		return 0
	}
	return int(min(place-zero, 1<<31-1))
}

// pieces copies what is not sealed yet; false when the transaction is spent.
func (w *walker) pieces(tx *bolt.Tx) (bool, error) {
	if tx.Bucket(openBucket).Get(key32(w.no)) == nil {
		return true, nil
	}
	c := tx.Bucket(pieceBucket).Cursor()
	k, v := c.First()
	if w.piece != nil {
		if k, v = c.Seek(w.piece); bytes.Equal(k, w.piece) {
			k, v = c.Next()
		}
	}
	for ; k != nil; k, v = c.Next() {
		if w.spent() {
			return false, nil
		}
		if binary.BigEndian.Uint32(k[8:]) == w.no {
			p, err := parsePiece(v)
			if err != nil {
				return false, err
			}
			w.takePiece(&p)
		}
		w.piece = append(w.piece[:0], k...)
	}
	return true, nil
}

func (w *walker) takePiece(p *piece) {
	frames, lines := p.frame0+uint64(p.frames), p.line0+uint64(p.lines)
	switch {
	case w.want == wantLines:
		if w.line < lines {
			w.add(part{chunk: p.chunk, skip: passed(w.line, p.line0)}, p.text)
		}
	case w.frame < frames && !w.outside(p.firstAt, p.lastAt):
		w.add(part{chunk: p.chunk, skip: passed(w.frame, p.frame0)}, p.block)
	}
	w.frame, w.line = max(w.frame, frames), max(w.line, lines)
}

// urgentLines copies lines that became durable ahead of those before them.
func (w *walker) urgentLines(tx *bolt.Tx) error {
	c := tx.Bucket(urgentBucket).Cursor()
	for k, v := c.Seek(key3264(w.no, w.line)); k != nil && binary.BigEndian.Uint32(k) == w.no; k, v = c.Next() {
		w.add(part{chunk: w.chunk, urgent: true}, append([]byte{packedPlain}, v...))
	}
	return nil
}
