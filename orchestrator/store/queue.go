package store

import (
	"encoding/json"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
)

// queueBucket holds what each bench is to do next: bench -> JSON Queue. It is made
// with the first of them, as that of first checks is.
var queueBucket = []byte("queues")

// QueueEntry is one thing that a bench is to do.
type QueueEntry struct {
	ID string `json:"id"`
	// Module, Profile and Criteria name a run; the sums are those of the texts as
	// they were when it was queued. Ask is a step for a person instead.
	Module      string          `json:"module,omitempty"`
	Profile     string          `json:"profile,omitempty"`
	ProfileSum  string          `json:"profile_sha256,omitempty"`
	Criteria    string          `json:"criteria,omitempty"`
	CriteriaSum string          `json:"criteria_sha256,omitempty"`
	Ask         string          `json:"ask,omitempty"`
	Automatic   bool            `json:"automatic,omitempty"`
	State       string          `json:"state"`
	Question    string          `json:"question,omitempty"`
	Run         string          `json:"run,omitempty"`
	Who         string          `json:"who"`
	Added       drivers.Instant `json:"added_us"`
}

// Queue is what a bench is to do next, in order. The store keeps it and lets
// nothing begin.
type Queue struct {
	Bench string `json:"bench"`
	// Last is the number of the latest entry.
	Last uint32 `json:"last"`
	// Held is why nothing begins; a person lets it go on.
	Held      string          `json:"held,omitempty"`
	HeldAt    drivers.Instant `json:"held_us,omitempty"`
	Connected string          `json:"connected,omitempty"`
	Unstored  bool            `json:"unstored,omitempty"`
	Entries   []QueueEntry    `json:"entries,omitempty"`
}

// PutQueue stores a bench's queue as it is now, the texts that its entries name,
// and who changed it and how; durable on return.
func (s *Store) PutQueue(q Queue, a Audit, texts ...[]byte) error {
	if err := checkName("bench", q.Bench); err != nil {
		return err
	}
	doc, err := json.Marshal(q)
	if err != nil {
		return err
	}
	n := len(doc) + len(a.Text)
	for _, t := range texts {
		n += len(t)
	}
	a.Bench = q.Bench
	err = s.update(routine, n, func(tx *bolt.Tx) error {
		b, err := tx.CreateBucketIfNotExists(queueBucket)
		if err != nil {
			return err
		}
		for _, t := range texts {
			if err := putText(tx, t); err != nil {
				return err
			}
		}
		if err := b.Put([]byte(q.Bench), doc); err != nil {
			return err
		}
		return putAudit(tx, a)
	})
	if err != nil {
		return fmt.Errorf("queue of bench %s: %w", q.Bench, err)
	}
	return nil
}

// Queue returns a bench's queue, an empty one where none was stored.
func (s *Store) Queue(bench string) (q Queue, err error) {
	q.Bench = bench
	err = s.view(func(tx *bolt.Tx) error {
		b := tx.Bucket(queueBucket)
		if b == nil {
			return nil
		}
		_, err := getJSON(b, []byte(bench), &q)
		return err
	})
	if err != nil {
		err = fmt.Errorf("queue of bench %s: %w", bench, err)
	}
	return q, err
}

// QueueBenches names the benches of which a queue is stored.
func (s *Store) QueueBenches() (names []string, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		b := tx.Bucket(queueBucket)
		if b == nil {
			return nil
		}
		return b.ForEach(func(k, _ []byte) error {
			names = append(names, string(k))
			return nil
		})
	})
	return names, err
}

// QueueText returns a text that a queue's entry names by its digest.
func (s *Store) QueueText(sum string) (text []byte, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		packed := tx.Bucket(textBucket).Get([]byte(sum))
		if packed == nil {
			return ErrNotFound
		}
		text, err = unpackText(packed)
		text = append([]byte(nil), text...)
		return err
	})
	if err == nil && textSum(text) != sum {
		err = errors.Join(ErrDamaged, errors.New("it has changed"))
	}
	if err != nil {
		return nil, fmt.Errorf("queued text %.12s: %w", sum, err)
	}
	return text, nil
}

// TextSum is the digest by which the store names a text.
func TextSum(text []byte) string { return textSum(text) }
