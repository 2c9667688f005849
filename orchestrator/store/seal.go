package store

import (
	"crypto/sha256"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
)

// sealed is a chunk packed for good, on its way to the disk.
type sealed struct {
	no     uint32
	link   link
	value  []byte // link and frame block
	text   []byte // packed lines, nil without lines
	bins   [len(Levels)][]byte
	pieces [][]byte        // keys of the pieces that it replaces
	oldest drivers.Instant // first frame that no piece holds, 0 for none
}

// packChunk packs frames and lines whose place in the run l tells, and ties
// them to the link before.
func packChunk(e *block.Encoder, b *binner, no uint32, l link, frames *block.Columns, text []byte, prev sum) (*sealed, error) {
	l.frames = uint32(frames.Len())
	l.prev, l.frameSum, l.lineSum = prev, frames.Digest(), sha256.Sum256(text)
	l.hash = l.seal()
	s := &sealed{no: no, link: l, value: l.append(nil)}
	var err error
	if s.value, err = e.Encode(s.value, frames); err != nil {
		return nil, fmt.Errorf("chunk %d: %w", no, err)
	}
	if l.lines > 0 {
		s.text = packText(text)
	}
	if frames.Len() > 0 {
		if s.bins, err = b.pack(frames); err != nil {
			return nil, fmt.Errorf("aggregates of chunk %d: %w", no, err)
		}
	}
	return s, nil
}

// bytes is about how much the chunk stores.
func (s *sealed) bytes() int {
	n := len(s.value) + len(s.text)
	for _, b := range s.bins {
		n += len(b)
	}
	return n
}

// put writes the chunk and takes away what it replaces, in one transaction, so
// that a reader finds either or.
func (s *sealed) put(tx *bolt.Tx, run uint32) error {
	key := key3232(run, s.no)
	if err := tx.Bucket(chunkBucket).Put(key, s.value); err != nil {
		return err
	}
	if s.text != nil {
		if err := tx.Bucket(lineBucket).Put(key, s.text); err != nil {
			return err
		}
	}
	for i, level := range Levels {
		if s.bins[i] == nil {
			continue
		}
		if err := tx.Bucket(binBucket).Put(binKey(run, level, s.no), s.bins[i]); err != nil {
			return err
		}
	}
	for _, piece := range s.pieces {
		if err := tx.Bucket(pieceBucket).Delete(piece); err != nil {
			return err
		}
	}
	return dropUrgent(tx, run, s.link.line0+uint64(s.link.lines))
}

func binKey(run uint32, level drivers.Span, chunk uint32) []byte {
	return key323232(run, uint32(level/drivers.Second), chunk)
}

// dropUrgent deletes the run's urgent lines that are now stored with the others:
// all under number before.
func dropUrgent(tx *bolt.Tx, run uint32, before uint64) error {
	c := tx.Bucket(urgentBucket).Cursor()
	end := string(key3264(run, before))
	for k, _ := c.Seek(key32(run)); k != nil && string(k) < end; k, _ = c.Seek(key32(run)) {
		if err := c.Delete(); err != nil {
			return err
		}
	}
	return nil
}

// work is what one commit does for one recorder.
type work struct {
	r      *Recorder
	sealed []*sealed
	end    *ending

	// The piece, and how far its chunk is durable with it.
	value               []byte
	key                 []byte
	from                *chunk
	chunk               uint32
	frames, text, lines int
	line1               uint64
}

// bytes is about how much the work stores.
func (w *work) bytes() int {
	n := len(w.value)
	for _, s := range w.sealed {
		n += s.bytes()
	}
	return n
}

// empty says that there is nothing to do.
func (w *work) empty() bool { return len(w.sealed) == 0 && w.value == nil && w.end == nil }

// sealFull packs the chunk that waits for it. The caller holds encode.
func (r *Recorder) sealFull() error {
	r.mu.Lock()
	c := r.full
	r.mu.Unlock()
	if c == nil {
		return nil
	}
	l := link{frame0: c.frame0, line0: c.line0, lines: uint32(c.lines)}
	l.span(c.frames, c.firstSeq, c.lastSeq)
	s, err := packChunk(r.encoder, &r.binner, c.no, l, c.frames, c.text, r.head)
	if err != nil {
		return fmt.Errorf("run %s: %w", r.ID(), err)
	}
	s.pieces, s.oldest = append(c.pieces, c.doubtful...), c.oldest()
	r.head = s.link.hash
	r.mu.Lock()
	r.sealed = append(r.sealed, s)
	r.sealedBytes += len(s.value)
	r.full, r.spare = nil, c
	r.mu.Unlock()
	return nil
}

// take packs what is to be committed. The caller holds encode until settle.
func (r *Recorder) take(end *ending) (*work, error) {
	if err := r.sealFull(); err != nil {
		return nil, err
	}
	w := &work{r: r, end: end}
	if end != nil {
		r.mu.Lock()
		if r.active.frames.Len() > 0 || r.active.lines > 0 {
			r.full = r.active
			r.active = newChunk(0, 0)
			r.active.reset(r.chunks, 0, r.frames, r.lines)
		}
		r.mu.Unlock()
		if err := r.sealFull(); err != nil {
			return nil, err
		}
	}
	var view block.Columns
	var text []byte
	r.mu.Lock()
	w.sealed = append(w.sealed, r.sealed...)
	c := r.active
	w.from, w.chunk = c, c.no
	w.frames, w.text, w.lines = c.frames.Len(), len(c.text), c.lines
	c.frames.View(&view, c.durableFrames, w.frames)
	text = append(text, c.text[c.durableText:]...)
	p := piece{
		chunk: c.no, frame0: c.frame0 + uint64(c.durableFrames), frames: uint32(view.Len()),
		line0: c.line0 + uint64(c.durableLines), lines: uint32(c.lines - c.durableLines),
	}
	c.loose = c.loose[:0]
	r.mu.Unlock()
	w.line1 = p.line0 + uint64(p.lines)
	return w, r.packPiece(w, p, &view, text)
}

func (r *Recorder) packPiece(w *work, p piece, frames *block.Columns, text []byte) (err error) {
	if p.frames == 0 && p.lines == 0 {
		return nil
	}
	if p.frames > 0 {
		p.firstAt, p.lastAt = extremes(frames.At)
		r.encoder.Brief = true // the chunk will be packed as a whole
		defer func() { r.encoder.Brief = false }()
		if p.block, err = r.encoder.Encode(nil, frames); err != nil {
			return fmt.Errorf("run %s: frames from %d: %w", r.ID(), p.frame0, err)
		}
	}
	if p.lines > 0 {
		p.text = packText(text)
	}
	w.value = p.append(nil)
	return nil
}

// put writes the work.
func (w *work) put(tx *bolt.Tx) error {
	for _, s := range w.sealed {
		if err := s.put(tx, w.r.no); err != nil {
			return err
		}
	}
	if w.value != nil {
		b := tx.Bucket(pieceBucket)
		for _, key := range w.from.doubtful {
			if err := b.Delete(key); err != nil {
				return err
			}
		}
		n, err := b.NextSequence()
		if err != nil {
			return err
		}
		w.key = pieceKey(n, w.r.no)
		if err := b.Put(w.key, w.value); err != nil {
			return err
		}
		if err := dropUrgent(tx, w.r.no, w.line1); err != nil {
			return err
		}
	}
	if w.end != nil {
		return w.r.putEnd(tx, w.end, true)
	}
	return nil
}

// settle notes what has become durable. The caller holds encode.
func (w *work) settle() {
	r := w.r
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range w.sealed {
		r.sealedBytes -= len(s.value)
	}
	r.sealed = append(r.sealed[:0], r.sealed[len(w.sealed):]...)
	if w.value != nil {
		c := w.from
		c.durableFrames, c.durableText, c.durableLines = w.frames, w.text, w.lines
		c.pieces, c.doubtful = append(c.pieces, w.key), nil
	}
}

// failed notes what the disk may have stored although it reported an error. The
// caller holds encode.
func (w *work) failed() {
	if w.key != nil {
		w.r.mu.Lock()
		w.from.doubtful = append(w.from.doubtful, w.key)
		w.r.mu.Unlock()
	}
}
