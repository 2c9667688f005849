package store

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"

	bolt "go.etcd.io/bbolt"
)

// PutModule registers a module file. The same text again changes nothing;
// another text under the same serial is ErrExists.
func (s *Store) PutModule(m Module) error { return s.putModule(m, false) }

// AmendModule registers a new text under a serial, keeping the old ones.
func (s *Store) AmendModule(m Module) error { return s.putModule(m, true) }

func (s *Store) putModule(m Module, amend bool) error {
	if err := checkName("serial", m.Serial); err != nil {
		return err
	}
	digest := textSum([]byte(m.Source))
	if m.Digest == "" {
		m.Digest = digest
	}
	if m.Digest != digest {
		return fmt.Errorf("module %s: %w: digest %s does not fit its text, whose SHA-256 is %s", m.Serial, ErrBadValue, m.Digest, digest)
	}
	err := s.update(routine, len(m.Source), func(tx *bolt.Tx) error {
		old, n, err := latestModule(tx, m.Serial)
		switch {
		case err != nil:
			return err
		case n > 0 && old.Digest == m.Digest:
			return nil
		case n > 0 && !amend:
			return fmt.Errorf("%w: registered with digest %.12s; amend it to keep both", ErrExists, old.Digest)
		}
		if err := putJSON(tx.Bucket(moduleBucket), moduleKey(m.Serial, n), m); err != nil {
			return err
		}
		return putAudit(tx, Audit{At: m.Registered, Who: m.Who, What: "register", Text: "module " + m.Serial + " " + m.Digest})
	})
	if err != nil {
		return fmt.Errorf("register module %s: %w", m.Serial, err)
	}
	return nil
}

func modulePrefix(serial string) []byte { return append([]byte(serial), 0) }

func moduleKey(serial string, registration int) []byte {
	return binary.BigEndian.AppendUint32(modulePrefix(serial), uint32(registration))
}

// latestModule returns the latest registration and how many there are.
func latestModule(tx *bolt.Tx, serial string) (m Module, n int, err error) {
	prefix := modulePrefix(serial)
	c := tx.Bucket(moduleBucket).Cursor()
	for k, v := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, v = c.Next() {
		m = Module{}
		if err := json.Unmarshal(v, &m); err != nil {
			return m, 0, fmt.Errorf("%w: module %s: %w", ErrDamaged, serial, err)
		}
		n++
	}
	return m, n, nil
}

// Module returns the latest registration of a serial.
func (s *Store) Module(serial string) (Module, error) {
	history, err := s.ModuleHistory(serial)
	if err != nil {
		return Module{}, err
	}
	return history[len(history)-1], nil
}

// ModuleHistory returns every registration of a serial, the oldest first.
func (s *Store) ModuleHistory(serial string) ([]Module, error) {
	history, err := s.modules(modulePrefix(serial))
	if err == nil && len(history) == 0 {
		return nil, fmt.Errorf("module %q: %w", serial, ErrNotFound)
	}
	return history, err
}

// Modules returns the latest registration of every serial, in order of serial.
func (s *Store) Modules() ([]Module, error) {
	all, err := s.modules(nil)
	var latest []Module
	for _, m := range all {
		if n := len(latest); n > 0 && latest[n-1].Serial == m.Serial {
			latest[n-1] = m
			continue
		}
		latest = append(latest, m)
	}
	return latest, err
}

func (s *Store) modules(prefix []byte) (list []Module, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		c := tx.Bucket(moduleBucket).Cursor()
		for k, v := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, v = c.Next() {
			var m Module
			if err := json.Unmarshal(v, &m); err != nil {
				return fmt.Errorf("%w: module %q: %w", ErrDamaged, k, err)
			}
			list = append(list, m)
		}
		return nil
	})
	return list, err
}
