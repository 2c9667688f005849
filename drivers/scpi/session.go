package scpi

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Bounds of making and mending connections.
const (
	mendLimit    = 5 * time.Second // for one connection with all its questions
	dialLimit    = time.Second     // of these, until it is open: a cable may be back by then
	backoffFirst = 50 * drivers.Millisecond
	backoffMost  = 2 * drivers.Second
)

var errClosed = errors.New("scpi: the driver was closed")

// session is one instrument: one connection at a time, one exchange at a time.
// Connections are made when somebody calls, in the background and with time of
// their own, so that a caller with a short deadline does not keep a slow one
// from ever being finished.
type session struct {
	name    string // "supply at tcp:10.0.0.5:5025"
	dialect *Dialect
	expect  drivers.Identity
	now     func() drivers.Instant
	dial    func(context.Context) (io.ReadWriteCloser, error)
	// greet is done on each new connection, once the right instrument answers.
	greet func(*talk) error
	// seen is told what each reply means at once: a question may have cleared it,
	// so that a cut-off conversation would lose it.
	seen func(flags)

	ctx  context.Context // ends with Close
	end  context.CancelFunc
	work sync.WaitGroup

	broke   atomic.Pointer[string] // what the latest conversation failed with
	mending atomic.Bool            // a connection is being made or mended
	turn    chan struct{}          // held by whoever asks; the fields below are its holder's
	// attempts counts connections tried; failed is how the latest went.
	attempts   int
	failed     error
	inARow     int
	retryAt    drivers.Instant
	lastNumber int
	identity   string // as it was said

	mu     sync.Mutex
	closed bool
	link   *link // in use, perhaps still being greeted or down
	ready  bool  // link was greeted
	// off is what the output was told last: each connection begins with it.
	off bool
}

// newSession checks o. It connects to nothing.
func newSession(o Options, greet func(*talk) error, seen func(flags)) (*session, error) {
	d := o.Dialect
	if d == nil {
		return nil, errors.New("scpi: no dialect was given")
	}
	if o.Role != d.role {
		return nil, fmt.Errorf("scpi: dialect %q is for a %s, the instrument is the %s", d.name, d.role, o.Role)
	}
	s := &session{
		name: o.Role + " at " + o.Address, dialect: d, expect: o.Expect, now: o.Now, dial: o.Dial, greet: greet, seen: seen,
		turn: make(chan struct{}, 1),
	}
	if s.dial == nil {
		a, err := parseAddress(o.Address)
		if err != nil {
			return nil, fmt.Errorf("scpi: %s: %w", o.Role, err)
		}
		s.dial = a.dial
	}
	if s.now == nil {
		start, wall := time.Now(), time.Now().UnixMicro()
		s.now = func() drivers.Instant { return drivers.Instant(wall + time.Since(start).Microseconds()) }
	}
	s.ctx, s.end = context.WithCancel(context.Background())
	s.turn <- struct{}{}
	return s, nil
}

// live is the connection a halt can be written on, greeted or not; nil: none.
func (s *session) live() *link {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.link != nil && !s.link.isDown() {
		return s.link
	}
	return nil
}

// greeted is the connection that answered once, and is not known to be down. One
// that is still being made is none: a slow one would never be finished if each
// halt gave it up.
func (s *session) greeted() *link {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.link == nil || !s.ready || s.link.isDown() {
		return nil
	}
	return s.link
}

// wants notes what the output is told. Off may be lost with its connection, or
// the instrument come back switched on: the next connection says it again.
func (s *session) wants(on bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.off = !on
}

// usable returns the connection if questions can be asked on it.
func (s *session) usable() *link {
	l := s.greeted()
	if l == nil {
		return nil
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.lost {
		return nil
	}
	return l
}

// begin takes the turn and returns a connection to ask on, made or mended where
// there is none. After failed connections it waits before the next, unless the
// call is urgent.
func (s *session) begin(ctx context.Context, urgent bool) (*link, error) {
	seen := -1
	for {
		select {
		case <-s.turn:
		case <-ctx.Done():
			return nil, s.late(ctx)
		}
		s.mu.Lock()
		closed := s.closed
		s.mu.Unlock()
		switch l := s.usable(); {
		case closed:
			s.turn <- struct{}{}
			return nil, fmt.Errorf("%s: %w: %w", s.name, drivers.ErrNoAnswer, errClosed)
		case ctx.Err() != nil:
			s.turn <- struct{}{}
			return nil, s.late(ctx)
		case l != nil:
			return l, nil
		case seen >= 0 && s.attempts > seen && s.failed != nil:
			err := s.failed
			s.turn <- struct{}{}
			return nil, err
		case !urgent && s.inARow > 0 && s.now() < s.retryAt:
			err := s.failed
			s.turn <- struct{}{}
			return nil, fmt.Errorf("not tried again yet: %w", err)
		}
		seen = s.attempts
		s.mu.Lock()
		if !s.closed { // else close may already wait for the work to end
			s.work.Add(1)
			go func() {
				defer s.work.Done()
				s.mend() // takes the turn over and gives it back
			}()
			s.mu.Unlock()
			continue
		}
		s.mu.Unlock()
		s.turn <- struct{}{}
	}
}

func (s *session) late(ctx context.Context) error {
	what := "waiting for an earlier exchange"
	if s.mending.Load() {
		what = "still connecting"
		if b := s.broke.Load(); b != nil {
			what += " (the connection before was lost: " + *b + ")"
		}
	}
	return fmt.Errorf("%s: %s: %w: %w", s.name, what, drivers.ErrNoAnswer, ctx.Err())
}

// mend makes the connection usable. It holds the turn.
func (s *session) mend() {
	s.mending.Store(true)
	defer func() {
		s.mending.Store(false)
		s.turn <- struct{}{}
	}()
	ctx, cancel := context.WithTimeout(s.ctx, mendLimit)
	defer cancel()
	s.attempts++
	s.failed = nil
	if l := s.greeted(); l != nil {
		if s.resync(ctx, l) == nil {
			return
		}
		l.fail(fmt.Errorf("%w: replies and questions do not match", ErrReply))
	}
	s.mu.Lock()
	old := s.link
	s.mu.Unlock()
	if err := s.connect(ctx, old); err != nil {
		s.inARow++
		s.failed = fmt.Errorf("%s: connect: %w", s.name, err)
		wait := min(backoffFirst<<min(s.inARow-1, 10), backoffMost)
		s.retryAt = s.now().Add(wait)
		return
	}
	s.inARow = 0
}

// connect replaces old by a new connection and greets the instrument.
func (s *session) connect(ctx context.Context, old *link) error {
	if old != nil { // a serial port is opened once only
		select {
		case <-old.gone:
		case <-ctx.Done():
			return fmt.Errorf("%w: the earlier connection does not end: %w", drivers.ErrNoAnswer, ctx.Err())
		}
	}
	dialing, cancel := context.WithTimeout(ctx, dialLimit)
	rw, err := s.dial(dialing)
	cancel()
	if err != nil {
		return fmt.Errorf("%w: %w", drivers.ErrNoAnswer, err)
	}
	l := newLink(rw, &s.dialect.line)
	s.mu.Lock()
	s.link, s.ready = l, false
	off, closed := s.off, s.closed
	s.mu.Unlock()
	if closed {
		l.fail(errClosed)
		return errClosed
	}
	if l.hangs {
		// What a broken message left in the instrument must not become the head
		// of the next one; an empty message does nothing (IEEE 488.2 7.3.1, from
		// memory).
		if err := l.write(ctx, "", modeSyncing, nil); err != nil {
			return err
		}
	}
	if off && !l.halt(s.dialect.output.off, true) {
		return fmt.Errorf("the off command could not be written: %w", l.why())
	}
	for {
		err := s.introduce(ctx, l)
		if errors.Is(err, errCut) && !l.isDown() && ctx.Err() == nil {
			continue // a halt came; begin again
		}
		if err != nil {
			l.fail(err)
			return err
		}
		s.mu.Lock()
		s.ready = true
		s.mu.Unlock()
		return nil
	}
}

// do holds one conversation; one that a halt cut off is held again.
func (s *session) do(ctx context.Context, urgent bool, may func() error, f func(*talk) error) error {
	for {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("%s: %w: %w", s.name, drivers.ErrNoAnswer, err)
		}
		l, err := s.begin(ctx, urgent)
		if err != nil {
			return err
		}
		err = f(&talk{s: s, l: l, ctx: ctx, may: may})
		s.turn <- struct{}{}
		if err == nil {
			return nil
		}
		if errors.Is(err, errCut) {
			if may != nil {
				if err := may(); err != nil {
					return fmt.Errorf("%s: %w", s.name, err)
				}
			}
			continue
		}
		// Whoever only finds the connection gone wants to know by which question.
		text := err.Error()
		s.broke.Store(&text)
		return fmt.Errorf("%s: %w", s.name, err)
	}
}

// close ends the connection and everything that runs.
func (s *session) close() {
	s.mu.Lock()
	s.closed = true
	l := s.link
	s.mu.Unlock()
	s.end()
	if l != nil {
		l.fail(fmt.Errorf("%w: %w", drivers.ErrNoAnswer, errClosed))
	}
	s.work.Wait()
	s.mu.Lock()
	l = s.link
	s.mu.Unlock()
	if l != nil {
		l.fail(errClosed)
		<-l.gone
	}
}

// farewell sends what the dialect ends a connection with, if there is one.
func (s *session) farewell(ctx context.Context) {
	if len(s.dialect.release) == 0 || s.usable() == nil {
		return
	}
	// Best effort: the connection ends either way.
	_ = s.do(ctx, false, nil, func(t *talk) error {
		for _, c := range s.dialect.release {
			if err := t.send(c, 0); err != nil {
				return err
			}
		}
		return t.sure()
	})
}
