package host

import (
	"context"
	"fmt"
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
)

// slot lets one command at a time through to a device, and never an older one
// after a newer: what waits when a newer command comes is dropped. Commands for
// one device are absolute, so that nothing is lost with the older; sent after
// the newer, it would undo it.
type slot struct {
	turn chan struct{}

	mu     sync.Mutex
	newest uint64
	newer  chan struct{} // closed when the next command comes
}

func newSlot() *slot { return &slot{turn: make(chan struct{}, 1), newer: make(chan struct{})} }

// ticket is a command's place among those for one device, in the order in which
// they came.
type ticket struct {
	s     *slot
	n     uint64
	newer <-chan struct{}
}

// enter takes a command's place and makes every earlier one that still waits
// void. What de-energises enters too, though it waits for no turn.
func (s *slot) enter() ticket {
	s.mu.Lock()
	defer s.mu.Unlock()
	close(s.newer)
	s.newer = make(chan struct{})
	s.newest++
	return ticket{s, s.newest, s.newer}
}

// check refuses a command that a newer one has superseded. The zero ticket is
// never superseded.
func (t ticket) check() error {
	if t.s == nil {
		return nil
	}
	t.s.mu.Lock()
	defer t.s.mu.Unlock()
	if t.n != t.s.newest {
		return fmt.Errorf("superseded by a newer command while it waited: %w", drivers.ErrRefused)
	}
	return nil
}

// take waits for the device's turn; free gives it back.
func (s *slot) take(ctx context.Context, t ticket) error {
	select {
	case s.turn <- struct{}{}:
	case <-t.newer: // nil, and never ready, in the zero ticket
		return t.check()
	case <-ctx.Done():
		return fmt.Errorf("an earlier command still hangs: %w", drivers.ErrNoAnswer)
	}
	if err := t.check(); err != nil { // both may have been ready
		s.free()
		return err
	}
	return nil
}

func (s *slot) free() { <-s.turn }

// within makes a call that may hang beyond its context: the caller goes on when
// that is over, and done is called once the call has returned, before within
// does. cancel frees the context and is called last: earlier, an answer would
// look like none.
func within(ctx context.Context, cancel context.CancelFunc, call func(context.Context) error, done func()) error {
	result := make(chan error, 1)
	go func() {
		defer cancel()
		err := call(ctx)
		done()
		result <- err
	}()
	select {
	case err := <-result:
		return err
	case <-ctx.Done():
	}
	select { // both may be ready; what the device said counts
	case err := <-result:
		return err
	default:
		return drivers.ErrNoAnswer
	}
}
