package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// errCut: a halt was written while a reply was awaited; the question is asked
// again once replies and questions are known to match.
var errCut = errors.New("cut off by a halt")

// mode says what the reader does with what arrives.
type mode uint8

const (
	modeIdle    mode = iota // nothing was asked: any byte is wrong
	modeAsking              // one reply is awaited
	modeSyncing             // the count is lost: replies are handed on until it is found
)

// Bounds of one connection.
const (
	writeLimit  = 100 * time.Millisecond // to hand a message to the system
	askLimit    = 2 * time.Second        // to be answered, where the caller sets no deadline
	mostReplies = 64                     // that may come while the count is lost
	// tokenLimit is how long a halt waits for a message that is being written
	// before it takes the connection for stuck.
	tokenLimit = 20 * time.Millisecond
)

// link is one connection, from its opening to its first fault: it is never
// mended where a byte may have been lost or added, only replaced.
type link struct {
	rw   io.ReadWriteCloser
	line *line
	// hangs says that Close does not end a Read or a Write: a serial port.
	hangs bool

	token chan struct{} // held only while a message is being written
	lines chan string
	down  chan struct{} // closed at the first fault
	gone  chan struct{} // closed when the reader has ended and rw is closed

	mu    sync.Mutex
	mode  mode
	lost  bool          // the count of replies is lost
	loose bool          // a command may be under way that off does not follow
	cut   chan struct{} // closed by a halt that was written into a question
	cause error         // why it is down
	last  time.Time     // of the latest message of ours
}

func newLink(rw io.ReadWriteCloser, l *line) *link {
	_, network := rw.(net.Conn)
	k := &link{
		rw: rw, line: l, hangs: !network,
		token: make(chan struct{}, 1), lines: make(chan string, mostReplies),
		down: make(chan struct{}), gone: make(chan struct{}),
		lost: true, mode: modeSyncing, cut: make(chan struct{}),
	}
	k.token <- struct{}{}
	go k.receive()
	return k
}

// fail ends the connection; the first cause counts.
func (l *link) fail(cause error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.cause != nil {
		return
	}
	l.cause = cause
	close(l.down)
	if l.hangs {
		return
	}
	if c, ok := l.rw.(*net.TCPConn); ok && l.loose && !errors.Is(cause, errClosed) {
		// A closed connection still delivers what it holds, seconds later perhaps:
		// on, after the off of the next connection. A reset drops it.
		_ = c.SetLinger(0)
	}
	_ = l.rw.Close() // wakes the reader; a close that fails changes nothing
}

func (l *link) isDown() bool {
	select {
	case <-l.down:
		return true
	default:
		return false
	}
}

// why is the cause of a connection that is down.
func (l *link) why() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.cause
}

// receive reads until the connection is down, and closes it.
func (l *link) receive() {
	defer close(l.gone)
	// A serial port is closed only while nobody writes to it: a number of a
	// closed file may be another file's by then.
	defer func() {
		if !l.hangs {
			return
		}
		stuck := time.NewTimer(time.Second)
		defer stuck.Stop()
		select {
		case <-l.token:
		case <-stuck.C:
		}
		_ = l.rw.Close() // nothing is left to be lost
	}()
	var buf [512]byte
	var text []byte
	for !l.isDown() {
		n, err := l.rw.Read(buf[:])
		rest := buf[:n]
		for len(rest) > 0 && !l.isDown() {
			text, rest = l.take(text, rest)
		}
		if err != nil { // (0, nil) is a serial port's time running out
			l.fail(hangUp(err))
		}
	}
}

func hangUp(err error) error {
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: the instrument closed the connection", drivers.ErrNoAnswer)
	}
	return fmt.Errorf("%w: the connection broke: %w", drivers.ErrNoAnswer, err)
}

// take moves what belongs to the current reply from rest to text, and hands the
// reply on where it is complete.
func (l *link) take(text, rest []byte) (more, left []byte) {
	end := bytes.IndexByte(rest, l.line.reply)
	piece := rest
	if end >= 0 {
		piece, left = rest[:end], rest[end+1:]
	}
	text = append(text, piece...)
	trimmed := bytes.Trim(text, "\r\n")
	l.mu.Lock()
	m := l.mode
	l.mu.Unlock()
	switch {
	case m == modeIdle && (len(trimmed) > 0 || end >= 0):
		l.fail(unusable("spoke without being asked: %.60q", trimmed))
		return nil, nil
	case len(trimmed) > l.line.longest && m == modeSyncing:
		text = text[:0] // nothing of it is used
	case len(trimmed) > l.line.longest:
		l.fail(unusable("no end after %d characters: %.60q...", l.line.longest, trimmed))
		return nil, nil
	case end < 0:
	default:
		l.deliver(string(trimmed))
		text = text[:0]
	}
	return text, left
}

// deliver hands a complete reply on.
func (l *link) deliver(reply string) {
	l.mu.Lock()
	m := l.mode
	if m == modeAsking {
		l.mode = modeIdle
	}
	l.mu.Unlock()
	if m == modeAsking {
		for _, r := range reply {
			if (r < ' ' || r > '~') && r != '\t' {
				l.fail(unusable("not readable as ASCII: %.60q", reply))
				return
			}
		}
	}
	select {
	case l.lines <- reply:
	default:
		l.fail(unusable("more than %d replies that nobody asked for, the latest %.60q", mostReplies, reply))
	}
}

// wait lets d pass.
func wait(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("%w: %w", drivers.ErrNoAnswer, ctx.Err())
	}
}

// pause is what is left of the time between two messages.
func (l *link) pause() time.Duration {
	if l.line.gap <= 0 {
		return 0
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.line.gap - time.Since(l.last)
}

// write sends one message. may is asked while nobody else can write; where it
// refuses, nothing is sent. m is the mode from the message on.
func (l *link) write(ctx context.Context, message string, m mode, may func() error) error {
	for {
		if err := wait(ctx, l.pause()); err != nil {
			return err
		}
		select {
		case <-l.token:
		case <-l.down:
			return l.why()
		case <-ctx.Done():
			return fmt.Errorf("%w: %w", drivers.ErrNoAnswer, ctx.Err())
		}
		if l.pause() <= 0 { // a halt may have come between
			break
		}
		l.token <- struct{}{}
	}
	defer func() { l.token <- struct{}{} }()
	if may != nil {
		if err := may(); err != nil {
			return err
		}
	}
	l.mu.Lock()
	if l.lost && m != modeSyncing { // cannot be while every cut-off question is noticed
		l.mu.Unlock()
		return errCut
	}
	l.mode = m
	l.loose = l.loose || m == modeIdle
	l.mu.Unlock()
	return l.put(message)
}

// halt writes off at once, whatever else goes on: it waits for a message that
// is being written, never for a reply. A question whose reply is awaited is cut
// off. wrote is false where the message could not be handed over.
func (l *link) halt(off string, overtake bool) (wrote bool) {
	stuck := time.NewTimer(tokenLimit)
	defer stuck.Stop()
	select {
	case <-l.token:
	case <-l.down:
		return false
	case <-stuck.C:
		l.fail(fmt.Errorf("%w: a message could not be written within %v, and a halt waits", drivers.ErrNoAnswer, tokenLimit))
		return false
	}
	defer func() { l.token <- struct{}{} }()
	l.mu.Lock()
	if l.mode != modeIdle {
		select {
		case <-l.cut:
		default:
			close(l.cut)
		}
		l.lost, l.mode = true, modeSyncing
		if !overtake {
			l.mu.Unlock()
			l.fail(fmt.Errorf("%w: left for a halt, which this instrument hears only on a new connection", errCut))
			return false
		}
	}
	l.mu.Unlock()
	time.Sleep(l.pause()) // bounded by the dialect's gap
	if l.put(off) != nil {
		return false
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.loose = false
	return true
}

// ask sends a question and returns its reply. No reply in time ends the
// connection: it might come later.
func (l *link) ask(ctx context.Context, question string, may func() error) (string, error) {
	ctx, cancel := bounded(ctx, askLimit)
	defer cancel()
	if err := l.write(ctx, question, modeAsking, may); err != nil {
		return "", err
	}
	l.mu.Lock()
	cut := l.cut
	l.mu.Unlock()
	select {
	case reply := <-l.lines:
		l.mu.Lock()
		defer l.mu.Unlock()
		if l.lost {
			return "", errCut
		}
		return reply, nil
	case <-cut:
		return "", errCut
	case <-l.down:
		return "", l.why()
	case <-ctx.Done():
		l.fail(fmt.Errorf("%w: no reply to %q in time", drivers.ErrNoAnswer, question))
		return "", l.why()
	}
}

// bounded gives ctx a deadline where it has none.
func bounded(ctx context.Context, limit time.Duration) (context.Context, context.CancelFunc) {
	if _, ok := ctx.Deadline(); ok {
		return ctx, func() {}
	}
	return context.WithTimeout(ctx, limit)
}

// next returns the next reply while the count is lost.
func (l *link) next(ctx context.Context) (string, error) {
	select {
	case reply := <-l.lines:
		return reply, nil
	case <-l.down:
		return "", l.why()
	case <-ctx.Done():
		return "", fmt.Errorf("%w: %w", drivers.ErrNoAnswer, ctx.Err())
	}
}

// found says that questions and replies match again, unless a reply is left over.
func (l *link) found() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.lines) > 0 {
		return false
	}
	l.lost, l.mode = false, modeIdle
	l.cut = make(chan struct{})
	return true
}

// lose says that they may not.
func (l *link) lose() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lost, l.mode = true, modeSyncing
}
