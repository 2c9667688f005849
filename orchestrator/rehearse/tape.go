package rehearse

import (
	"errors"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// errStore is what a failing store answers.
var errStore = errors.New("no space left on the device")

// shelf is what outlives a process in memory: the record, the energised mark
// and the latch, as a store keeps them. It is the bench's latch keeper too.
type shelf struct {
	w *witness

	energised bool   // the mark that precedes energy (INV-05)
	open      bool   // a run is recorded that has not ended
	latch     string // a trip that nobody has acknowledged
	cleared   int    // acknowledgements
	fault     StoreFault

	// kept is what is durable, pending what the next commit makes so.
	kept, pending extent
}

// extent tells how far a record reaches.
type extent struct {
	frames, lines int
	last          drivers.Instant // the latest frame
	seq           uint64
}

// remembered is what a starting process finds: a latch, or an energised mark
// without a clean end, which is one too (INV-05).
func (s *shelf) remembered() string {
	if s.latch == "" && s.energised {
		s.latch = "the process ended while the bench was energised"
	}
	s.energised, s.open = false, false
	return s.latch
}

// bad says whether the store refuses now. Reserved space takes what safety
// needs on a full store, and only there.
func (s *shelf) bad(reserved bool) error {
	f := &s.fault
	if f.Kind == StoreGood || f.Kind == StoreSlow || s.w.rig.Now() < began.Add(f.At) || reserved && f.Kind == StoreFull {
		return nil
	}
	if s.w.storeFailed == 0 {
		s.w.storeFailed = s.w.rig.Now()
	}
	return errStore
}

// slow lets the disk take its time: the loop stands, the rig flows on.
func (s *shelf) slow() {
	if s.fault.Kind == StoreSlow && s.w.rig.Now() >= began.Add(s.fault.At) {
		s.w.rig.Advance(s.w.rig.Now().Add(s.fault.Delay))
	}
}

func (s *shelf) SetLatch(reason string, _ drivers.Instant) error {
	s.w.call()
	if err := s.bad(true); err != nil {
		return err
	}
	if s.latch == "" {
		s.latch = reason
	}
	return nil
}

func (s *shelf) ClearLatch(who, reason string, _ drivers.Instant) error {
	if err := s.bad(true); err != nil {
		return err
	}
	s.latch, s.energised = "", false
	s.cleared++
	return nil
}

// tape is a run's journal on the shelf.
type tape struct{ *shelf }

func (j tape) Frame(f *drivers.Frame) error {
	if err := j.bad(false); err != nil {
		return err
	}
	j.pending.frames++
	j.pending.last = f.At
	return nil
}

func (j tape) Line(seq uint64, at drivers.Instant, line string) error {
	if err := j.bad(false); err != nil {
		return err
	}
	j.w.line(seq, at, line)
	j.pending.lines++
	j.pending.seq = seq
	return nil
}

func (j tape) Commit() error {
	j.slow()
	if err := j.bad(false); err != nil {
		return err
	}
	j.kept = j.pending
	return nil
}

func (j tape) Pending() drivers.Instant { return 0 }

func (j tape) MarkEnergised(seq uint64, at drivers.Instant, _ uint64, line string) error {
	j.w.call()
	j.slow()
	if err := j.bad(false); err != nil {
		return err
	}
	j.energised, j.open = true, true
	j.w.line(seq, at, line)
	return nil
}

func (j tape) MarkSafe() error {
	j.w.call()
	if err := j.bad(true); err != nil {
		return err
	}
	j.w.markedSafe()
	j.energised, j.open = false, false
	return nil
}

func (j tape) Trip(seq uint64, at drivers.Instant, line, reason string) error {
	j.w.call()
	j.w.trip(at, line, reason)
	if err := j.bad(true); err != nil {
		return err
	}
	if j.latch == "" {
		j.latch = reason
	}
	return nil
}

func (j tape) Urgent(seq uint64, at drivers.Instant, line string) error {
	j.w.call()
	if strings.HasPrefix(line, `record kind="clear"`) {
		j.w.clear(at)
	}
	if err := j.bad(true); err != nil {
		return err
	}
	j.w.line(seq, at, line)
	return nil
}
