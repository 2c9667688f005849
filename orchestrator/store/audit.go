package store

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"

	bolt "go.etcd.io/bbolt"
)

// putAudit appends an entry to the audit trail, tied to the one before.
func putAudit(tx *bolt.Tx, a Audit) error {
	b := tx.Bucket(auditBucket)
	var last Audit
	if k, v := b.Cursor().Last(); k != nil {
		if err := json.Unmarshal(v, &last); err != nil {
			return fmt.Errorf("%w: audit trail: %w", ErrDamaged, err)
		}
	}
	a.Number = last.Number + 1
	var err error
	if a.Hash, err = auditHash(a, last.Hash); err != nil {
		return err
	}
	return putJSON(b, key64(a.Number), a)
}

// Note adds what a person did to the audit trail, where nothing else is stored
// of it.
func (s *Store) Note(a Audit) error {
	if a.What == "" {
		return fmt.Errorf("%w: an audit entry without a word for what was done", ErrBadValue)
	}
	if err := s.update(routine, len(a.Text), func(tx *bolt.Tx) error { return putAudit(tx, a) }); err != nil {
		return fmt.Errorf("note %s of bench %s: %w", a.What, a.Bench, err)
	}
	return nil
}

// auditHash is SHA-256 over the hash before, a line break and the entry's JSON
// without its own hash.
func auditHash(a Audit, before string) (string, error) {
	a.Hash = ""
	text, err := json.Marshal(a)
	if err != nil {
		return "", err
	}
	return hexSum(sha256.Sum256(append([]byte(before+"\n"), text...))), nil
}

// Follows reports ErrChain unless the entry is the one after before; before the
// first one there is the zero entry.
func (a *Audit) Follows(before *Audit) error {
	hash, err := auditHash(*a, before.Hash)
	if err == nil && (a.Hash != hash || a.Number != before.Number+1) {
		err = fmt.Errorf("audit entry %d: %w", a.Number, ErrChain)
	}
	return err
}

// Audit calls fn for each entry of the audit trail, the oldest first, and
// reports ErrChain at the first that does not follow from the one before. No
// transaction is open while fn runs.
func (s *Store) Audit(fn func(Audit) error) error {
	var last Audit
	return s.Trail(func(a Audit) error {
		if err := a.Follows(&last); err != nil {
			return err
		}
		last = a
		return fn(a)
	})
}

// Trail is Audit for a reader that follows the chain itself: it hands every
// entry out, the broken ones too.
func (s *Store) Trail(fn func(Audit) error) error {
	var last uint64
	for {
		batch, key, err := s.auditAfter(last)
		if err != nil || len(batch) == 0 {
			return err
		}
		for _, a := range batch {
			if err := fn(a); err != nil {
				return err
			}
		}
		last = key
	}
}

// auditBatch bounds what one transaction copies.
const auditBatch = 256

// auditAfter returns the entries behind a key, and the key of the last of them:
// what an entry calls itself may have been tampered with.
func (s *Store) auditAfter(number uint64) (batch []Audit, last uint64, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		c := tx.Bucket(auditBucket).Cursor()
		for k, v := c.Seek(key64(number + 1)); k != nil && len(batch) < auditBatch; k, v = c.Next() {
			var a Audit
			if err := json.Unmarshal(v, &a); err != nil {
				return fmt.Errorf("%w: audit trail: %w", ErrDamaged, err)
			}
			batch, last = append(batch, a), binary.BigEndian.Uint64(k)
		}
		return nil
	})
	return batch, last, err
}
