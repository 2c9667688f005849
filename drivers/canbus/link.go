package canbus

import (
	"context"
	"errors"
	"time"
)

// Back-off between attempts to connect.
const (
	backoffMin  = 50 * time.Millisecond
	backoffMax  = 2 * time.Second
	dialTime    = 5 * time.Second
	silenceTime = 3 * time.Second // of a stream; at least, see patience
)

// link keeps a connection to the bus and takes its frames.
func (m *Monitor) link(ctx context.Context) {
	backoff := backoffMin
	told := ""
	for ctx.Err() == nil {
		before := m.Counts().Frames
		err := m.connect(ctx)
		if ctx.Err() != nil {
			return
		}
		if m.Counts().Frames != before {
			backoff, told = backoffMin, ""
		}
		m.lost(err)
		if text := err.Error(); text != told {
			told = text
			m.o.Notice("canbus monitor at " + m.o.Address + ": not connected: " + text)
		}
		if errors.Is(err, errLogEnd) {
			return
		}
		timer := time.NewTimer(backoff)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return
		}
		backoff = min(2*backoff, backoffMax)
	}
}

// connect makes a connection and serves it until it fails.
func (m *Monitor) connect(ctx context.Context) error {
	c, err := m.dial(ctx)
	if err != nil {
		return err
	}
	if r, ok := c.(*recording); ok {
		defer r.release()
	}
	defer func() { _ = c.Close() }()
	m.mu.Lock()
	if ctx.Err() != nil { // Close has looked for a carrier already
		m.mu.Unlock()
		return ctx.Err()
	}
	m.carrier, m.trouble = c, nil
	m.d.counts.Connections++
	m.d.forget() // another monitor may be at the other end now
	m.askAt, m.tried = 0, false
	m.nudge(m.o.Now())
	m.wake()
	m.mu.Unlock()
	return m.receive(c)
}

func (m *Monitor) dial(ctx context.Context) (carrier, error) {
	if m.address.scheme == "log" {
		return openRecording(m.address.where, m.o.Now, m.o.Notice)
	}
	ctx, cancel := context.WithTimeout(ctx, dialTime)
	defer cancel()
	return m.address.dial(ctx, m.patience())
}

// patience is how long a stream may bring nothing before it is taken for dead.
func (m *Monitor) patience() time.Duration {
	return max(silenceTime, 10*time.Duration(m.spec.Period)*time.Microsecond)
}

// lost notes that there is no connection.
func (m *Monitor) lost(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.carrier, m.trouble = nil, err
	m.wake()
}

// receive takes frames until the carrier fails.
func (m *Monitor) receive(c carrier) error {
	var f Frame
	for {
		if err := c.Receive(&f); err != nil {
			return err
		}
		now := m.o.Now()
		m.mu.Lock()
		beat := m.d.beat
		m.d.frame(&f, now)
		if m.d.beat != beat {
			select {
			case m.swept <- struct{}{}:
			default: // the sweep before was not noticed yet
			}
		}
		notices := m.d.notices
		m.d.notices = nil
		m.nudge(now)
		m.wake()
		m.mu.Unlock()
		for _, text := range notices {
			m.o.Notice("canbus monitor at " + m.o.Address + ": " + text)
		}
		if m.o.seen != nil {
			m.o.seen()
		}
	}
}

// connected waits for a connection.
func (m *Monitor) connected(ctx context.Context) (carrier, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for m.carrier == nil {
		if err := m.wait(ctx); err != nil {
			if m.trouble != nil {
				return nil, m.trouble
			}
			return nil, errors.New("not connected")
		}
	}
	return m.carrier, nil
}

// transmit sends frames that are composed at the moment of sending, so that a
// command which had to wait cannot bring back what a later one ended. A hurried
// one makes a sender that waits give way, and tries until ctx is done.
func (m *Monitor) transmit(ctx context.Context, hurried bool, compose func() []Frame) error {
	for {
		c, err := m.connected(ctx)
		if err != nil {
			return err
		}
		if err := m.acquire(ctx, c, hurried); err != nil {
			return err
		}
		m.hurried.Store(hurried)
		deadline := time.Now().Add(sendTime)
		if hurried {
			deadline = time.Now().Add(hurryTime)
		}
		if end, ok := ctx.Deadline(); ok && end.Before(deadline) {
			deadline = end
		}
		frames := compose()
		broken, err := c.Send(frames, deadline)
		m.hurried.Store(false)
		<-m.sending
		if broken {
			_ = c.Close() // its receiver notices, and connects again
			m.drop(c, err)
		}
		if err == nil {
			m.sent(len(frames))
			return nil
		}
		if !hurried || ctx.Err() != nil {
			return err
		}
		if err := pause(ctx); err != nil {
			return err
		}
	}
}

func (m *Monitor) sent(n int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.d.counts.Sent += uint64(n)
}

// drop forgets a carrier that broke.
func (m *Monitor) drop(c carrier, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.carrier == c {
		m.carrier, m.trouble = nil, err
	}
}

// hurryTime is how long a halt tries one connection before it makes another.
const hurryTime = 50 * time.Millisecond

// retryTime is the pause between attempts of a hurried sender.
const retryTime = time.Millisecond

func pause(ctx context.Context) error {
	timer := time.NewTimer(retryTime)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// acquire waits for the right to send.
func (m *Monitor) acquire(ctx context.Context, c carrier, hurried bool) error {
	for {
		if hurried && !m.hurried.Load() {
			c.Interrupt()
		}
		timer := time.NewTimer(retryTime)
		select {
		case m.sending <- struct{}{}:
			timer.Stop()
			return nil
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		}
	}
}
