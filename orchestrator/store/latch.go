package store

import (
	"fmt"
	"strings"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
)

// SetLatch latches a bench durably, from the reserve if need be (INV-05). A
// bench that is latched already keeps its first latch; the audit trail has both.
func (s *Store) SetLatch(l Latch) error {
	if err := checkName("bench", l.Bench); err != nil {
		return err
	}
	err := s.update(urgent, 0, func(tx *bolt.Tx) error { return putLatch(tx, l) })
	if err != nil {
		return fmt.Errorf("latch bench %s: %w", l.Bench, err)
	}
	return nil
}

func putLatch(tx *bolt.Tx, l Latch) error {
	b := tx.Bucket(latchBucket)
	if b.Get([]byte(l.Bench)) == nil {
		if err := putJSON(b, []byte(l.Bench), l); err != nil {
			return err
		}
	}
	return putAudit(tx, Audit{At: l.At, Bench: l.Bench, Run: l.Run, What: "latch", Text: l.Reason})
}

// Latch returns the bench's latch, and false where there is none.
func (s *Store) Latch(bench string) (l Latch, found bool, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		found, err = getJSON(tx.Bucket(latchBucket), []byte(bench), &l)
		return err
	})
	return l, found, err
}

// ClearLatch records a person's acknowledgement and clears the latch, from the
// reserve if need be (INV-05).
func (s *Store) ClearLatch(bench, who, reason string, at drivers.Instant) error {
	if strings.TrimSpace(who) == "" || strings.TrimSpace(reason) == "" {
		return fmt.Errorf("clear the latch of bench %s: %w", bench, ErrNoReason)
	}
	err := s.update(urgent, 0, func(tx *bolt.Tx) error {
		b := tx.Bucket(latchBucket)
		var l Latch
		found, err := getJSON(b, []byte(bench), &l)
		if err != nil {
			return err
		}
		if !found {
			return ErrNotLatched
		}
		if err := b.Delete([]byte(bench)); err != nil {
			return err
		}
		// The acknowledgement answers for the energised mark of a tripped run too.
		if err := tx.Bucket(markBucket).Delete([]byte(bench)); err != nil {
			return err
		}
		return putAudit(tx, Audit{At: at, Who: who, Bench: bench, Run: l.Run, What: "acknowledge", Text: reason})
	})
	if err != nil {
		return fmt.Errorf("clear the latch of bench %s: %w", bench, err)
	}
	return nil
}
