package store

import (
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
)

// walk hands every part of the run to fn, outside of any transaction. A part
// that fn finds damaged is left out and named in the error at the end; any other
// error of fn's ends the walk.
func (s *Store) walk(id string, w walker, fn func(part) error) error {
	no, err := runNumber(id)
	if err != nil {
		return err
	}
	if _, err := s.Run(id); err != nil {
		return err
	}
	w.s, w.no = s, no
	var damaged []error
	for done := false; !done; {
		var parts []part
		if parts, done, err = w.next(); err != nil {
			return fmt.Errorf("run %s: %w", id, err)
		}
		for _, p := range parts {
			err := fn(p)
			switch {
			case err == nil:
			case isDamage(err) && len(damaged) < damagedMost:
				damaged = append(damaged, fmt.Errorf("run %s: chunk %d: %w", id, p.chunk, err))
			default:
				return err
			}
		}
	}
	return errors.Join(damaged...)
}

// damagedMost bounds how many damaged parts are passed over.
const damagedMost = 100

// damage marks an error of ours, apart from the caller's own.
type damage struct{ error }

func (d damage) Unwrap() []error { return []error{ErrDamaged, d.error} }

func isDamage(err error) bool {
	var d damage
	return errors.As(err, &d)
}

// Events calls fn for each line of the run whose sequence number is at least
// fromSeq, in order. No transaction is open while fn runs.
func (s *Store) Events(id string, fromSeq uint64, fn func(Event) error) error {
	return s.walk(id, walker{want: wantLines, seq: fromSeq}, func(p part) error {
		text, err := unpackText(p.data)
		if err != nil {
			return damage{err}
		}
		for i := 0; len(text) > 0; i++ {
			var e Event
			if e, text, err = nextLine(text); err != nil {
				return damage{err}
			}
			if i < p.skip || e.Seq < fromSeq {
				continue
			}
			e.Ahead = p.urgent
			if err := fn(e); err != nil {
				return err
			}
		}
		return nil
	})
}

// Frames calls fn for each frame of the run from up to, not including, to, in
// order; to 0 means all. The frame is valid until fn returns. No transaction is
// open while fn runs. A run that goes on is read up to what was durable when
// the end was reached. Damaged blocks are passed over and named in the error.
func (s *Store) Frames(id string, from, to drivers.Instant, fn func(*drivers.Frame) error) error {
	var d block.Decoder
	var c block.Columns
	var f drivers.Frame
	return s.walk(id, walker{want: wantFrames, from: from, to: to}, func(p part) error {
		if err := d.Decode(p.data, &c); err != nil {
			return damage{err}
		}
		for i := p.skip; i < c.Len(); i++ {
			if c.At[i] < from || to != 0 && c.At[i] >= to {
				continue
			}
			c.Frame(i, &f)
			if err := fn(&f); err != nil {
				return err
			}
		}
		return nil
	})
}

// Aggregates calls fn for each bin of the level (one of Levels) that overlaps
// from up to, not including, to; to 0 means all. The bin is valid until fn
// returns.
func (s *Store) Aggregates(id string, level drivers.Span, from, to drivers.Instant, fn func(*Bin) error) error {
	place := -1
	for i, l := range Levels {
		if l == level {
			place = i
		}
	}
	if place < 0 {
		return fmt.Errorf("aggregates over %d us: %w; there are %v", level, ErrBadValue, Levels)
	}
	var d block.Decoder
	var c, view, bins block.Columns
	var b binner
	j := binJoiner{span: level, from: from, to: to, fn: fn}
	err := s.walk(id, walker{want: wantBins, level: level, from: from, to: to}, func(p part) error {
		if err := d.Decode(p.data, &c); err != nil {
			return damage{err}
		}
		if p.isBins {
			return j.columns(&c)
		}
		c.View(&view, min(p.skip, c.Len()), c.Len())
		t := &b.tables[place]
		t.fill(&view, level)
		t.columns(&bins)
		return j.columns(&bins)
	})
	if err != nil && !isDamage(err) {
		return err
	}
	return errors.Join(j.flush(), err)
}

// Blocks calls fn for each stored block of the run (sealed blocks and pieces,
// as Frames sees them) that overlaps from up to, not including, to, in order,
// undecoded; to 0 means all. Readers in other processes decode, so that the
// serving process never has to (package block). The bytes are the callee's to
// keep. No transaction is open while fn runs.
//
// Only where a chunk is sealed just as its pieces are being read is what was
// not read yet cut out of it, which takes decoding that one block.
func (s *Store) Blocks(id string, from, to drivers.Instant, fn func(b []byte) error) error {
	return s.walk(id, walker{want: wantFrames, from: from, to: to}, func(p part) error {
		if p.skip == 0 {
			return fn(p.data)
		}
		rest, err := cut(p.data, p.skip)
		if err != nil {
			return damage{err}
		}
		return fn(rest)
	})
}

// cut packs the frames of a block anew, without the first ones.
func cut(b []byte, skip int) ([]byte, error) {
	var d block.Decoder
	var c, rest block.Columns
	if err := d.Decode(b, &c); err != nil {
		return nil, err
	}
	c.View(&rest, min(skip, c.Len()), c.Len())
	return block.NewEncoder(-1).Encode(nil, &rest)
}
