package store

import (
	"encoding/binary"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Check reads the whole file and reports everything that is not as it must be:
// pages, keys, blocks, chains. Nothing is written meanwhile.
func (s *Store) Check() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	errs := []error{s.checkPages()}
	runs, err := s.Runs(RunFilter{})
	errs = append(errs, err)
	for _, info := range runs {
		errs = append(errs, s.Verify(info.ID))
	}
	errs = append(errs,
		s.Audit(func(Audit) error { return nil }),
		s.view(checkRuns), s.view(checkChunks), s.view(checkTails), s.view(checkModules), s.view(checkBenches))
	return errors.Join(errs...)
}

// checkPages is bbolt's own check: every page is reachable once or free.
func (s *Store) checkPages() error {
	return s.view(func(tx *bolt.Tx) error {
		var errs []error
		for err := range tx.Check() {
			errs = append(errs, fmt.Errorf("%w: %w", ErrDamaged, err))
		}
		return errors.Join(errs...)
	})
}

// wrong is one finding of a check.
func wrong(format string, args ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{ErrDamaged}, args...)...)
}

// checkRuns: an open run is listed as open, an ended one has a head unless it is.
func checkRuns(tx *bolt.Tx) error {
	return tx.Bucket(runBucket).ForEach(func(k, _ []byte) error {
		var info RunInfo
		if _, err := getJSON(tx.Bucket(runBucket), k, &info); err != nil {
			return err
		}
		open := tx.Bucket(openBucket).Get(k) != nil
		judged := tx.Bucket(figuresBucket).Get(k) != nil
		switch {
		case info.ID != runID(binary.BigEndian.Uint32(k)):
			return wrong("run %x calls itself %s", k, info.ID)
		case info.Outcome == "" && !open:
			return wrong("run %s has not ended and is not listed as open", info.ID)
		case info.Head == "" && !open:
			return wrong("run %s is not sealed and not listed as open", info.ID)
		case judged != (info.Verdict != Unproven) && info.Verdict != Unproven:
			return wrong("run %s is judged %s without figures", info.ID, info.Verdict)
		}
		return nil
	})
}

// checkChunks: chunks of a run are numbered without gaps and have their lines
// and aggregates, which belong to nothing else.
func checkChunks(tx *bolt.Tx) error {
	var run, due uint32
	lines, bins := 0, 0
	err := tx.Bucket(chunkBucket).ForEach(func(k, v []byte) error {
		no, chunk := binary.BigEndian.Uint32(k), binary.BigEndian.Uint32(k[4:])
		if no != run {
			run, due = no, 0
		}
		if chunk != due {
			return wrong("run %s: chunk %d where %d was due", runID(no), chunk, due)
		}
		due++
		l, _, err := parseLink(v)
		if err != nil {
			return err
		}
		if l.lines > 0 {
			lines++
			if tx.Bucket(lineBucket).Get(k) == nil {
				return wrong("run %s: chunk %d has lost its lines", runID(no), chunk)
			}
		}
		if l.frames > 0 {
			bins += len(Levels)
			return checkBins(tx, no, chunk)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if n := tx.Bucket(lineBucket).Stats().KeyN; n != lines {
		return wrong("%d chunks of lines where %d belong to something", n, lines)
	}
	if n := tx.Bucket(binBucket).Stats().KeyN; n != bins {
		return wrong("%d blocks of bins where %d belong to something", n, bins)
	}
	return nil
}

func checkBins(tx *bolt.Tx, no, chunk uint32) error {
	for _, level := range Levels {
		if tx.Bucket(binBucket).Get(binKey(no, level, chunk)) == nil {
			return wrong("run %s: chunk %d has no bins of %d s", runID(no), chunk, level/drivers.Second)
		}
	}
	return nil
}

// checkTails: pieces and urgent lines belong to runs that are open, pieces to
// chunks that are not sealed, and the pieces of a run follow each other.
func checkTails(tx *bolt.Tx) error {
	next := map[uint32]uint64{}
	err := tx.Bucket(pieceBucket).ForEach(func(k, v []byte) error {
		no := binary.BigEndian.Uint32(k[8:])
		p, err := parsePiece(v)
		if err != nil {
			return err
		}
		if tx.Bucket(openBucket).Get(key32(no)) == nil {
			return wrong("run %s has pieces and is not open", runID(no))
		}
		if tx.Bucket(chunkBucket).Get(key3232(no, p.chunk)) != nil {
			return wrong("run %s: chunk %d is sealed and has pieces", runID(no), p.chunk)
		}
		if due, seen := next[no]; seen && p.frame0 != due {
			return wrong("run %s: a piece begins at frame %d, %d was due", runID(no), p.frame0, due)
		}
		next[no] = p.frame0 + uint64(p.frames)
		return nil
	})
	if err != nil {
		return err
	}
	return tx.Bucket(urgentBucket).ForEach(func(k, v []byte) error {
		if tx.Bucket(openBucket).Get(k[:4]) == nil {
			return wrong("run %s has urgent lines and is not open", runID(binary.BigEndian.Uint32(k)))
		}
		_, _, err := nextLine(v)
		return err
	})
}

// checkModules: every module's digest fits its text.
func checkModules(tx *bolt.Tx) error {
	b := tx.Bucket(moduleBucket)
	return b.ForEach(func(k, _ []byte) error {
		var m Module
		if _, err := getJSON(b, k, &m); err != nil {
			return err
		}
		if m.Digest != textSum([]byte(m.Source)) {
			return wrong("module %s: its text has changed", m.Serial)
		}
		return nil
	})
}

// checkBenches: marks and latches can be read.
func checkBenches(tx *bolt.Tx) error {
	marks, latches := tx.Bucket(markBucket), tx.Bucket(latchBucket)
	err := marks.ForEach(func(k, _ []byte) error {
		_, err := getJSON(marks, k, &mark{})
		return err
	})
	if err != nil {
		return err
	}
	return latches.ForEach(func(k, _ []byte) error {
		_, err := getJSON(latches, k, &Latch{})
		return err
	})
}
