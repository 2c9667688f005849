package canbus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// sendTime bounds a command that nobody bounds.
const sendTime = 200 * time.Millisecond

// haltTime bounds a Halt without a deadline.
const haltTime = time.Second

// askGap is how long an identity request is not repeated.
const askGap = 500 * drivers.Millisecond

// Bleed bleeds exactly the cells whose bits are set. The command is repeated as
// long as it stands, at the map's pace, and ended after the bench file's
// timeout: should this process die, the monitor's own timeout ends it. It is
// refused while the monitor is silent or not the expected one.
func (m *Monitor) Bleed(ctx context.Context, words []int32) error {
	if err := ctx.Err(); err != nil {
		return m.failed("bleed", drivers.ErrNoAnswer, fmt.Errorf("not sent: %w", err))
	}
	m.mu.Lock()
	if err := m.mayBleed(words); err != nil {
		m.mu.Unlock()
		return err
	}
	now := m.o.Now()
	copy(m.want, words)
	m.wanted = bleeds(words)
	m.until, m.again = now.Add(m.spec.BleedTimeout), now.Add(m.repeat())
	m.owed = false
	m.turn++
	turn := m.turn
	m.mu.Unlock()
	err := m.transmit(ctx, false, m.compose)
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case m.turn != turn && !m.wanted && bleeds(words):
		return m.failed("bleed", drivers.ErrRefused, errors.New("overtaken by a halt"))
	case err != nil && m.turn == turn:
		// Nobody knows whether it arrived: nothing is wanted any more.
		m.none()
		m.nudge(now)
		fallthrough
	case err != nil:
		return m.failed("bleed", drivers.ErrNoAnswer, fmt.Errorf("not sent: %w", err))
	}
	return nil
}

// mayBleed says why a command is refused. The caller holds mu.
func (m *Monitor) mayBleed(words []int32) error {
	if err := m.bleeder.allowed(words); err != nil {
		return m.failed("bleed", drivers.ErrRefused, err)
	}
	if m.address.scheme == "log" && bleeds(words) {
		return m.failed("bleed", drivers.ErrRefused, errListenOnly)
	}
	if err := m.silent(m.o.Now()); err != nil {
		return m.failed("bleed", drivers.ErrNoAnswer, err)
	}
	if kind, err := m.recognised(); err != nil {
		return m.failed("bleed", kind, err)
	}
	return nil
}

func bleeds(words []int32) bool {
	for _, w := range words {
		if w != 0 {
			return true
		}
	}
	return false
}

// none wants no bleeding, and owes the monitor the command. The caller holds
// mu.
func (m *Monitor) none() {
	clear(m.want)
	m.wanted, m.tried = false, false
	m.owed = len(m.bleeder.messages) > 0 && m.address.scheme != "log"
}

// repeat is how often a command is sent while it stands.
func (m *Monitor) repeat() drivers.Span {
	switch r := m.o.Map.bleed.repeat; {
	case r > 0:
		return r
	case m.spec.BleedTimeout > 0:
		return max(m.spec.BleedTimeout/3, drivers.Millisecond)
	}
	return drivers.Second
}

// compose makes the frames of what is wanted now.
func (m *Monitor) compose() []Frame {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.bleeder.frames(m.want)
}

// Halt stops bleeding: the command goes out at once, before what waits to be
// sent. Without a connection it waits for one, and the command is owed to the
// next should ctx end first. It fails with ErrNoAnswer when the monitor cannot
// be heard: then nobody knows that it was told, and it is told again once heard.
func (m *Monitor) Halt(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, haltTime)
	defer cancel()
	return m.stop(ctx)
}

func (m *Monitor) stop(ctx context.Context) error {
	m.mu.Lock()
	m.none()
	m.turn++
	turn, owed := m.turn, m.owed
	m.mu.Unlock()
	if !owed {
		return nil // there is nothing that could bleed
	}
	err := m.transmit(ctx, true, m.compose)
	m.mu.Lock()
	defer m.mu.Unlock()
	if err != nil {
		m.nudge(m.o.Now())
		return m.failed("halt", drivers.ErrNoAnswer, fmt.Errorf("not sent: %w", err))
	}
	m.settled(turn)
	for {
		err := m.silent(m.o.Now())
		if err == nil {
			return nil
		}
		if m.wait(ctx) != nil {
			return m.failed("halt", drivers.ErrNoAnswer, fmt.Errorf("sent, but %w", err))
		}
	}
}

// nudge wakes the goroutine that sends by itself if there is something to send.
// The caller holds mu.
func (m *Monitor) nudge(now drivers.Instant) {
	if m.due(now) {
		select {
		case m.kick <- struct{}{}:
		default:
		}
	}
	if _, err := m.recognised(); err != nil {
		m.ask(now)
	}
}

func (m *Monitor) due(now drivers.Instant) bool {
	if m.owed && (!m.tried || m.d.alive(now)) {
		return m.carrier != nil
	}
	return m.carrier != nil && (m.wanted && (now >= m.again || m.ended(now)))
}

// ended says whether what is wanted has stood for the timeout.
func (m *Monitor) ended(now drivers.Instant) bool {
	return m.spec.BleedTimeout > 0 && now >= m.until
}

// ask has the identity asked for, where it can be and was not lately. The
// caller holds mu.
func (m *Monitor) ask(now drivers.Instant) {
	if m.carrier == nil || m.o.Map.identity.request == nil || now < m.askAt {
		return
	}
	m.askAt = now.Add(askGap)
	m.asking = true
	select {
	case m.kick <- struct{}{}:
	default:
	}
}

// serve sends what is due without anybody's call: repeated commands, their end,
// commands that were owed, identity requests.
func (m *Monitor) serve(ctx context.Context) {
	every := time.NewTicker(serveTime)
	defer every.Stop()
	for {
		select {
		case <-every.C:
		case <-m.kick:
		case <-ctx.Done():
			return
		}
		m.sendDue(ctx)
		m.request(ctx)
	}
}

// serveTime is how often is looked for what is due.
const serveTime = 50 * time.Millisecond

func (m *Monitor) sendDue(ctx context.Context) {
	m.mu.Lock()
	now := m.o.Now()
	due := m.due(now)
	if due {
		if m.wanted && m.ended(now) {
			m.none()
		}
		m.again = now.Add(m.repeat())
	}
	turn, owed := m.turn, m.owed
	m.mu.Unlock()
	if !due {
		return
	}
	call, cancel := context.WithTimeout(ctx, sendTime)
	defer cancel()
	err := m.transmit(call, false, m.compose)
	if err != nil && ctx.Err() == nil && now >= m.blamed {
		m.blamed = now.Add(noticeGap) // only this goroutine looks
		m.o.Notice(m.failed("bleed command", drivers.ErrNoAnswer, fmt.Errorf("not sent: %w", err)).Error())
	}
	if err != nil {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if owed {
		m.settled(turn)
	}
}

// settled notes that the command that ends bleeding went out. To a monitor that
// cannot be heard it is owed still, and sent again once it is heard. The caller
// holds mu.
func (m *Monitor) settled(turn uint64) {
	switch {
	case m.turn != turn:
	case m.d.alive(m.o.Now()):
		m.owed = false
	default:
		m.tried = true
	}
}

func (m *Monitor) request(ctx context.Context) {
	m.mu.Lock()
	asking := m.asking
	m.asking = false
	m.mu.Unlock()
	of := m.o.Map.identity.request
	if !asking || of == nil {
		return
	}
	f := Frame{ID: of.id, Len: uint16(of.size)}
	if of.extended {
		f.Flags = Extended
	}
	call, cancel := context.WithTimeout(ctx, sendTime)
	defer cancel()
	// What cannot be asked is not answered, and shows there.
	_ = m.transmit(call, false, func() []Frame { return []Frame{f} })
}
