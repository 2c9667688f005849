package store

import (
	"encoding/binary"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// recover brings runs without a clean end to one: what was durable in pieces is
// sealed, the run is marked interrupted, and a bench whose energised mark is
// still there is latched (INV-05, INV-06). It runs before anything can be armed,
// and may be cut short and repeated at any point.
func (s *Store) recover() error {
	var open []uint32
	if err := s.view(func(tx *bolt.Tx) error {
		return tx.Bucket(openBucket).ForEach(func(k, _ []byte) error {
			open = append(open, binary.BigEndian.Uint32(k))
			return nil
		})
	}); err != nil {
		return err
	}
	for _, no := range open {
		if err := s.recoverRun(no); err != nil {
			return fmt.Errorf("recover run %s: %w", runID(no), err)
		}
	}
	return s.latchMarks()
}

func (s *Store) recoverRun(no uint32) error {
	left, err := s.salvage(no)
	if err != nil {
		return err
	}
	found := Recovery{Run: left.info.ID, Bench: left.info.Bench}
	err = s.update(routine, left.bytes(), func(tx *bolt.Tx) error { return left.put(tx, s.now(), true, &found) })
	if errors.Is(err, ErrFull) {
		// What is in pieces stays in pieces; the end is recorded all the same.
		err = s.update(urgent, 0, func(tx *bolt.Tx) error { return left.put(tx, s.now(), false, &found) })
	}
	if err == nil && left.info.Outcome == "" {
		s.recovered = append(s.recovered, found)
	}
	return err
}

// leftover is what a run without a clean end left behind.
type leftover struct {
	no     uint32
	info   RunInfo
	next   uint32 // number of the chunk after the last sealed one
	prev   sum
	frames uint64 // sealed so far
	lines  uint64
	last   drivers.Instant // of frames and lines
	chunks []*chunk
	sealed []*sealed
	bad    int // pieces that cannot be read
}

// salvage reads the run's pieces and urgent lines and packs them.
func (s *Store) salvage(no uint32) (*leftover, error) {
	left := &leftover{no: no}
	var layout *drivers.Layout
	err := s.view(func(tx *bolt.Tx) error {
		found, err := getJSON(tx.Bucket(runBucket), key32(no), &left.info)
		if err != nil {
			return err
		}
		if !found {
			return fmt.Errorf("%w: it is listed as open and does not exist", ErrDamaged)
		}
		return left.lastLink(tx)
	})
	if err == nil {
		layout, err = s.Layout(left.info.ID)
	}
	if err != nil {
		return nil, err
	}
	err = s.view(func(tx *bolt.Tx) error {
		if err := left.collect(tx, len(layout.Channels)); err != nil {
			return err
		}
		return left.urgent(tx, len(layout.Channels))
	})
	if err != nil {
		return nil, err
	}
	return left, left.pack(layout)
}

// lastLink finds where the sealed chunks end.
func (o *leftover) lastLink(tx *bolt.Tx) error {
	o.prev, o.last = genesis(&o.info), o.info.Start
	k, v := lastOf(tx.Bucket(chunkBucket).Cursor(), o.no)
	if k == nil {
		return nil
	}
	l, _, err := parseLink(v)
	if err != nil {
		return err
	}
	o.prev, o.next = l.hash, binary.BigEndian.Uint32(k[4:])+1
	o.frames, o.lines = l.frame0+uint64(l.frames), l.line0+uint64(l.lines)
	if l.frames > 0 {
		o.last = max(o.last, l.lastAt)
	}
	return nil
}

// collect takes in the run's pieces.
func (o *leftover) collect(tx *bolt.Tx, channels int) error {
	var d block.Decoder
	var frames block.Columns
	c := tx.Bucket(pieceBucket).Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		if binary.BigEndian.Uint32(k[8:]) != o.no {
			continue
		}
		p, err := parsePiece(v)
		if err != nil {
			return err
		}
		into := o.chunk(p.chunk, channels)
		into.pieces = append(into.pieces, append([]byte(nil), k...))
		if err := o.takeFrames(into, &d, &frames, &p); err != nil {
			o.bad++
		}
		if err := o.takeLines(into, &p); err != nil {
			o.bad++
		}
	}
	return nil
}

// chunk returns the chunk of that number, the last one or a new one.
func (o *leftover) chunk(no uint32, channels int) *chunk {
	if n := len(o.chunks); n > 0 && o.chunks[n-1].no == no {
		return o.chunks[n-1]
	}
	c := newChunk(channels, 0)
	c.reset(no, channels, o.frames, o.lines)
	o.chunks = append(o.chunks, c)
	return c
}

func (o *leftover) takeFrames(into *chunk, d *block.Decoder, frames *block.Columns, p *piece) error {
	if p.frames == 0 {
		return nil
	}
	if err := d.Decode(p.block, frames); err != nil {
		return err
	}
	if err := into.frames.AppendColumns(frames); err != nil {
		return err
	}
	o.frames += uint64(frames.Len())
	_, last := extremes(frames.At)
	o.last = max(o.last, last)
	return nil
}

func (o *leftover) takeLines(into *chunk, p *piece) error {
	if p.lines == 0 {
		return nil
	}
	text, err := unpackText(p.text)
	for err == nil && len(text) > 0 {
		var e Event
		if e, text, err = nextLine(text); err == nil {
			into.line(e.Seq, e.At, e.Line)
			o.lines++
			o.last = max(o.last, e.At)
		}
	}
	into.loose = into.loose[:0] // their order is as it was stored
	return err
}

// urgent takes in the lines that were durable ahead of those before them.
func (o *leftover) urgent(tx *bolt.Tx, channels int) error {
	c := tx.Bucket(urgentBucket).Cursor()
	for k, v := c.Seek(key3264(o.no, o.lines)); k != nil && binary.BigEndian.Uint32(k) == o.no; k, v = c.Next() {
		e, _, err := nextLine(v)
		if err != nil {
			o.bad++
			continue
		}
		into := o.chunk(o.lastChunk(), channels)
		into.line(e.Seq, e.At, e.Line)
		o.last = max(o.last, e.At)
	}
	return nil
}

func (o *leftover) lastChunk() uint32 {
	if n := len(o.chunks); n > 0 {
		return o.chunks[n-1].no
	}
	return o.next
}

// pack seals what was collected.
func (o *leftover) pack(l *drivers.Layout) error {
	e := block.NewEncoder(l.Find(drivers.ModuleCurrent))
	var b binner
	for _, c := range o.chunks {
		link := link{frame0: c.frame0, line0: c.line0, lines: uint32(c.lines)}
		link.span(c.frames, c.firstSeq, c.lastSeq)
		s, err := packChunk(e, &b, c.no, link, c.frames, c.text, o.prev)
		if err != nil {
			return err
		}
		s.pieces = c.pieces
		o.prev = s.link.hash
		o.sealed = append(o.sealed, s)
	}
	return nil
}

// bytes is about how much sealing stores.
func (o *leftover) bytes() int {
	n := 0
	for _, s := range o.sealed {
		n += s.bytes()
	}
	return n
}

// put writes the sealed chunks and the run's end.
func (o *leftover) put(tx *bolt.Tx, now drivers.Instant, seal bool, found *Recovery) error {
	info := o.info
	if seal {
		for _, s := range o.sealed {
			if err := s.put(tx, o.no); err != nil {
				return err
			}
		}
		if err := dropUrgent(tx, o.no, ^uint64(0)); err != nil {
			return err
		}
		info.Head = hexSum(o.prev)
	}
	if err := extent(tx, o.no, &info); err != nil {
		return err
	}
	found.Frames, found.LastFrame = info.Frames, info.LastFrame
	if seal {
		if err := tx.Bucket(openBucket).Delete(key32(o.no)); err != nil {
			return err
		}
	}
	if info.Outcome == "" {
		info.Outcome, info.Reason, info.End = machine.OutcomeInterrupted, noCleanEnd, o.last
		if o.bad > 0 {
			info.Reason += fmt.Sprintf("; %d damaged parts are lost", o.bad)
		}
		if err := putAudit(tx, Audit{At: now, Bench: info.Bench, Run: info.ID, What: "interrupt", Text: info.Reason}); err != nil {
			return err
		}
		energised, err := latchMark(tx, []byte(info.Bench), info.ID, now)
		if err != nil {
			return err
		}
		found.Energised = energised
	}
	return putJSON(tx.Bucket(runBucket), key32(o.no), info)
}

// latchMark turns the bench's energised mark into a latch; run, where not empty,
// is the run that the mark must be of.
func latchMark(tx *bolt.Tx, bench []byte, run string, now drivers.Instant) (bool, error) {
	b := tx.Bucket(markBucket)
	var m mark
	found, err := getJSON(b, bench, &m)
	if err != nil || !found || run != "" && m.Run != run {
		return false, err
	}
	if err := b.Delete(bench); err != nil {
		return false, err
	}
	return true, putLatch(tx, Latch{
		Bench: string(bench), Run: m.Run, At: now,
		Reason: fmt.Sprintf("run %s may have been energised when its recording process ended (permit of epoch %d)", m.Run, m.Epoch),
	})
}

// latchMarks latches benches whose mark belongs to no open run: no path leaves
// such a one, and if one does it is unsafe, not absent.
func (s *Store) latchMarks() error {
	var benches [][]byte
	err := s.view(func(tx *bolt.Tx) error {
		return tx.Bucket(markBucket).ForEach(func(k, _ []byte) error {
			benches = append(benches, append([]byte(nil), k...))
			return nil
		})
	})
	if err != nil || len(benches) == 0 {
		return err
	}
	return s.update(urgent, 0, func(tx *bolt.Tx) error {
		for _, bench := range benches {
			if _, err := latchMark(tx, bench, "", s.now()); err != nil {
				return err
			}
		}
		return nil
	})
}
