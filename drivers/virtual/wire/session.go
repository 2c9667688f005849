package wire

import (
	"bufio"
	"errors"
	"io"
	"strings"

	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// messageMax bounds a program message: what is longer fits no input buffer.
const messageMax = 4096

// messages reads program messages that end with a line feed; a carriage return
// before it is white space (IEEE 488.2, 7.5 and 7.4.1.2). A message that is too
// long is dropped to its end and given as overrun.
type messages struct{ r *bufio.Reader }

func newMessages(r io.Reader) messages { return messages{bufio.NewReaderSize(r, messageMax)} }

func (m messages) next() (text string, overrun bool, err error) {
	line, err := m.r.ReadSlice('\n')
	for errors.Is(err, bufio.ErrBufferFull) {
		overrun = true
		line, err = m.r.ReadSlice('\n')
	}
	if err != nil {
		return "", false, err
	}
	if overrun {
		return "", true, nil
	}
	return strings.TrimRight(string(line), "\r\n"), false, nil
}

// swallower loses the bytes that come in while its wire is cut.
type swallower struct {
	r io.Reader
	g *gate
}

func (s swallower) Read(p []byte) (int, error) {
	for {
		n, err := s.r.Read(p)
		if err != nil || s.g.kind() != Swallow {
			return n, err
		}
	}
}

// converse serves one connection of an SCPI instrument. Messages of all its
// connections share registers, status and error queue; a response goes to where
// its query came from.
func (s *Server) converse(in *instrument, c io.ReadWriter) {
	g := s.gates[in.device]
	m := newMessages(swallower{c, g})
	for {
		text, overrun, err := m.next()
		if err != nil {
			return
		}
		response, answered := s.hear(in, text, overrun, g.kind())
		if !answered {
			continue
		}
		if err := g.send(c, append([]byte(response), '\n')); err != nil {
			return
		}
	}
}

// hear lets an instrument carry out a message at the bench's present.
func (s *Server) hear(in *instrument, text string, overrun bool, kind Kind) (response string, answered bool) {
	s.rt.Do(func(b *virtual.Bench) {
		if !in.answers(b) {
			return
		}
		if in.source != nil {
			// Any complete message is a sign of life, one with mistakes too.
			b.Panel(in.device).Hear()
		}
		if overrun {
			in.status.fail(fault(-363))
			return
		}
		if kind == ManyErrors {
			for range queueSize + 1 {
				in.status.fail(fault(-200))
			}
		}
		response, answered = in.execute(b, text, kind == WrongIdentity)
	})
	return response, answered
}

func (in *instrument) answers(b *virtual.Bench) bool {
	if in.source == nil {
		return b.MeterPanel().Answers()
	}
	return b.Panel(in.device).Answers()
}
