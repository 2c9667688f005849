package store

import (
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
)

// BenchLatch is one bench's latch, as the bench's loop wants it kept.
type BenchLatch struct {
	s     *Store
	bench string
}

// BenchLatch returns the latch of a bench.
func (s *Store) BenchLatch(bench string) BenchLatch { return BenchLatch{s, bench} }

// Remembered is the reason of the latch that a starting process finds, or empty.
func (l BenchLatch) Remembered() (string, error) {
	got, found, err := l.s.Latch(l.bench)
	if err != nil || !found {
		return "", err
	}
	return got.Reason, nil
}

// SetLatch latches the bench outside of any run (INV-05).
func (l BenchLatch) SetLatch(reason string, at drivers.Instant) error {
	return l.s.SetLatch(Latch{Bench: l.bench, Reason: reason, At: at})
}

// ClearLatch records a person's acknowledgement. A trip that could not be stored
// in its time is stored with it: the trail gets both.
func (l BenchLatch) ClearLatch(who, reason string, at drivers.Instant) error {
	err := l.s.ClearLatch(l.bench, who, reason, at)
	if !errors.Is(err, ErrNotLatched) {
		return err
	}
	if err := l.SetLatch("a trip that could not be stored in its time", at); err != nil {
		return err
	}
	return l.s.ClearLatch(l.bench, who, reason, at)
}
