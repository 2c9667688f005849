package wire

import (
	"encoding/binary"
	"io"
	"sync"

	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// bus carries the monitor's frames to everybody who listens, and what one of them
// says to the monitor and to the others, as a real bus would.
type bus struct {
	gate *gate
	done <-chan struct{}

	mu      sync.Mutex
	members map[*member]struct{}
}

// member is one listener.
type member struct {
	order binary.ByteOrder
	// queue holds what was not written yet; a listener that does not keep up
	// loses the oldest, as a controller with a full buffer does.
	queue chan []canFrame
}

// queueMax is how many sweeps wait for a listener.
const queueMax = 256

func newBus(g *gate, done <-chan struct{}) *bus {
	return &bus{gate: g, done: done, members: map[*member]struct{}{}}
}

// emit sends frames to everybody but from.
func (u *bus) emit(frames []canFrame, from *member) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for m := range u.members {
		if m != from {
			m.push(frames)
		}
	}
}

func (m *member) push(frames []canFrame) {
	for {
		select {
		case m.queue <- frames:
			return
		default:
		}
		select {
		case <-m.queue:
		default:
		}
	}
}

// join serves one listener until its connection ends.
func (s *Server) join(c io.ReadWriter, order binary.ByteOrder) {
	u := s.bus
	m := &member{order: order, queue: make(chan []canFrame, queueMax)}
	u.mu.Lock()
	u.members[m] = struct{}{}
	u.mu.Unlock()
	gone := make(chan struct{})
	s.group.Go(func() { u.write(c, m, gone) })
	s.listen(c, m)
	close(gone)
	u.mu.Lock()
	delete(u.members, m)
	u.mu.Unlock()
}

func (u *bus) write(c io.Writer, m *member, gone <-chan struct{}) {
	for {
		select {
		case frames := <-m.queue:
			var out []byte
			for _, f := range frames {
				out = f.put(out, m.order)
			}
			if u.gate.send(c, out) != nil {
				return
			}
		case <-gone:
			return
		case <-u.done:
			return
		}
	}
}

// listen hears what a listener says.
func (s *Server) listen(c io.Reader, m *member) {
	in := swallower{c, s.bus.gate}
	for {
		var r [frameSize]byte
		if _, err := io.ReadFull(in, r[:]); err != nil {
			return
		}
		f, ok := readFrame(&r, m.order)
		if !ok {
			continue
		}
		s.bus.emit([]canFrame{f}, m)
		s.rt.Do(func(b *virtual.Bench) {
			if back := s.monitor.hear(b, f, s.bus.gate.kind() == WrongIdentity); back != nil {
				s.bus.emit(back, nil)
			}
		})
	}
}
