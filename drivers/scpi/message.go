package scpi

import (
	"context"
	"fmt"
	"io"
	"net"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// put hands one message to the system; the caller holds the token. A message
// that may be half written ends the connection.
func (l *link) put(message string) error {
	if l.isDown() {
		return l.why()
	}
	text := []byte(message + l.line.ends)
	var err error
	if c, ok := l.rw.(net.Conn); ok {
		if err = c.SetWriteDeadline(time.Now().Add(writeLimit)); err == nil {
			_, err = c.Write(text)
		}
	} else {
		err = l.putSlow(text)
	}
	l.mu.Lock()
	l.last = time.Now()
	l.mu.Unlock()
	if err != nil {
		l.fail(fmt.Errorf("%w: writing %q: %w", drivers.ErrNoAnswer, message, err))
		return l.why()
	}
	return nil
}

// putSlow writes where no deadline can be set.
func (l *link) putSlow(text []byte) error {
	done := make(chan error, 1)
	go func() {
		n, err := l.rw.Write(text)
		if err == nil && n < len(text) {
			err = io.ErrShortWrite
		}
		done <- err
	}()
	t := time.NewTimer(writeLimit)
	defer t.Stop()
	select {
	case err := <-done:
		return err
	case <-t.C:
		return context.DeadlineExceeded
	}
}
