package canbus

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"time"
)

// carrier takes frames from a bus and brings frames to it. One goroutine
// receives; one at a time sends.
type carrier interface {
	// Receive waits for a frame. After an error the carrier is done for.
	Receive(f *Frame) error
	// Send hands frames over by the deadline. broken says that the carrier is
	// done for; else an error left the bus as it was.
	Send(frames []Frame, deadline time.Time) (broken bool, err error)
	// Interrupt makes a Send that waits return.
	Interrupt()
	Close() error
}

// address is where a bus is reached.
type address struct{ scheme, where string }

var errListenOnly = errors.New("a recording takes no commands")

// parseAddress reads can:INTERFACE, unix:PATH, tcp:HOST:PORT or log:FILE.
func parseAddress(s string) (address, error) {
	scheme, where, _ := strings.Cut(s, ":")
	a := address{scheme, where}
	switch {
	case where == "":
	case scheme == "can" || scheme == "unix" || scheme == "log":
		return a, nil
	case scheme == "tcp":
		if _, _, err := net.SplitHostPort(where); err == nil {
			return a, nil
		}
	}
	return a, fmt.Errorf("%q is no address of a CAN bus; write can:can0, unix:/run/bench/can.sock, tcp:10.0.0.5:29536 or log:recorded.log", s)
}

// dial opens a carrier, save that of a log. A stream that brings nothing for
// silence is taken for dead: a peer that lost its power closes no connection.
func (a address) dial(ctx context.Context, silence time.Duration) (carrier, error) {
	if a.scheme == "can" {
		return dialRaw(a.where)
	}
	var d net.Dialer
	conn, err := d.DialContext(ctx, a.scheme, a.where)
	if err != nil {
		return nil, err
	}
	return newStream(conn, silence), nil
}

// stream carries struct can_frame records back to back in both directions.
type stream struct {
	conn    net.Conn
	in      *bufio.Reader
	silence time.Duration
	count   int // of records received
}

func newStream(conn net.Conn, silence time.Duration) *stream {
	return &stream{conn: conn, in: bufio.NewReaderSize(conn, 256*RecordSize), silence: silence}
}

func (s *stream) Receive(f *Frame) (err error) {
	var record [RecordSize]byte
	if s.in.Buffered() < RecordSize {
		if err := s.conn.SetReadDeadline(time.Now().Add(s.silence)); err != nil {
			return err
		}
	}
	if n, err := io.ReadFull(s.in, record[:]); err != nil {
		switch {
		case n > 0 && errors.Is(err, io.ErrUnexpectedEOF):
			return fmt.Errorf("the stream ends within a record: %d of %d bytes", n, RecordSize)
		case errors.Is(err, os.ErrDeadlineExceeded):
			return fmt.Errorf("nothing came for %v", s.silence)
		}
		return err
	}
	if *f, err = ParseRecord(&record); err != nil {
		return fmt.Errorf("record %d is no struct can_frame, or the stream is out of step: %w", s.count+1, err)
	}
	s.count++
	return nil
}

func (s *stream) Send(frames []Frame, deadline time.Time) (broken bool, err error) {
	var record [RecordSize]byte
	bytes := make([]byte, 0, RecordSize*len(frames))
	for i := range frames {
		PutRecord(&record, &frames[i])
		bytes = append(bytes, record[:]...)
	}
	if err := s.conn.SetWriteDeadline(deadline); err != nil {
		return true, err
	}
	n, err := s.conn.Write(bytes)
	// Half a record on its way would put all that follow out of step, and a peer
	// that took nothing until the deadline will not take the next command either.
	interrupted := errors.Is(err, os.ErrDeadlineExceeded) && time.Now().Before(deadline)
	return err != nil && (n%RecordSize != 0 || !interrupted), err
}

func (s *stream) Interrupt() { _ = s.conn.SetWriteDeadline(time.Unix(1, 0)) }

func (s *stream) Close() error { return s.conn.Close() }
