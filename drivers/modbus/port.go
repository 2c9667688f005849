package modbus

import (
	"errors"
	"fmt"
	"time"

	"go.bug.st/serial"

	"github.com/rigwarden/rigwarden/drivers"
)

// errHangUp says that the port ended by itself; the library has no word for it
// that differs from its own closing.
var errHangUp = errors.New("the port is gone")

// ready opens the port where it is not open. After a failure it is not looked
// for before a growing pause is over, except in a hurry.
func (b *bus) ready(hurry bool) error {
	if b.port != nil {
		return nil
	}
	if !hurry && b.failure != nil && time.Now().Before(b.retryAt) {
		return fmt.Errorf("%w; it will be tried again soon", b.failure)
	}
	p, err := openPort(b.path, b.mode)
	if err != nil {
		b.lost = true
		b.pause = min(max(2*b.pause, backOffMin), backOffMax)
		b.retryAt = time.Now().Add(b.pause)
		b.failure = fmt.Errorf("serial port %s: %v: %w", b.path, err, drivers.ErrNoAnswer)
		return b.failure
	}
	if b.lost {
		// Another device may be behind it now.
		b.found.Add(1)
	}
	b.port, b.lost, b.failure, b.pause = p, false, nil, 0
	return nil
}

var parities = map[string]serial.Parity{"none": serial.NoParity, "even": serial.EvenParity, "odd": serial.OddParity}

func openPort(path string, m serialMode) (*port, error) {
	stop := serial.OneStopBit
	if m.stop == 2 {
		stop = serial.TwoStopBits
	}
	s, err := serial.Open(path, &serial.Mode{BaudRate: m.baud, DataBits: 8, Parity: parities[m.parity], StopBits: stop})
	if err != nil {
		return nil, err
	}
	// What came before is no answer to anything.
	if err := s.ResetInputBuffer(); err != nil {
		s.Close()
		return nil, err
	}
	p := &port{Port: s, bytes: make(chan []byte, 64), done: make(chan struct{})}
	go p.receive()
	return p, nil
}

// receive passes on what comes until the port ends.
func (p *port) receive() {
	defer close(p.bytes)
	for {
		b := make([]byte, maxSerial)
		n, err := p.Read(b)
		if n == 0 {
			if err == nil {
				err = errHangUp // without a read timeout nothing else gives nothing
			}
			p.fail = err
			return
		}
		select {
		case p.bytes <- b[:n]:
		case <-p.done:
			p.fail = errHangUp
			return
		}
	}
}

// shut closes the port and waits for its receiver.
func (b *bus) shut() {
	if b.port == nil {
		return
	}
	close(b.port.done)
	_ = b.port.Close() // it may be gone already
	for range b.port.bytes {
	}
	b.port = nil
}

// gone ends a port that failed by itself.
func (b *bus) gone(err error) error {
	b.shut()
	b.lost = true
	return fmt.Errorf("serial port %s: %v: %w", b.path, err, drivers.ErrNoAnswer)
}
