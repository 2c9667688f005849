package wire

import (
	"bytes"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// connectionsMax is how many connections one instrument keeps at a time.
const connectionsMax = 16

// gate is the place where an instrument's bytes meet its wire, and where the wire
// goes wrong on request.
type gate struct {
	mu          sync.Mutex
	now         Misbehaviour
	left        int // answers still to be spoilt, where now.Count says so
	connections map[io.Closer]struct{}
	max         int
	closed      bool
	done        <-chan struct{}
}

func newGate(most int, done <-chan struct{}) *gate {
	return &gate{connections: map[io.Closer]struct{}{}, max: most, done: done}
}

// admit takes a connection in, or closes it.
func (g *gate) admit(c io.Closer) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.closed || g.now.Kind == Drop || len(g.connections) >= g.max {
		// Nothing that closing could say matters to an instrument.
		_ = c.Close()
		return false
	}
	g.connections[c] = struct{}{}
	return true
}

// leave ends a connection.
func (g *gate) leave(c io.Closer) {
	_ = c.Close()
	g.mu.Lock()
	delete(g.connections, c)
	g.mu.Unlock()
}

// misbehave changes what is wrong.
func (g *gate) misbehave(m Misbehaviour) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.now, g.left = m, m.Count
	if m.Kind == Drop {
		g.cut()
	}
}

// shut ends all connections, for good.
func (g *gate) shut() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.closed = true
	g.cut()
}

func (g *gate) cut() {
	for c := range g.connections {
		_ = c.Close()
	}
}

// kind is what is wrong at present.
func (g *gate) kind() Kind {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.now.Kind
}

// next is what is wrong with the answer that is about to go.
func (g *gate) next() Misbehaviour {
	g.mu.Lock()
	defer g.mu.Unlock()
	m := g.now
	if m.Count > 0 {
		if g.left--; g.left == 0 {
			g.now = Misbehaviour{}
		}
	}
	return m
}

// garbage is not UTF-8, no number, no header, and has no end of line before its
// own.
var garbage = []byte("\xff\xfe\x00\x80)]}(*&\x1b[?\xc3\x28 e+e,,;;\"\n")

// endless is how much comes where an answer has no end.
const endless = 1 << 20

// send lets an answer through as the wire is at present.
func (g *gate) send(w io.Writer, answer []byte) error {
	m := g.next()
	var err error
	write := func(p []byte) {
		if err == nil {
			_, err = w.Write(p)
		}
	}
	switch m.Kind {
	case Swallow, Drop:
	case Late:
		t := time.NewTimer(m.Delay)
		defer t.Stop()
		select {
		case <-t.C:
			write(answer)
		case <-g.done:
		}
	case Twice:
		write(answer)
		write(answer)
	case Half:
		write(answer[:len(answer)/2])
	case Garbage:
		write(garbage)
	case Endless:
		write(bytes.Repeat([]byte{'7'}, endless))
	default:
		write(answer)
	}
	return err
}

// check says whether a misbehaviour means something to an instrument.
func (m Misbehaviour) check(d virtual.Device) error {
	scpi := d == virtual.DeviceSupply || d == virtual.DeviceLoad || d == virtual.DeviceMeter
	switch m.Kind {
	case Well, Swallow, Drop, Twice, Half, Garbage, Endless, WrongIdentity:
	case Late:
		if m.Delay <= 0 {
			return fmt.Errorf("late by %v; give a delay over 0", m.Delay)
		}
	case ManyErrors:
		if !scpi {
			return fmt.Errorf("%s: only SCPI instruments have an error queue", m.Kind)
		}
	default:
		return fmt.Errorf("unknown kind %q", m.Kind)
	}
	if m.Count < 0 {
		return fmt.Errorf("%d answers; give 0 for all of them, or more", m.Count)
	}
	return nil
}
