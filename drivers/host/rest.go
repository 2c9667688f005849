package host

import (
	"context"
	"fmt"
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
)

// look is what the frames last showed of an instrument's state word.
type look struct {
	state int32 // drivers.NoReading where there was none
	// moved is the start of the latest reading in which the instrument's counter
	// moved.
	moved drivers.Instant
}

// looks are the looks of supply, load and box, for whoever must know what is
// measured now.
type looks struct {
	at     [roles]struct{ state, beat int } // positions, -1: none
	frames counter

	mu   sync.Mutex
	of   [roles]look
	beat [roles]int32
}

func (l *looks) init(layout *drivers.Layout) {
	for r := range l.at {
		l.at[r].state, l.at[r].beat = -1, -1
		l.of[r].state, l.beat[r] = drivers.NoReading, drivers.NoReading
	}
	for _, w := range [...]struct {
		role        Role
		state, beat drivers.Kind
	}{
		{RoleSupply, drivers.SupplyState, drivers.SupplyBeat},
		{RoleLoad, drivers.LoadState, drivers.LoadBeat},
		{RoleBox, drivers.BoxState, drivers.BoxBeat},
	} {
		l.at[w.role].state, l.at[w.role].beat = layout.Find(w.state), layout.Find(w.beat)
	}
}

// note takes in a frame whose reading began at start.
func (l *looks) note(f *drivers.Frame, start drivers.Instant) {
	l.mu.Lock()
	for r, at := range l.at {
		if at.state < 0 || at.beat < 0 {
			continue
		}
		l.of[r].state = f.Counts[at.state]
		if beat := f.Counts[at.beat]; beat != drivers.NoReading && beat != l.beat[r] {
			l.beat[r], l.of[r].moved = beat, start
		}
	}
	l.mu.Unlock()
	l.frames.raise(l.frames.load() + 1)
}

func (l *looks) role(r Role) look {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.of[r]
}

// await waits, frame by frame, until ok finds nothing wrong any more, and
// returns what is still wrong when ctx ends.
func (l *looks) await(ctx context.Context, ok func() error) error {
	for {
		seen := l.frames.load()
		wrong := ok()
		if wrong == nil {
			return nil
		}
		if l.frames.await(ctx, seen+1) != nil {
			return wrong
		}
	}
}

// rest stops and resumes readers as asked. One that is busy goes on until it
// has its answer.
func (s *sampler) rest(now drivers.Instant) {
	paused := s.paused.Load()
	for _, r := range s.readers {
		bit := uint32(1) << r.role
		switch {
		case paused&bit != 0 && !r.busy && !r.resting:
			r.resting = true
			s.resting.Or(bit)
		case paused&bit == 0 && r.resting:
			r.resting, r.rested = false, now
			s.resting.And(^bit)
		}
	}
}

// pause stops reading a device, so that its driver is left to the caller, and
// returns once no reading of it is under way. In the frames it then reads as one
// that does not answer: nobody measures. It does not count as lost. resume ends
// it, and must be called whatever pause returned.
func (s *sampler) pause(ctx context.Context, role Role) error {
	bit := uint32(1) << role
	s.paused.Or(bit)
	return s.looks.await(ctx, func() error {
		if s.resting.Load()&bit == 0 {
			return fmt.Errorf("a reading of it is still under way: %w", drivers.ErrNoAnswer)
		}
		return nil
	})
}

func (s *sampler) resume(role Role) { s.paused.And(^(uint32(1) << role)) }
