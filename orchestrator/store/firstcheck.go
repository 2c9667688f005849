package store

import (
	"bytes"
	"encoding/json"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Check is a first check of a module, as it was made. The store keeps it and
// judges nothing.
type Check struct {
	At  drivers.Instant `json:"at_us"`
	Who string          `json:"who"`
	// Method is hand, taps, pulse or insulation; Grade its gravest finding.
	Method string `json:"method"`
	Grade  string `json:"grade"`
	// Input is what was measured, in words; Findings the JSON of what was found.
	Input    string          `json:"input"`
	Findings json.RawMessage `json:"findings"`
	// Run is the run whose frames were judged, where one was.
	Run string `json:"run,omitempty"`
	// Digest is that of the module's file then: a check of another file's module
	// says nothing of this one.
	Digest string `json:"digest"`
}

// PutCheck adds a first check to a registered module's. Nothing is ever
// replaced; the audit trail names it.
func (s *Store) PutCheck(serial string, c Check) error {
	if err := checkName("serial", serial); err != nil {
		return err
	}
	if !json.Valid(c.Findings) || c.Method == "" || c.Grade == "" {
		return fmt.Errorf("first check of %s: %w: method %q, grade %q, findings of %d bytes; all of them, in JSON, would be right", serial, ErrBadValue, c.Method, c.Grade, len(c.Findings))
	}
	err := s.update(routine, len(c.Findings)+len(c.Input), func(tx *bolt.Tx) error {
		m, n, err := latestModule(tx, serial)
		switch {
		case err != nil:
			return err
		case n == 0:
			return ErrNotFound
		}
		c.Digest = m.Digest
		b, err := tx.CreateBucketIfNotExists(checkBucket)
		if err != nil {
			return err
		}
		prefix, count := modulePrefix(serial), 0
		cur := b.Cursor()
		for k, _ := cur.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, _ = cur.Next() {
			count++
		}
		if err := putJSON(b, moduleKey(serial, count), c); err != nil {
			return err
		}
		return putAudit(tx, Audit{At: c.At, Who: c.Who, Run: c.Run, What: "check", Text: fmt.Sprintf("module %s, %s: %s", serial, c.Method, c.Grade)})
	})
	if err != nil {
		return fmt.Errorf("first check of %s: %w", serial, err)
	}
	return nil
}

// Checks returns a module's first checks, the oldest first.
func (s *Store) Checks(serial string) (list []Check, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		b := tx.Bucket(checkBucket)
		if b == nil {
			return nil
		}
		prefix := modulePrefix(serial)
		c := b.Cursor()
		for k, v := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, v = c.Next() {
			var check Check
			if err := json.Unmarshal(v, &check); err != nil {
				return fmt.Errorf("%w: first check of %s: %w", ErrDamaged, serial, err)
			}
			list = append(list, check)
		}
		return nil
	})
	return list, err
}
