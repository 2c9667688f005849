package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// plainBox is a box of common-box's registers that does nothing by itself: its
// contactors follow the command register whenever heartbeats come and the
// emergency stop is out. A driver must make up for what it lacks.
type plainBox struct {
	mu      sync.Mutex
	held    uint16
	stop    bool
	alive   bool // a heartbeat has come since the silence began
	link    int32
	beat    uint16
	log     []string // writes, in the order in which they were met
	reads   int
	closed  bool // a contactor has closed since watch
	changed *sync.Cond
}

func newPlainBox() *plainBox {
	b := &plainBox{link: 12_340}
	b.changed = sync.NewCond(&b.mu)
	return b
}

// watch forgets the log and what has closed.
func (b *plainBox) watch() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.log, b.closed = nil, false
}

func (b *plainBox) set(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f()
	b.settle()
}

func (b *plainBox) contacts() uint16 {
	if b.alive && !b.stop {
		return b.held
	}
	return 0
}

func (b *plainBox) settle() {
	b.closed = b.closed || b.contacts() != 0
	b.changed.Broadcast()
}

func (b *plainBox) writes() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.log)
}

func (b *plainBox) everClosed() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.closed
}

// await waits for a write.
func (b *plainBox) await(write string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for !slices.Contains(b.log, write) {
		b.changed.Wait()
	}
}

// answer is the box's reply to a request.
func (b *plainBox) answer(pdu []byte) []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	at, n := binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	switch {
	case pdu[0] == 6 && at == 0:
		b.held = n
		b.log = append(b.log, fmt.Sprintf("command %d", n))
		b.settle()
		return pdu
	case pdu[0] == 6 && at == 1:
		b.alive = true
		b.log = append(b.log, "pulse")
		b.settle()
		return pdu
	case pdu[0] == 3 && at == 0 && n == 1:
		return []byte{3, 2, byte(b.held >> 8), byte(b.held)}
	case pdu[0] == 4 && int(at)+int(n) <= 200:
		b.reads++
		b.beat++
		image := make([]uint16, 200)
		image[0], image[1], image[5], image[7] = uint16(uint32(b.link)>>16), uint16(b.link), b.beat, 1000
		image[2] = 0x8000
		image[4] = b.contacts()
		if b.stop {
			image[4] |= drivers.BoxEmergencyStop
		}
		out := []byte{4, byte(2 * n)}
		for _, w := range image[at : at+n] {
			out = append(out, byte(w>>8), byte(w))
		}
		return out
	}
	return []byte{pdu[0] | 0x80, 2}
}

// deal is what a peer does with a request: it returns what goes out on the wire
// and whether the connection then ends. serial requests and replies are whole
// frames, TCP ones too.
type deal func(conn int, request []byte) (wire []byte, hangUp bool)

// peer serves raw frames over TCP.
type peer struct {
	address string
	mu      sync.Mutex
	deal    deal
	conns   []net.Conn
}

func (p *peer) does(d deal) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.deal = d
}

func (p *peer) dealer() deal {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.deal
}

// count is how many connections there have been.
func (p *peer) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.conns)
}

func newPeer(t testing.TB, d deal) *peer {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &peer{address: "tcp:" + l.Addr().String(), deal: d}
	var group sync.WaitGroup
	group.Go(func() {
		for n := 1; ; n++ {
			c, err := l.Accept()
			if err != nil {
				return
			}
			p.mu.Lock()
			p.conns = append(p.conns, c)
			p.mu.Unlock()
			group.Go(func() { p.serve(n, c) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		p.mu.Lock()
		for _, c := range p.conns {
			c.Close()
		}
		p.mu.Unlock()
		group.Wait()
	})
	return p
}

func (p *peer) serve(n int, c net.Conn) {
	defer c.Close()
	var out sync.Mutex
	var group sync.WaitGroup
	defer group.Wait()
	for {
		head := make([]byte, 7)
		if _, err := io.ReadFull(c, head); err != nil {
			return
		}
		body := make([]byte, int(binary.BigEndian.Uint16(head[4:]))-1)
		if _, err := io.ReadFull(c, body); err != nil {
			return
		}
		// Replies may overtake one another, as the standard allows.
		deal := p.dealer()
		done := make(chan struct{})
		group.Go(func() {
			defer close(done)
			wire, hangUp := deal(n, append(head, body...))
			out.Lock()
			defer out.Unlock()
			if _, err := c.Write(wire); hangUp || err != nil {
				c.Close()
			}
		})
		if body[0] > 4 {
			<-done // writes take effect in the order in which they came
		}
	}
}

// reply frames a reply PDU for a request frame.
func frameFor(request, pdu []byte) []byte {
	out := append([]byte(nil), request[:7]...)
	binary.BigEndian.PutUint16(out[4:], uint16(1+len(pdu)))
	return append(out, pdu...)
}

// honest answers as the box does.
func honest(b *plainBox) deal {
	return func(_ int, request []byte) ([]byte, bool) { return frameFor(request, b.answer(request[7:])), false }
}

// serialPeer serves raw frames on a serial line.
type serialPeer struct {
	path   string
	device io.ReadWriteCloser
	mu     sync.Mutex
	deal   deal
	gone   chan struct{}
}

func (p *serialPeer) does(d deal) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.deal = d
}

func newSerialPeer(t testing.TB, d deal) *serialPeer {
	t.Helper()
	device, path := serialLine(t)
	p := &serialPeer{path: "rtu:" + path + "?baud=115200", device: device, deal: d, gone: make(chan struct{})}
	go func() {
		defer close(p.gone)
		var got []byte
		buffer := make([]byte, 512)
		for {
			n, err := device.Read(buffer)
			if err != nil {
				return
			}
			// Every request to a plain box is eight bytes long.
			for got = append(got, buffer[:n]...); len(got) >= 8; got = got[8:] {
				p.mu.Lock()
				deal := p.deal
				p.mu.Unlock()
				wire, hangUp := deal(0, got[:8])
				if _, err := device.Write(wire); hangUp || err != nil {
					device.Close()
					return
				}
			}
		}
	}()
	return p
}

func serialFor(unit byte, pdu []byte) []byte { return sum(append([]byte{unit}, pdu...)) }

func honestSerial(b *plainBox) deal {
	return func(_ int, request []byte) ([]byte, bool) {
		if string(sum(request[:6])) != string(request) {
			panic(errors.New("the driver's frame fails its check"))
		}
		return serialFor(request[0], b.answer(request[1:6])), false
	}
}
