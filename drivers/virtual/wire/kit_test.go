package wire

import (
	"bufio"
	"bytes"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

const epoch = 1_700_000_000_000_000

// rig is a bench on its wires whose clock the test moves.
type rig struct {
	t     *testing.T
	s     *Server
	rt    *virtual.Realtime
	clock atomic.Int64
	truth bytes.Buffer
	told  tape
	heart func()
}

// tape is a record that may be read while it is written.
type tape struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (t *tape) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.b.Write(p)
}

// lines are the record so far, each line read back and printed again.
func (t *tape) lines(test *testing.T) []Line {
	t.mu.Lock()
	defer t.mu.Unlock()
	var list []Line
	for _, s := range strings.Split(strings.TrimSuffix(t.b.String(), "\n"), "\n") {
		if s == "" {
			continue
		}
		l, err := ParseLine(s)
		require.NoError(test, err)
		require.Equal(test, s, l.String())
		list = append(list, l)
	}
	return list
}

// count says how many lines have a word of a device.
func (t *tape) count(test *testing.T, d virtual.Device, w Word) int {
	n := 0
	for _, l := range t.lines(test) {
		if l.Device == d && l.Word == w {
			n++
		}
	}
	return n
}

// benchConfig is the workshop's bench with sensors that only round.
func benchConfig() virtual.Config {
	return virtual.Config{
		Bench: virtual.WorkshopBench(), Article: virtual.DefaultArticle(),
		Seed: 7, Start: epoch, Sensing: virtual.Sensing{Ideal: true},
	}
}

func newRig(t *testing.T, change func(*virtual.Config, *Config)) *rig {
	t.Helper()
	r := &rig{t: t}
	bench, c := benchConfig(), Config{Record: &r.told}
	bench.Truth = &r.truth
	if change != nil {
		change(&bench, &c)
	}
	b, err := virtual.New(bench)
	require.NoError(t, err)
	r.clock.Store(int64(bench.Start))
	r.rt = virtual.NewRealtime(b, func() drivers.Instant { return drivers.Instant(r.clock.Load()) })
	c.Realtime = r.rt
	r.s, err = Start(c)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, r.s.Close()) })
	return r
}

// advance moves the clock, and the bench with it.
func (r *rig) advance(d drivers.Span) {
	r.clock.Add(int64(d))
	r.s.Turn()
}

// peer is a plain socket to an instrument.
type peer struct {
	t *testing.T
	net.Conn
	r *bufio.Reader
}

func dial(t *testing.T, address string) *peer {
	t.Helper()
	network, where, _ := strings.Cut(address, ":")
	c, err := net.Dial(network, where)
	require.NoError(t, err)
	require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second)))
	t.Cleanup(func() { _ = c.Close() })
	return &peer{t, c, bufio.NewReader(c)}
}

func (p *peer) send(message string) {
	p.t.Helper()
	_, err := p.Write([]byte(message + "\n"))
	require.NoError(p.t, err)
}

func (p *peer) ask(message string) string {
	p.t.Helper()
	p.send(message)
	return p.line()
}

func (p *peer) line() string {
	p.t.Helper()
	s, err := p.r.ReadString('\n')
	require.NoError(p.t, err)
	return strings.TrimSuffix(s, "\n")
}

// obey sends a message and demands that the instrument had nothing against it.
func (p *peer) obey(message string) {
	p.t.Helper()
	p.send(message)
	require.Equal(p.t, `0,"No error"`, p.ask("SYST:ERR?"), message)
}

// refuse sends a message and demands an error.
func (p *peer) refuse(message, want string) {
	p.t.Helper()
	p.send(message)
	require.Equal(p.t, want, p.ask("SYST:ERR?"), message)
	require.Equal(p.t, `0,"No error"`, p.ask("SYST:ERR?"), message)
}

// pipe is a line between a peer and an instrument.
func pipe(t *testing.T) (*peer, net.Conn) {
	t.Helper()
	near, far := net.Pipe()
	t.Cleanup(func() { _ = near.Close() })
	return &peer{t, near, bufio.NewReader(near)}, far
}
