package modbus

import (
	"context"
	"fmt"
	"net"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Times of a TCP connection.
const (
	dialTimeout = time.Second
	// patience is how old an unanswered request may become before its
	// connection counts as dead.
	patience   = time.Second
	backOffMin = 20 * time.Millisecond
	backOffMax = time.Second
)

// tcpLine is a device at a network address. It connects when it is needed, and
// after a failure not before a growing pause is over; halts do not wait for it.
type tcpLine struct {
	address string
	window  int
	turn    chan struct{} // one exchange at a time, urgent ones aside

	mu      sync.Mutex
	live    *session
	dialing *dialling
	epoch   uint64
	pause   time.Duration
	retryAt time.Time
	failure error // of the latest dialling
	closed  bool
}

// dialling is an attempt to connect that may outlive the call that began it.
type dialling struct {
	cancel context.CancelFunc
	done   chan struct{}
	s      *session
	err    error
}

func (l *tcpLine) connect(ctx context.Context) (uint64, error) {
	s, err := l.session(ctx, false)
	if err != nil {
		return 0, err
	}
	return s.epoch, nil
}

// current returns the connection there is, or nil.
func (l *tcpLine) current() *session {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.live != nil && l.live.fault() != nil {
		l.live = nil
	}
	return l.live
}

// session returns the connection, making one where there is none.
func (l *tcpLine) session(ctx context.Context, urgent bool) (*session, error) {
	if s := l.current(); s != nil {
		return s, nil
	}
	l.mu.Lock()
	d := l.dialing
	switch {
	case l.closed:
		l.mu.Unlock()
		return nil, fmt.Errorf("closed: %w", drivers.ErrNoAnswer)
	case d != nil:
	case !urgent && time.Now().Before(l.retryAt):
		err := l.failure
		l.mu.Unlock()
		return nil, fmt.Errorf("%w; it will be tried again soon", err)
	default:
		// Not with the caller's context: a link period is shorter than the way
		// to some devices, and then nobody would ever connect.
		c, cancel := context.WithTimeout(context.Background(), dialTimeout)
		d = &dialling{cancel: cancel, done: make(chan struct{})}
		l.dialing = d
		go l.dial(c, d)
	}
	l.mu.Unlock()
	select {
	case <-d.done:
		return d.s, d.err
	case <-ctx.Done():
		return nil, late(ctx, "connecting")
	}
}

func (l *tcpLine) dial(ctx context.Context, d *dialling) {
	defer close(d.done)
	defer d.cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", l.address)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.dialing = nil
	switch {
	case err == nil && l.closed:
		conn.Close()
		d.err = fmt.Errorf("closed: %w", drivers.ErrNoAnswer)
	case err != nil:
		l.pause = min(max(2*l.pause, backOffMin), backOffMax)
		l.retryAt = time.Now().Add(l.pause)
		l.failure = fmt.Errorf("%w: %v", drivers.ErrNoAnswer, err)
		d.err = l.failure
	default:
		l.pause = 0
		l.epoch++
		d.s = newSession(conn.(*net.TCPConn), l.epoch, l.window)
		l.live = d.s
	}
}

func (l *tcpLine) exchange(ctx context.Context, epoch uint64, unit uint8, list []request) ([]reply, error) {
	if err := take(ctx, l.turn, "an earlier exchange"); err != nil {
		return nil, err
	}
	defer func() { <-l.turn }()
	s := l.current()
	if s == nil || s.epoch != epoch {
		return nil, fmt.Errorf("the connection was lost: %w", drivers.ErrNoAnswer)
	}
	return s.exchange(ctx, unit, list, false)
}

// urgent writes at once on the connection there is, behind what was written
// before, so that the device meets them in this order. Where it stays silent,
// the connection is reset: what the device has not got yet, a closing perhaps,
// will never reach it. Then a new connection carries the halt.
func (l *tcpLine) urgent(ctx context.Context, unit uint8, list []request) ([]reply, error) {
	if s := l.current(); s != nil {
		soon, cancel := half(ctx)
		replies, err := s.exchange(soon, unit, list, true)
		cancel()
		if err == nil {
			return replies, nil
		}
		s.kill(fmt.Errorf("reset, since a halt was not answered: %w", err))
		if ctx.Err() != nil {
			return replies, err
		}
	}
	s, err := l.session(ctx, true)
	if err != nil {
		return nil, err
	}
	return s.exchange(ctx, unit, list, true)
}

func (l *tcpLine) aside(ctx context.Context, unit uint8, list []request) ([]reply, error) {
	s := l.current()
	if s == nil {
		return nil, errBusy
	}
	return s.exchange(ctx, unit, list, true)
}

func (l *tcpLine) close() error {
	l.mu.Lock()
	l.closed = true
	s, d := l.live, l.dialing
	l.mu.Unlock()
	if s != nil {
		s.kill(fmt.Errorf("closed: %w", drivers.ErrNoAnswer))
		<-s.ended
	}
	if d != nil {
		d.cancel()
		<-d.done
	}
	return nil
}
