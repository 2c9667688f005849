package wire

import (
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"
)

// listen opens an address such as tcp:127.0.0.1:0 or unix:/run/bench.sock.
func listen(address string) (net.Listener, error) {
	network, where, ok := strings.Cut(address, ":")
	if !ok || where == "" || network != "tcp" && network != "unix" {
		return nil, fmt.Errorf("%q is no address to listen at; write tcp:HOST:PORT or unix:PATH", address)
	}
	l, err := net.Listen(network, where)
	if err != nil {
		return nil, fmt.Errorf("listen at %s: %w", address, err)
	}
	return l, nil
}

// named is the address of a listener, as bench files write it.
func named(l net.Listener) string { return l.Addr().Network() + ":" + l.Addr().String() }

// accept serves a listener's connections until it is closed.
func (s *Server) accept(l net.Listener, g *gate, serve func(io.ReadWriter)) {
	s.listeners = append(s.listeners, l)
	s.group.Go(func() {
		for {
			c, err := l.Accept()
			switch {
			case errors.Is(err, net.ErrClosed):
				return
			case err == nil:
				s.attach(c, g, serve)
			case !s.pause(acceptPause): // too many open files, say
				return
			}
		}
	})
}

// attach serves one connection.
func (s *Server) attach(c io.ReadWriteCloser, g *gate, serve func(io.ReadWriter)) bool {
	if !g.admit(c) {
		return false
	}
	s.group.Go(func() {
		defer g.leave(c)
		serve(c)
	})
	return true
}

// acceptPause keeps a listener that cannot accept from spinning.
const acceptPause = 50 * time.Millisecond

// pause waits; false: the server is closing.
func (s *Server) pause(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-s.done:
		return false
	}
}
