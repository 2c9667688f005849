package store

import (
	"crypto/sha256"
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

// Audit calls fn for each entry of the audit trail, the oldest first, and
// reports ErrChain at the first that does not follow from the one before. No
// transaction is open while fn runs.
func (s *Store) Audit(fn func(Audit) error) error {
	var last Audit
	for {
		batch, err := s.auditAfter(last.Number)
		if err != nil || len(batch) == 0 {
			return err
		}
		for _, a := range batch {
			hash, err := auditHash(a, last.Hash)
			if err != nil {
				return err
			}
			if a.Hash != hash || a.Number != last.Number+1 {
				return fmt.Errorf("audit entry %d: %w", a.Number, ErrChain)
			}
			if err := fn(a); err != nil {
				return err
			}
			last = a
		}
	}
}

// auditBatch bounds what one transaction copies.
const auditBatch = 256

func (s *Store) auditAfter(number uint64) (batch []Audit, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		c := tx.Bucket(auditBucket).Cursor()
		for k, v := c.Seek(key64(number + 1)); k != nil && len(batch) < auditBatch; k, v = c.Next() {
			var a Audit
			if err := json.Unmarshal(v, &a); err != nil {
				return fmt.Errorf("%w: audit trail: %w", ErrDamaged, err)
			}
			batch = append(batch, a)
		}
		return nil
	})
	return batch, err
}
