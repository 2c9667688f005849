package rehearse

import (
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/store"
)

// shelf is where a process keeps what must outlive it: a store of the product's
// in a folder of its own. It is the bench's latch keeper too.
type shelf struct {
	w    *witness
	disk disk
	dir  string
	st   *store.Store // nil between two lives

	runs      []*ledger
	energised bool   // the mark that precedes energy is durable (INV-05)
	unsure    bool   // it was just being taken away
	latch     string // a trip whose latch is durable and that nobody has acknowledged
	acks      []ack
	busy      bool // a commit is under way, and another must wait
}

// ack is an acknowledgement that the store took.
type ack struct{ who, reason string }

// quotaMost bounds a campaign's file: the longest profiles take a tenth of it.
const quotaMost = 1 << 30

func newShelf(w *witness, fault StoreFault) (*shelf, error) {
	dir, err := os.MkdirTemp("", "rehearsal-")
	if err != nil {
		return nil, err
	}
	return &shelf{w: w, dir: dir, disk: disk{w: w, fault: fault, waits: make(chan bench.Wait)}}, nil
}

// remove takes the folder away, after close.
func (s *shelf) remove() error { return os.RemoveAll(s.dir) }

// open opens the store as a starting process does, which recovers what the one
// before left (INV-05, INV-06), and returns the latch that it finds.
func (s *shelf) open() (latched string, err error) {
	s.disk.inline = true
	defer func() { s.disk.inline = false }()
	st, err := store.Open(filepath.Join(s.dir, "rig.db"), store.Options{
		Quota: quotaMost, NoSync: true, CommitEvery: 1, Orderly: true, Disk: s.disk.step,
		Now: func() time.Time { return time.UnixMicro(int64(s.w.rig.Now())) },
	})
	if err == nil {
		s.st = st
	}
	s.w.alive()
	if err != nil {
		return "", fmt.Errorf("the store does not open: %w", err)
	}
	s.energised, s.unsure = false, false
	return st.BenchLatch(s.w.c.plan.Bench.Name).Remembered()
}

// close ends the store. That of a dead process finds a disk that takes nothing.
func (s *shelf) close() error {
	st := s.st
	if st == nil {
		return nil
	}
	s.st = nil
	s.disk.aside, s.disk.inline = true, true
	defer func() { s.disk.aside, s.disk.inline = false, false }()
	return st.Close()
}

// Remembering and forgetting a latch is the store's; what is durable is noted.

func (s *shelf) SetLatch(reason string, at drivers.Instant) error {
	s.w.call()
	s.w.latch()
	err := s.st.BenchLatch(s.w.c.plan.Bench.Name).SetLatch(reason, at)
	s.w.alive()
	if err == nil {
		s.latched(reason)
	}
	return err
}

func (s *shelf) ClearLatch(who, reason string, at drivers.Instant) error {
	s.w.call()
	s.disk.inline = true // it is the loop that waits, with everything off
	defer func() { s.disk.inline = false }()
	err := s.st.BenchLatch(s.w.c.plan.Bench.Name).ClearLatch(who, reason, at)
	s.w.alive()
	if err == nil {
		s.latch, s.energised = "", false
		s.acks = append(s.acks, ack{who, reason})
	}
	return err
}

func (s *shelf) latched(reason string) {
	if s.latch == "" {
		s.latch = reason
	}
}

// alone waits until no commit is under way: the store does one after the other,
// and a second one would wait inside of it.
func (s *shelf) alone(do func() error) error {
	for s.busy {
		s.disk.pause(s.disk.busy)
		s.w.alive()
	}
	s.busy = true
	defer func() { s.busy = false }()
	return do()
}

// current is the ledger of the run that frames belong to, nil without one.
func (s *shelf) current() *ledger {
	if n := len(s.runs); n > 0 && !s.runs[n-1].closed {
		return s.runs[n-1]
	}
	return nil
}
