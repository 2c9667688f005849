package modbus

import (
	"context"
	"fmt"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	judge "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// ticker is a clock that the test moves.
type ticker struct{ at atomic.Int64 }

func (c *ticker) now() drivers.Instant { return drivers.Instant(c.at.Load()) }
func (c *ticker) move(d drivers.Span)  { c.at.Add(int64(d)) }

func plainDriver(t testing.TB, address string) (*Box, *ticker) {
	t.Helper()
	c := &ticker{}
	x, err := NewBox(Options{Address: address, Map: shippedMap(t, "common-box"), Now: c.now}, virtual.WorkshopBench().Box)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, x.Close()) })
	return x, c
}

const negative, precharge, positive = drivers.Contactors(drivers.BoxNegative), drivers.Contactors(drivers.BoxPrecharge), drivers.Contactors(drivers.BoxPositive)

// INV-06: a box that still holds the command of a driver that died closes its
// contactors as soon as heartbeats come again. The new driver opens them first.
func TestFirstContactClosesNothing(t *testing.T) {
	b := newPlainBox()
	b.held = 5
	x, _ := plainDriver(t, newPeer(t, honest(b)).address)
	r, err := x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	assert.EqualValues(t, 1234, r.Link, "12.340 V in steps of 10 mV")
	assert.Equal(t, drivers.NoReading, r.Current)
	assert.Equal(t, []string{"command 0", "pulse"}, b.writes())
	assert.False(t, b.everClosed())
}

// After a silence as long as the box's limit nothing closes until it is
// commanded anew, whatever the box holds.
func TestSilenceOpens(t *testing.T) {
	b := newPlainBox()
	x, clock := plainDriver(t, newPeer(t, honest(b)).address)
	ctx := within(t, 5*time.Second)
	require.NoError(t, x.Switch(ctx, negative|precharge))
	for range 30 {
		clock.move(100 * drivers.Millisecond)
		r, err := x.Read(ctx)
		require.NoError(t, err)
		require.EqualValues(t, negative|precharge, r.State)
	}
	b.set(func() { b.alive = false }) // the box has dropped out
	b.watch()
	clock.move(drivers.Second)
	r, err := x.Read(ctx)
	require.NoError(t, err)
	assert.Zero(t, r.State)
	assert.Equal(t, []string{"command 0", "pulse"}, b.writes())
	assert.False(t, b.everClosed())
	require.NoError(t, x.Switch(ctx, negative))
	assert.True(t, b.everClosed())
}

// INV-13: releasing the emergency stop closes nothing, and nothing can be closed
// while it is engaged.
func TestEmergencyStopOpens(t *testing.T) {
	b := newPlainBox()
	x, _ := plainDriver(t, newPeer(t, honest(b)).address)
	ctx := within(t, 5*time.Second)
	require.NoError(t, x.Switch(ctx, negative|positive))
	b.set(func() { b.stop = true })
	b.watch()
	r, err := x.Read(ctx)
	require.NoError(t, err)
	assert.EqualValues(t, drivers.BoxEmergencyStop, r.State)
	assert.Equal(t, []string{"command 0"}, b.writes())
	err = x.Switch(ctx, negative)
	require.ErrorIs(t, err, drivers.ErrRefused)
	require.ErrorContains(t, err, "the emergency stop is engaged")
	b.set(func() { b.stop = false })
	_, err = x.Read(ctx)
	require.NoError(t, err)
	assert.False(t, b.everClosed())
}

// A reading is one request, and a heartbeat goes out four times per limit: a
// link period of a few milliseconds costs one round trip.
func TestFewRequests(t *testing.T) {
	b := newPlainBox()
	x, clock := plainDriver(t, newPeer(t, honest(b)).address)
	ctx := within(t, 10*time.Second)
	_, err := x.Read(ctx)
	require.NoError(t, err)
	b.watch()
	b.set(func() { b.reads = 0 })
	start := time.Now()
	const reads = 400
	for range reads {
		clock.move(5 * drivers.Millisecond)
		_, err := x.Read(ctx)
		require.NoError(t, err)
	}
	t.Logf("%v a reading", time.Since(start)/reads)
	assert.Len(t, b.writes(), reads*5/250)
	b.set(func() { assert.Equal(t, reads, b.reads) })
}

// A halt does not wait for a read in flight, nor a read for a halt.
func TestHaltOvertakesRead(t *testing.T) {
	for _, outstanding := range []int{1, 4} {
		t.Run(fmt.Sprint(outstanding), func(t *testing.T) { haltOvertakesRead(t, outstanding) })
	}
}

func haltOvertakesRead(t *testing.T, outstanding int) {
	b := newPlainBox()
	p := newPeer(t, honest(b))
	m := *shippedMap(t, "common-box")
	m.outstanding = outstanding
	x, err := NewBox(Options{Address: p.address, Map: &m}, virtual.WorkshopBench().Box)
	require.NoError(t, err)
	defer x.Close()
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	asked, release := make(chan struct{}), make(chan struct{})
	var once sync.Once
	p.does(func(_ int, request []byte) ([]byte, bool) {
		if request[7] == 4 {
			once.Do(func() { close(asked) })
			<-release
		}
		return frameFor(request, b.answer(request[7:])), false
	})
	read := make(chan error, 1)
	go func() {
		_, err := x.Read(within(t, 20*time.Second))
		read <- err
	}()
	<-asked
	start := time.Now()
	require.NoError(t, x.Halt(within(t, 10*time.Second)))
	took := time.Since(start)
	t.Logf("halt took %v with a read in flight", took)
	assert.Less(t, took, 5*time.Second, "it would have been written anew only after half its time")
	b.set(func() { assert.Zero(t, b.contacts()) })
	select {
	case err := <-read:
		t.Fatalf("the read ended (%v) before its reply came", err)
	default:
	}
	close(release)
	require.NoError(t, <-read)
	assert.Equal(t, 1, p.count(), "on the same connection")
}

// A device that answers nothing while it is busy is reached over a new
// connection, within the halt's own time.
func TestHaltResetsDeafConnection(t *testing.T) {
	b := newPlainBox()
	over := make(chan struct{})
	p := newPeer(t, honest(b))
	t.Cleanup(func() { close(over) })
	x, _ := plainDriver(t, p.address)
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	p.does(func(conn int, request []byte) ([]byte, bool) {
		if conn == 1 {
			<-over
			return nil, true
		}
		return frameFor(request, b.answer(request[7:])), false
	})
	start := time.Now()
	require.NoError(t, x.Halt(within(t, 400*time.Millisecond)))
	took := time.Since(start)
	t.Logf("halt took %v over a new connection", took)
	assert.GreaterOrEqual(t, took, 150*time.Millisecond)
	b.set(func() { assert.Zero(t, b.contacts()) })
}

// network is a wire that can be cut: it swallows nothing, it holds what is sent
// until it is mended, as a network's own retransmission does. What the sender
// has reset is thrown away.
type network struct {
	mu      sync.Mutex
	mended  *sync.Cond
	cut     bool
	dropped int
}

func newNetwork(t *testing.T, to string) (*network, string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	n := &network{}
	n.mended = sync.NewCond(&n.mu)
	t.Cleanup(func() { l.Close(); n.set(false) })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			d, err := net.Dial("tcp", to)
			if err != nil {
				c.Close()
				continue
			}
			go io.Copy(c, d)
			go n.carry(c, d)
		}
	}()
	return n, "tcp:" + l.Addr().String()
}

func (n *network) set(cut bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.cut = cut
	n.mended.Broadcast()
}

func (n *network) carry(from, to net.Conn) {
	defer to.Close()
	chunks := make(chan []byte, 100)
	reset := make(chan struct{})
	go func() {
		defer close(chunks)
		for {
			b := make([]byte, 512)
			k, err := from.Read(b)
			if k > 0 {
				chunks <- b[:k]
			}
			if err == io.EOF {
				return // a proper end: what was sent still arrives
			}
			if err != nil {
				close(reset)
				n.mended.Broadcast()
				return
			}
		}
	}()
	for b := range chunks {
		n.mu.Lock()
		for n.cut {
			n.mended.Wait()
		}
		n.mu.Unlock()
		select {
		case <-reset:
			n.mu.Lock()
			n.dropped++
			n.mu.Unlock()
			continue
		default:
		}
		if _, err := to.Write(b); err != nil {
			return
		}
	}
}

// A closing that was on its way when the network stalled never arrives after
// the halt that followed it.
func TestStalledClosingNeverArrives(t *testing.T) {
	b := newPlainBox()
	p := newPeer(t, honest(b))
	n, address := newNetwork(t, p.address[len("tcp:"):])
	x, _ := plainDriver(t, address)
	_, err := x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	b.watch()

	// The network stalls right after the look that precedes the closing.
	p.does(func(_ int, request []byte) ([]byte, bool) {
		if request[7] == 4 {
			n.set(true)
		}
		return frameFor(request, b.answer(request[7:])), false
	})
	require.ErrorIs(t, x.Switch(within(t, 100*time.Millisecond), negative), drivers.ErrNoAnswer)
	require.ErrorIs(t, x.Halt(within(t, 100*time.Millisecond)), drivers.ErrNoAnswer)
	p.does(honest(b))
	n.set(false)
	require.NoError(t, x.Halt(within(t, 5*time.Second)))
	require.Eventually(t, func() bool {
		n.mu.Lock()
		defer n.mu.Unlock()
		return n.dropped > 0
	}, 5*time.Second, time.Millisecond, "the closing was on its way and is thrown away")
	assert.NotContains(t, b.writes(), "command 1")
	assert.False(t, b.everClosed())
	b.set(func() { assert.Zero(t, b.held) })
}

// A halt that comes between a closing's first look and its write makes it void.
func TestHaltVoidsClosing(t *testing.T) {
	b := newPlainBox()
	p := newPeer(t, honest(b))
	x, _ := plainDriver(t, p.address)
	_, err := x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	b.watch()
	halted := make(chan error, 1)
	var once sync.Once
	p.does(func(_ int, request []byte) ([]byte, bool) {
		if request[7] == 4 {
			once.Do(func() {
				go func() { halted <- x.Halt(within(t, 5*time.Second)) }()
				b.await("command 0")
			})
		}
		return frameFor(request, b.answer(request[7:])), false
	})
	err = x.Switch(within(t, 5*time.Second), negative)
	require.ErrorContains(t, err, "overtaken by a halt")
	require.NoError(t, <-halted)
	assert.NotContains(t, b.writes(), "command 1")
	assert.False(t, b.everClosed())
}

// A box that acknowledges and does not take the command is found out.
func TestReadBack(t *testing.T) {
	b := newPlainBox()
	x, _ := plainDriver(t, newPeer(t, func(_ int, request []byte) ([]byte, bool) {
		if request[7] == 6 && request[9] == 0 {
			return frameFor(request, request[7:]), false
		}
		return frameFor(request, b.answer(request[7:])), false
	}).address)
	ctx := within(t, 5*time.Second)
	err := x.Switch(ctx, negative)
	require.ErrorIs(t, err, drivers.ErrRefused)
	require.ErrorContains(t, err, "read back read holding register 0: it holds [0x0000], it was told to close negative")
	b.set(func() { b.held = 7 })
	err = x.Halt(ctx)
	require.ErrorIs(t, err, drivers.ErrRefused)
	require.ErrorContains(t, err, "it acknowledged and still holds [0x0007]")
}

// A box that is busy is told to halt again until it takes it.
func TestHaltInsistsOnBusyBox(t *testing.T) {
	b := newBench(t)
	x := openBox(t, b, serveTCP(t, b))
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	left := 5
	b.mu.Lock()
	b.refuse = func(write bool, at uint16, n int) error {
		if write && at == 0 && left > 0 {
			left--
			return judge.ErrServerDeviceBusy
		}
		return nil
	}
	b.mu.Unlock()
	require.NoError(t, x.Halt(within(t, 5*time.Second)))
	b.mu.Lock()
	defer b.mu.Unlock()
	assert.Zero(t, left)
	assert.Zero(t, b.held)
}

// The register that does not exist is named, with its address.
func TestMissingRegister(t *testing.T) {
	b := newBench(t)
	x := openBox(t, b, serveTCP(t, b))
	b.mu.Lock()
	b.refuse = func(write bool, at uint16, n int) error {
		if at <= 5 && int(at)+n > 5 {
			return judge.ErrIllegalDataAddress
		}
		return nil
	}
	b.mu.Unlock()
	_, err := x.Read(within(t, 5*time.Second))
	require.ErrorIs(t, err, drivers.ErrRefused)
	require.ErrorContains(t, err, "unit 1: read beat at 5: exception 2, illegal data address: there is no such register")

	// A hole between points that are all there: the map's gap is too wide.
	p, err := NewPoints(Options{Address: serveTCP(t, b), Map: parse(t, "holes.yaml", `
map: holes
for: points
points:
  low: {table: input, at: 4, type: u16}
  high: {table: input, at: 6, type: u16}
`)})
	require.NoError(t, err)
	defer p.Close()
	_, err = p.Read(within(t, 5*time.Second))
	require.ErrorContains(t, err, "each of these points exists, a register between them does not: write a smaller `gap`")
}

// A box that takes any request for a sign of life is opened after a silence all
// the same, and else nothing but readings goes out.
func TestFedByAnyRequest(t *testing.T) {
	b := newPlainBox()
	b.alive = true
	p := newPeer(t, honest(b))
	m := *shippedMap(t, "common-box")
	m.heartbeat.register, m.heartbeat.any = nil, true
	c := &ticker{}
	x, err := NewBox(Options{Address: p.address, Map: &m, Now: c.now}, virtual.WorkshopBench().Box)
	require.NoError(t, err)
	defer x.Close()
	ctx := within(t, 5*time.Second)
	require.NoError(t, x.Switch(ctx, negative))
	for range 30 {
		c.move(100 * drivers.Millisecond)
		r, err := x.Read(ctx)
		require.NoError(t, err)
		require.EqualValues(t, negative, r.State)
	}
	require.Equal(t, []string{"command 0", "command 1"}, b.writes())
	c.move(drivers.Second)
	r, err := x.Read(ctx)
	require.NoError(t, err)
	require.Zero(t, r.State)
}

// What the bench file says of the box must be what the map and the box can do.
func TestBoxFitsBench(t *testing.T) {
	spec := virtual.WorkshopBench().Box
	m := shippedMap(t, "common-box")
	open := func(change func(*drivers.BoxSpec), m *Map) error {
		s := spec
		change(&s)
		x, err := NewBox(Options{Address: "tcp:127.0.0.1:1", Map: m}, s)
		if err == nil {
			err = x.Close()
		}
		return err
	}
	assert.NoError(t, open(func(*drivers.BoxSpec) {}, m))
	assert.ErrorContains(t, open(func(s *drivers.BoxSpec) { s.LinkStep = 100 }, m), "link comes in steps of 1 mV, the bench file says 100 uV")
	assert.ErrorContains(t, open(func(s *drivers.BoxSpec) { s.LinkStep = 0 }, m), "no step of the link's voltage")
	none := *m
	none.heartbeat, none.current = heartbeat{}, nil
	assert.ErrorContains(t, open(func(*drivers.BoxSpec) {}, &none), "measures current")
	assert.ErrorContains(t, open(func(s *drivers.BoxSpec) { s.CurrentStep = 0 }, &none), "the register map has none")
	assert.ErrorContains(t, open(func(*drivers.BoxSpec) {}, shippedMap(t, "common-thermometer")), "a register map for a box is needed")

	// The box bears a longer silence than the bench file reckons with.
	s := spec
	s.Heartbeat = 500 * drivers.Millisecond
	x, err := NewBox(Options{Address: newPeer(t, honest(newPlainBox())).address, Map: m}, s)
	require.NoError(t, err)
	defer x.Close()
	_, err = x.Read(within(t, 5*time.Second))
	require.ErrorIs(t, err, drivers.ErrRefused)
	require.ErrorContains(t, err, "heartbeat.limit at 7: its silence limit is 1 s, the bench file's heartbeat is 500 ms")
}

// The box's counter is narrower than ours and starts anew with the box.
func TestBeatGoesOn(t *testing.T) {
	b := &Box{device: &device{}}
	assert.EqualValues(t, 65_534, b.count(65_534, 1))
	assert.EqualValues(t, 65_537, b.count(1, 1))
	assert.EqualValues(t, 65_537, b.count(1, 1), "nothing new was measured")
	b.beat = 1<<31 - 1
	assert.EqualValues(t, 0, b.count(2, 1), "it wraps to 0")
	b = &Box{device: &device{}}
	assert.EqualValues(t, 1, b.count(1, 0))
	assert.EqualValues(t, 2, b.count(1, 0), "without a counter each answer is a measurement")
}

func TestCounts(t *testing.T) {
	for _, c := range []struct{ v, step, want int64 }{
		{12_344_999, 10_000, 1234}, {12_345_000, 10_000, 1235}, {-12_345_000, 10_000, -1235}, {0, 10_000, 0},
		{1 << 40, 1, int64(drivers.NoReading)}, {-1 << 40, 1, int64(drivers.NoReading)}, {-1 << 31, 1, int64(drivers.NoReading)},
	} {
		assert.EqualValues(t, c.want, counts(c.v, c.step), fmt.Sprint(c))
	}
}

// Calls whose time is over change nothing, save a halt, which is still tried.
func TestCallsThatAreOver(t *testing.T) {
	b := newPlainBox()
	x, _ := plainDriver(t, newPeer(t, honest(b)).address)
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	b.watch()
	over, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := x.Read(over)
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
	require.ErrorIs(t, x.Switch(over, positive), drivers.ErrNoAnswer)
	require.Empty(t, b.writes())
	_ = x.Halt(over) // may fail, and acts all the same
	b.await("command 0")
}

// A device that was the wrong one and then, over the same connection (a gateway,
// a serial line), is the right one can be halted like any other.
func TestHaltAfterTheWrongDevice(t *testing.T) {
	b := newPlainBox()
	serial := []byte("KB-0008")
	p := newPeer(t, func(conn int, r []byte) ([]byte, bool) {
		wire, hangUp := honest(b)(conn, r)
		if r[7] == 4 && r[9] == 100 { // texts from register 100 on, the serial at 116
			b.set(func() { copy(wire[9+2*16:], serial) })
		}
		return wire, hangUp
	})
	x, err := NewBox(Options{Address: p.address, Map: shippedMap(t, "common-box"), Now: (&ticker{}).now, Expect: drivers.Identity{Serial: "KB-0007"}},
		virtual.WorkshopBench().Box)
	require.NoError(t, err)
	defer x.Close()
	_, err = x.Read(within(t, 5*time.Second))
	require.ErrorIs(t, err, drivers.ErrIdentity)
	require.ErrorIs(t, x.Halt(within(t, 5*time.Second)), drivers.ErrIdentity)
	require.Empty(t, b.writes(), "another device is told nothing")
	b.set(func() { serial = []byte("KB-0007") })
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	require.NoError(t, x.Halt(within(t, 5*time.Second)))
	b.set(func() { assert.Zero(t, b.contacts()) })
	assert.Equal(t, 1, p.count())
}
