package modbus

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// session is one TCP connection. Replies find their requests by transaction
// number, so a late one is taken for nobody else's.
type session struct {
	conn  *net.TCPConn
	epoch uint64
	slots chan struct{} // taken by each request without a reply, urgent ones aside
	pen   chan struct{} // whoever holds it writes

	mu      sync.Mutex
	next    uint16
	pending map[uint16]*call
	err     error         // why it is dead
	dead    chan struct{} // closed with it
	ended   chan struct{} // the receiver is gone
}

// call is a request on its way.
type call struct {
	unit uint8
	sent time.Time
	slot bool
	pdu  chan []byte // has room for the reply
}

func newSession(conn *net.TCPConn, epoch uint64, window int) *session {
	s := &session{
		conn: conn, epoch: epoch, slots: make(chan struct{}, window), pen: make(chan struct{}, 1),
		pending: map[uint16]*call{}, dead: make(chan struct{}), ended: make(chan struct{}),
	}
	go s.receive()
	return s
}

// fault says why the session is dead, nil while it lives.
func (s *session) fault() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// kill ends the session. What was not sent yet is thrown away, not delivered.
func (s *session) kill(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return
	}
	s.err = err
	// Errors of a connection that is being given up say nothing new.
	_ = s.conn.SetLinger(0)
	_ = s.conn.Close()
	close(s.dead)
}

// exchange sends requests and awaits their replies. Urgent ones need no free
// slot.
func (s *session) exchange(ctx context.Context, unit uint8, list []request, urgent bool) ([]reply, error) {
	calls := make([]*call, 0, len(list))
	replies := make([]reply, 0, len(list))
	for len(replies) < len(list) {
		if len(calls) < len(list) {
			c := &call{unit: unit, pdu: make(chan []byte, 1)}
			switch full, err := s.admit(ctx, c, urgent, len(calls) == len(replies)); {
			case err != nil:
				return replies, err
			case !full:
				if err := s.send(ctx, c, &list[len(calls)]); err != nil {
					return replies, err
				}
				calls = append(calls, c)
				continue
			}
		}
		r, err := s.await(ctx, calls[len(replies)], &list[len(replies)])
		if err != nil {
			return replies, err
		}
		replies = append(replies, r)
	}
	return replies, nil
}

// admit takes a slot for a call. With wait it waits for one, else it reports
// that none is free.
func (s *session) admit(ctx context.Context, c *call, urgent, wait bool) (full bool, err error) {
	if urgent {
		return false, nil
	}
	c.slot = true
	select {
	case s.slots <- struct{}{}:
		return false, nil
	default:
	}
	if !wait {
		return true, nil
	}
	select {
	case s.slots <- struct{}{}:
		return false, nil
	case <-s.dead:
		return false, s.fault()
	case <-ctx.Done():
		s.tire()
		return false, late(ctx, "waiting for the reply to an earlier request")
	}
}

// send writes a request; the reply finds its call from then on.
func (s *session) send(ctx context.Context, c *call, r *request) (err error) {
	defer func() {
		if err != nil && c.slot {
			<-s.slots
		}
	}()
	select {
	case s.pen <- struct{}{}:
	case <-s.dead:
		return s.fault()
	case <-ctx.Done():
		return late(ctx, "writing")
	}
	defer func() { <-s.pen }()
	// Asked while nobody else can write: a halt that made it invalid is written
	// after it at the latest.
	if r.valid != nil && !r.valid() {
		return errOvertaken
	}
	c.sent = time.Now()
	deadline, ok := ctx.Deadline()
	if !ok {
		deadline = c.sent.Add(impatient)
	}
	id, err := s.register(c)
	if err != nil {
		return err
	}
	err = s.conn.SetWriteDeadline(deadline)
	if err == nil {
		_, err = s.conn.Write(header(id, c.unit, r.pdu()))
	}
	if err != nil {
		// Half a request may be on the wire: nothing can follow it.
		s.forget(id)
		s.kill(fmt.Errorf("%w: %v", drivers.ErrNoAnswer, err))
		return s.fault()
	}
	return nil
}

// register gives a call its transaction number.
func (s *session) register(c *call) (uint16, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return 0, s.err
	}
	if len(s.pending) >= maxPending {
		return 0, fmt.Errorf("%d requests wait for their replies: %w", len(s.pending), drivers.ErrNoAnswer)
	}
	for s.pending[s.next] != nil {
		s.next++
	}
	id := s.next
	s.next++
	s.pending[id] = c
	return id, nil
}

func (s *session) forget(id uint16) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.pending, id)
}

// maxPending bounds the requests that a silent device keeps waiting.
const maxPending = 64

// await waits for a call's reply.
func (s *session) await(ctx context.Context, c *call, r *request) (reply, error) {
	select {
	case pdu := <-c.pdu:
		return s.accept(r, pdu)
	case <-s.dead:
	case <-ctx.Done():
	}
	select { // several may be ready; what the device said counts
	case pdu := <-c.pdu:
		return s.accept(r, pdu)
	default:
	}
	if err := s.fault(); err != nil {
		return reply{}, err
	}
	s.tire()
	return reply{}, late(ctx, "waiting for the reply")
}

func (s *session) accept(r *request, pdu []byte) (reply, error) {
	out, err := r.parse(pdu)
	if err != nil {
		s.kill(err)
	}
	return out, err
}

// tire ends a session whose device has been silent for too long.
func (s *session) tire() {
	s.mu.Lock()
	oldest := time.Now()
	for _, c := range s.pending {
		if c.sent.Before(oldest) {
			oldest = c.sent
		}
	}
	s.mu.Unlock()
	if age := time.Since(oldest); age > patience {
		s.kill(fmt.Errorf("%w for %v", drivers.ErrNoAnswer, age.Round(time.Millisecond)))
	}
}

// receive hands replies to their calls until the connection ends.
func (s *session) receive() {
	defer close(s.ended)
	r := bufio.NewReader(s.conn)
	for {
		if err := s.one(r); err != nil {
			s.kill(err)
			return
		}
	}
}

func (s *session) one(r *bufio.Reader) error {
	var head [headerSize]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return lost(err)
	}
	id, unit, size, err := parseHeader(head[:])
	if err != nil {
		return err
	}
	pdu := make([]byte, size)
	if _, err := io.ReadFull(r, pdu); err != nil {
		return lost(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.pending[id]
	switch {
	case c == nil:
		return fmt.Errorf("%w: transaction %d was not asked for, or has been answered", errReply, id)
	case c.unit != unit:
		return fmt.Errorf("%w: unit %d answers for unit %d", errReply, unit, c.unit)
	}
	delete(s.pending, id)
	c.pdu <- pdu // has room: each call gets one
	if c.slot {
		<-s.slots // its own
	}
	return nil
}

// lost says how a connection ended.
func lost(err error) error {
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("%w: the device closed the connection in the middle of a reply", drivers.ErrNoAnswer)
	case errors.Is(err, io.EOF):
		return fmt.Errorf("%w: the device closed the connection", drivers.ErrNoAnswer)
	}
	return fmt.Errorf("%w: %v", drivers.ErrNoAnswer, err)
}
