package store

import (
	"encoding/json"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
)

// mark is the energised mark of a bench.
type mark struct {
	Run   string          `json:"run"`
	Epoch uint64          `json:"epoch"`
	At    drivers.Instant `json:"at_us"`
}

// Urgent appends a line and makes it durable at once, from the reserve if need
// be, ahead of the routine commits.
func (r *Recorder) Urgent(seq uint64, at drivers.Instant, line string) error {
	return r.urgent(seq, at, line, func(*bolt.Tx) error { return nil })
}

// MarkEnergised appends the permit's line and makes it durable at once together
// with the bench's energised mark. Nothing is energised before it returned nil
// (INV-05). Until Finish or MarkSafe, a start without a clean end latches.
func (r *Recorder) MarkEnergised(seq uint64, at drivers.Instant, epoch uint64, line string) error {
	return r.urgent(seq, at, line, func(tx *bolt.Tx) error {
		return putJSON(tx.Bucket(markBucket), []byte(r.start.Bench), mark{Run: r.ID(), Epoch: epoch, At: at})
	})
}

// MarkSafe takes the energised mark away: zero current was measured and the
// contactors are open.
func (r *Recorder) MarkSafe() error {
	err := r.s.update(urgent, 0, func(tx *bolt.Tx) error { return r.dropMark(tx) })
	if err != nil {
		return fmt.Errorf("run %s: mark safe: %w", r.ID(), err)
	}
	return nil
}

// dropMark deletes the bench's mark if it is this run's.
func (r *Recorder) dropMark(tx *bolt.Tx) error {
	b := tx.Bucket(markBucket)
	var m mark
	found, err := getJSON(b, []byte(r.start.Bench), &m)
	if err != nil || !found || m.Run != r.ID() {
		return err
	}
	return b.Delete([]byte(r.start.Bench))
}

// Trip appends the trip's line and makes it durable at once together with the
// bench's latch (INV-05). A bench that is latched already keeps its first latch.
func (r *Recorder) Trip(seq uint64, at drivers.Instant, line, reason string) error {
	return r.urgent(seq, at, line, func(tx *bolt.Tx) error {
		return putLatch(tx, Latch{Bench: r.start.Bench, Run: r.ID(), Reason: reason, At: at})
	})
}

// urgent appends the line and makes it durable at once together with what more
// writes. The line keeps its place among the others; its durable copy goes when
// they have become durable.
func (r *Recorder) urgent(seq uint64, at drivers.Instant, line string, more func(*bolt.Tx) error) error {
	number, err := r.line(seq, at, line)
	if err != nil {
		return err
	}
	err = r.s.update(urgent, 0, func(tx *bolt.Tx) error {
		key := key3264(r.no, number)
		if err := tx.Bucket(urgentBucket).Put(key, appendLine(nil, seq, at, line)); err != nil {
			return err
		}
		return more(tx)
	})
	if err != nil {
		return fmt.Errorf("run %s: %q cannot be made durable: %w", r.ID(), line, err)
	}
	return nil
}

func putJSON(b *bolt.Bucket, key []byte, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return b.Put(key, text)
}

func getJSON(b *bolt.Bucket, key []byte, v any) (found bool, err error) {
	text := b.Get(key)
	if text == nil {
		return false, nil
	}
	if err := json.Unmarshal(text, v); err != nil {
		return false, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return true, nil
}
