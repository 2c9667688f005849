package store

import (
	"bytes"
	"encoding/json"
	"fmt"

	bolt "go.etcd.io/bbolt"
)

// PutFigures stores the judge's answer for a run that has ended, once. The same
// answer again changes nothing; another one is ErrExists.
func (s *Store) PutFigures(f Figures) error {
	no, err := runNumber(f.Run)
	if err != nil {
		return err
	}
	if err := checkName("verdict", f.Verdict); err != nil {
		return err
	}
	err = s.update(routine, len(f.Figures)+len(f.Reasons), func(tx *bolt.Tx) error {
		var info RunInfo
		found, err := getJSON(tx.Bucket(runBucket), key32(no), &info)
		switch {
		case err != nil:
			return err
		case !found:
			return ErrNotFound
		case info.Outcome == "":
			return ErrRunning
		}
		b := tx.Bucket(figuresBucket)
		var old Figures
		if found, err = getJSON(b, key32(no), &old); err != nil {
			return err
		}
		if found {
			return sameFigures(&old, &f)
		}
		info.Verdict = f.Verdict
		if err := putJSON(tx.Bucket(runBucket), key32(no), info); err != nil {
			return err
		}
		if err := putJSON(b, key32(no), f); err != nil {
			return err
		}
		return putAudit(tx, Audit{At: f.At, Bench: info.Bench, Run: f.Run, What: "judge", Text: f.Verdict + " " + f.Digest + " " + f.Sum()})
	})
	if err != nil {
		return fmt.Errorf("figures of run %s: %w", f.Run, err)
	}
	return nil
}

// Sum is the SHA-256 of both documents without white space, in hex. The audit
// trail keeps it, so that figures that were changed later can be told from
// figures that a later program computes otherwise.
func (f *Figures) Sum() string {
	var text bytes.Buffer
	for _, doc := range []json.RawMessage{f.Figures, f.Reasons} {
		if json.Compact(&text, doc) != nil {
			text.Write(doc)
		}
		text.WriteByte('\n')
	}
	return textSum(text.Bytes())
}

func sameFigures(old, f *Figures) error {
	if old.Verdict == f.Verdict && old.Digest == f.Digest && sameJSON(old.Figures, f.Figures) && sameJSON(old.Reasons, f.Reasons) {
		return nil
	}
	return fmt.Errorf("%w: judged %s with digest %.12s", ErrExists, old.Verdict, old.Digest)
}

// sameJSON compares two documents but for their white space.
func sameJSON(a, b json.RawMessage) bool {
	var x, y bytes.Buffer
	return bytes.Equal(a, b) || json.Compact(&x, a) == nil && json.Compact(&y, b) == nil && bytes.Equal(x.Bytes(), y.Bytes())
}

// Figures returns the judge's answer.
func (s *Store) Figures(id string) (f Figures, err error) {
	no, err := runNumber(id)
	if err != nil {
		return f, err
	}
	err = s.view(func(tx *bolt.Tx) error {
		found, err := getJSON(tx.Bucket(figuresBucket), key32(no), &f)
		if err == nil && !found {
			err = ErrNotFound
		}
		return err
	})
	if err != nil {
		return f, fmt.Errorf("figures of run %s: %w", id, err)
	}
	return f, nil
}
