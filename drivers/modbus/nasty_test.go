package modbus

import (
	"encoding/binary"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// once makes a deal that spoils the first read and then is honest.
func once(spoil, honest deal, isRead func([]byte) bool) deal {
	var done atomic.Bool
	return func(conn int, request []byte) ([]byte, bool) {
		if isRead(request) && done.CompareAndSwap(false, true) {
			return spoil(conn, request)
		}
		return honest(conn, request)
	}
}

// Whatever a peer makes of one reply, that reading fails with an error that
// names the device and the exchange, and the next one is right.
func TestNastyTCP(t *testing.T) {
	b := newPlainBox()
	good := func(request []byte) []byte { return frameFor(request, b.answer(request[7:])) }
	change := func(f func(frame []byte) []byte) deal {
		return func(_ int, request []byte) ([]byte, bool) { return f(good(request)), false }
	}
	for _, c := range []struct {
		what  string
		spoil deal
		want  string
		kind  error
	}{
		{"cut in half", func(_ int, r []byte) ([]byte, bool) { return good(r)[:11], true }, "closed the connection in the middle of a reply", drivers.ErrNoAnswer},
		{"cut in the header", func(_ int, r []byte) ([]byte, bool) { return good(r)[:3], true }, "closed the connection in the middle of a reply", drivers.ErrNoAnswer},
		{"hangs up", func(int, []byte) ([]byte, bool) { return nil, true }, "closed the connection", drivers.ErrNoAnswer},
		{"another transaction", change(func(f []byte) []byte { f[1]++; return f }), "was not asked for", drivers.ErrNoAnswer},
		{"another protocol", change(func(f []byte) []byte { copy(f, "HTTP/1."); return f }), "another service answers", drivers.ErrNoAnswer},
		{"another unit", change(func(f []byte) []byte { f[6] = 9; return f }), "unit 9 answers for unit 1", drivers.ErrNoAnswer},
		{"another function", change(func(f []byte) []byte { f[7] = 3; return f }), "function 0x3 answers function 4", drivers.ErrNoAnswer},
		{"too few registers", change(func(f []byte) []byte { return frameFor(f, []byte{4, 2, 0, 1}) }), "14 were asked for", drivers.ErrNoAnswer},
		{"announces too much", change(func(f []byte) []byte { f[8]++; return f }), "announced as 15", drivers.ErrNoAnswer},
		{"a length of nothing", change(func(f []byte) []byte { f[4], f[5] = 0, 1; return f }), "announces 0 bytes", drivers.ErrNoAnswer},
		{"a length without end", change(func(f []byte) []byte { f[4], f[5] = 0xff, 0xff; return f }), "announces 65534 bytes", drivers.ErrNoAnswer},
		{"noise", change(func([]byte) []byte { return []byte("\xff\xfe\xfd\xfc\xfb\xfa\xf9\xf8 not Modbus at all") }), "another service answers", drivers.ErrNoAnswer},
		{"an empty exception", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 2, 7}) }), "an exception of 3 bytes", drivers.ErrNoAnswer},
		{"silent", func(int, []byte) ([]byte, bool) { return nil, false }, "no answer in time", drivers.ErrNoAnswer},
		{"exception 1", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 1}) }), "exception 1, illegal function", drivers.ErrRefused},
		{"exception 3", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 3}) }), "exception 3, illegal data value", drivers.ErrRefused},
		{"exception 4", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 4}) }), "exception 4, device failure", drivers.ErrRefused},
		{"exception 5", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 5}) }), "exception 5, acknowledge", drivers.ErrRefused},
		{"exception 6", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 6}) }), "exception 6, device busy", drivers.ErrRefused},
		{"exception 8", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 8}) }), "exception 8, memory parity error", drivers.ErrRefused},
		{"exception 10", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 10}) }), "exception 10, gateway path unavailable", drivers.ErrNoAnswer},
		{"exception 11", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 11}) }), "exception 11, gateway target failed", drivers.ErrNoAnswer},
		{"exception 99", change(func(f []byte) []byte { return frameFor(f, []byte{0x84, 99}) }), "exception 99, a code that the standard does not have", drivers.ErrRefused},
	} {
		t.Run(c.what, func(t *testing.T) {
			p := newPeer(t, honest(b))
			x, clock := plainDriver(t, p.address)
			_, err := x.Read(within(t, 5*time.Second))
			require.NoError(t, err)
			p.does(once(c.spoil, honest(b), func(r []byte) bool { return r[7] == 4 }))
			wait := 5 * time.Second
			if c.what == "silent" {
				wait = 50 * time.Millisecond
			}
			_, err = x.Read(within(t, wait))
			require.ErrorIs(t, err, c.kind)
			require.ErrorContains(t, err, c.want)
			require.ErrorContains(t, err, "common-box at "+p.address+" unit 1: read input registers 0 to 6 (link at 0, current at 2,")
			for k := range int32(3) {
				b.set(func() { b.link = 40_000 + 10*k })
				clock.move(100 * drivers.Millisecond)
				r, err := x.Read(within(t, 5*time.Second))
				require.NoError(t, err)
				require.EqualValues(t, 4000+k, r.Link)
			}
		})
	}
}

// A doubled reply does not become the next question's.
func TestDoubledReply(t *testing.T) {
	b := newPlainBox()
	var n atomic.Int32
	p := newPeer(t, func(_ int, r []byte) ([]byte, bool) {
		f := frameFor(r, b.answer(r[7:]))
		if n.Add(1)%7 == 0 {
			f = append(f, f...)
		}
		return f, false
	})
	x, _ := plainDriver(t, p.address)
	right := 0
	for k := range int32(60) {
		b.set(func() { b.link = 10 * k })
		r, err := x.Read(within(t, 5*time.Second))
		if err != nil {
			require.ErrorIs(t, err, drivers.ErrNoAnswer)
			continue
		}
		require.EqualValues(t, k, r.Link)
		right++
	}
	t.Logf("%d of 60 readings over %d connections", right, p.count())
	require.GreaterOrEqual(t, right, 30)
	require.Greater(t, p.count(), 1, "the doubled replies were noticed")
}

// A late reply is nobody else's: its transaction is over.
func TestLateReplyTCP(t *testing.T) {
	b := newPlainBox()
	p := newPeer(t, honest(b))
	x, _ := plainDriver(t, p.address)
	_, err := x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	release := make(chan struct{})
	p.does(once(func(_ int, r []byte) ([]byte, bool) {
		f := frameFor(r, b.answer(r[7:]))
		<-release
		return f, false
	}, honest(b), func(r []byte) bool { return r[7] == 4 }))
	_, err = x.Read(within(t, 20*time.Millisecond))
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
	b.set(func() { b.link = 77_770 })
	close(release)
	r, err := x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	require.EqualValues(t, 7777, r.Link)
	require.Equal(t, 1, p.count())
}

// Nobody listens, then somebody does: the driver connects by itself, and in
// between fails at once.
func TestReconnect(t *testing.T) {
	b := newPlainBox()
	x, _ := plainDriver(t, "tcp:"+freePort(t))
	start := time.Now()
	for range 50 {
		_, err := x.Read(within(t, 5*time.Second))
		require.ErrorIs(t, err, drivers.ErrNoAnswer)
		require.ErrorContains(t, err, "refused")
	}
	require.ErrorIs(t, x.Halt(within(t, 5*time.Second)), drivers.ErrNoAnswer)
	require.Less(t, time.Since(start), 5*time.Second)

	p := newPeer(t, honest(b))
	y, _ := plainDriver(t, p.address)
	for range 5 {
		_, err := y.Read(within(t, 5*time.Second))
		require.NoError(t, err)
		p.mu.Lock()
		p.conns[len(p.conns)-1].Close()
		p.mu.Unlock()
		require.Eventually(t, func() bool {
			_, err := y.Read(within(t, time.Second))
			return err == nil
		}, 5*time.Second, 5*time.Millisecond)
	}
}

func serialRead(r []byte) bool { return r[1] == 4 }

func TestNastyRTU(t *testing.T) {
	b := newPlainBox()
	good := func(r []byte) []byte { return serialFor(r[0], b.answer(r[1:6])) }
	change := func(f func(frame []byte) []byte) deal {
		return func(_ int, r []byte) ([]byte, bool) { return f(good(r)), false }
	}
	for _, c := range []struct {
		what, want string
		spoil      deal
	}{
		{"cut in half", "waiting for the reply, 9 bytes of it came: no answer in time", change(func(f []byte) []byte { return f[:9] })},
		{"silent", "0 bytes of it came: no answer in time", change(func([]byte) []byte { return nil })},
		{"a flipped bit", "the line is disturbed, or its speed or parity is wrong", change(func(f []byte) []byte { f[5] ^= 4; return f })},
		{"another unit", "unit 2 answers for unit 1", func(_ int, r []byte) ([]byte, bool) { return serialFor(2, b.answer(r[1:6])), false }},
		{"another function", "function 0x3 answers function 4", change(func(f []byte) []byte { f[1] = 3; return f })},
		{"another size", "4 were asked for", func(_ int, r []byte) ([]byte, bool) { return serialFor(1, []byte{4, 2, 0, 0}), false }},
		{"endless", "it announces 252 bytes", change(func(f []byte) []byte { f[2] = 252; return f })},
		{"more than its end", "22 bytes came, 19 belong to it", change(func(f []byte) []byte { return append(f, 1, 2, 3) })},
		{"an exception", "exception 4, device failure", func(_ int, r []byte) ([]byte, bool) { return serialFor(1, []byte{0x84, 4}), false }},
		{"an exception of a gateway", "exception 11, gateway target", func(_ int, r []byte) ([]byte, bool) { return serialFor(1, []byte{0x84, 11}), false }},
	} {
		t.Run(c.what, func(t *testing.T) {
			p := newSerialPeer(t, honestSerial(b))
			x, _ := plainDriver(t, p.path)
			_, err := x.Read(within(t, 5*time.Second))
			require.NoError(t, err)
			p.does(once(c.spoil, honestSerial(b), serialRead))
			_, err = x.Read(within(t, 100*time.Millisecond))
			require.Error(t, err)
			if c.what == "another size" {
				require.ErrorContains(t, err, "announced as 2")
			} else {
				require.ErrorContains(t, err, c.want)
			}
			require.ErrorContains(t, err, "read input registers 0 to 6 (link at 0")
			b.set(func() { b.link = 55_550 })
			r, err := x.Read(within(t, 5*time.Second))
			require.NoError(t, err)
			require.EqualValues(t, 5555, r.Link)
		})
	}
}

// The trap of serial lines: after one reply that came too late, every reading
// would be the one before it. However late it comes, no reading is another's.
func TestLateReplyRTU(t *testing.T) {
	b := newPlainBox()
	p := newSerialPeer(t, honestSerial(b))
	x, _ := plainDriver(t, p.path)
	_, err := x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	for _, late := range []time.Duration{5 * time.Millisecond, 20 * time.Millisecond, 40 * time.Millisecond} {
		p.does(once(func(_ int, r []byte) ([]byte, bool) {
			f := serialFor(r[0], b.answer(r[1:6]))
			time.AfterFunc(late, func() { _, _ = p.device.Write(f) })
			return nil, false
		}, honestSerial(b), serialRead))
		_, err := x.Read(within(t, 3*time.Millisecond))
		require.ErrorIs(t, err, drivers.ErrNoAnswer, late)
		for k := range int32(10) {
			b.set(func() { b.link = 10 * (100 + k) })
			r, err := x.Read(within(t, 5*time.Second))
			require.NoError(t, err, late)
			require.EqualValues(t, 100+k, r.Link, late)
		}
	}
}

// A device slower than its map says is found out: its late reply is there when
// the next request is due.
func TestOutOfStepRTU(t *testing.T) {
	b := newPlainBox()
	p := newSerialPeer(t, honestSerial(b))
	x, _ := plainDriver(t, p.path)
	_, err := x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	_, err = p.device.Write(serialFor(1, b.answer([]byte{4, 0, 0, 0, 7})))
	require.NoError(t, err)
	require.Eventually(t, func() bool {
		_, err = x.Read(within(t, 5*time.Second))
		return err != nil
	}, 5*time.Second, time.Millisecond)
	require.ErrorContains(t, err, "the line is out of step")
	_, err = x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
}

// A halt on a serial line cuts a read short that would never be answered.
func TestHaltCutsReadRTU(t *testing.T) {
	b := newPlainBox()
	p := newSerialPeer(t, honestSerial(b))
	x, _ := plainDriver(t, p.path)
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	asked := make(chan struct{})
	p.does(once(func(int, []byte) ([]byte, bool) { close(asked); return nil, false }, honestSerial(b), serialRead))
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
	assert.Less(t, took, 2*time.Second)
	b.set(func() { assert.Zero(t, b.contacts()) })
	require.NoError(t, <-read, "what the halt cut short was asked anew")
}

// A halt that collides with a reply on a two-wire bus is lost with it, and said
// again until the device echoes it.
func TestHaltAfterCollisionRTU(t *testing.T) {
	b := newPlainBox()
	p := newSerialPeer(t, honestSerial(b))
	x, _ := plainDriver(t, p.path)
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	var lost atomic.Int32
	p.does(func(conn int, r []byte) ([]byte, bool) {
		if r[1] == 6 && r[3] == 0 && lost.Add(1) <= 3 {
			return []byte{0x81, 0x00, 0x3f, 0x06, 0xff, 0x10, 0x00}, false
		}
		return honestSerial(b)(conn, r)
	})
	start := time.Now()
	require.NoError(t, x.Halt(within(t, 5*time.Second)))
	t.Logf("halt took %v after three collisions", time.Since(start))
	assert.EqualValues(t, 4, lost.Load())
	b.set(func() { assert.Zero(t, b.contacts()) })
}

// A line that never falls silent keeps no halt from being written: it goes out
// after half of its time, and a box whose lines have wires of their own hears it.
func TestHaltOnABabblingLineRTU(t *testing.T) {
	b := newPlainBox()
	p := newSerialPeer(t, honestSerial(b))
	x, _ := plainDriver(t, p.path)
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(200 * time.Microsecond)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				if _, err := p.device.Write([]byte{0x55}); err != nil {
					return
				}
			case <-stop:
				return
			}
		}
	}()
	_ = x.Halt(within(t, 400*time.Millisecond)) // it may not find its answer in the noise
	close(stop)
	<-stopped
	require.Eventually(t, func() (open bool) {
		b.set(func() { open = b.contacts() == 0 })
		return open
	}, 5*time.Second, 5*time.Millisecond, "the box was told")
}

// A serial port that vanishes is named; when it is back it is used again, and
// the device behind it is asked who it is.
func TestSerialPortVanishes(t *testing.T) {
	b := newPlainBox()
	p := newSerialPeer(t, honestSerial(b))
	x, _ := plainDriver(t, p.path)
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	p.does(func(int, []byte) ([]byte, bool) { return nil, true })
	_, err := x.Read(within(t, 5*time.Second))
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
	require.ErrorContains(t, err, "serial port /dev/")
	<-p.gone
	for range 5 {
		_, err = x.Read(within(t, 5*time.Second))
		require.ErrorIs(t, err, drivers.ErrNoAnswer)
		require.ErrorContains(t, err, "serial port /dev/")
		require.ErrorIs(t, x.Halt(within(t, 100*time.Millisecond)), drivers.ErrNoAnswer)
	}

	y, err := NewBox(Options{Address: "rtu:/dev/no-such-port", Map: shippedMap(t, "common-box")}, virtual.WorkshopBench().Box)
	require.NoError(t, err)
	defer y.Close()
	_, err = y.Identify(within(t, 5*time.Second))
	require.ErrorContains(t, err, "serial port /dev/no-such-port: no such file or directory")
}

// Two devices on one line share it; each gets its own replies.
func TestSharedLine(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo terminals here: %v", err)
	}
	defer slave.Close()
	defer master.Close()
	b := newPlainBox()
	var busy, clash atomic.Int32
	go func() {
		buffer := make([]byte, 512)
		var got []byte
		for {
			n, err := master.Read(buffer)
			if err != nil {
				return
			}
			for got = append(got, buffer[:n]...); len(got) >= 8; got = got[8:] {
				if busy.Add(1) > 1 {
					clash.Add(1)
				}
				pdu := b.answer(got[1:6])
				if got[0] == 2 {
					pdu = []byte{4, 2 * got[5]}
					for i := range uint16(got[5]) {
						pdu = binary.BigEndian.AppendUint16(pdu, 200+i)
					}
				}
				busy.Add(-1)
				if _, err := master.Write(serialFor(got[0], pdu)); err != nil {
					return
				}
			}
		}
	}()
	address := "rtu:" + slave.Name() + "?baud=115200"
	x, _ := plainDriver(t, address)
	thermometers, err := NewPoints(Options{Address: address + "&unit=2", Map: parse(t, "two.yaml", `
map: two
for: points
points:
  coolant: {table: input, at: 0, type: s16, step: 0.1 K, zero: 0 degC}
  ambient: {table: input, at: 1, type: s16, step: 0.1 K, zero: 0 degC}
`)})
	require.NoError(t, err)
	var group sync.WaitGroup
	for range 2 {
		group.Go(func() {
			for range 10 {
				r, err := x.Read(within(t, 10*time.Second))
				assert.NoError(t, err)
				assert.EqualValues(t, 1234, r.Link)
				v, err := thermometers.Read(within(t, 10*time.Second))
				assert.NoError(t, err)
				assert.Equal(t, "[coolant: 20 degC ambient: 20.1 degC]", fmt.Sprint(v))
			}
		})
	}
	group.Wait()
	assert.Zero(t, clash.Load())
	_, err = NewPoints(Options{Address: "rtu:" + slave.Name() + "?baud=9600", Map: shippedMap(t, "common-thermometer")})
	require.ErrorContains(t, err, "all on one line must agree")
	require.NoError(t, thermometers.Close())
	_, err = x.Read(within(t, 5*time.Second))
	require.NoError(t, err, "the other one's closing leaves the line open")
}

// A halt of one device does not end the wait for another's late reply: taken for
// the answer to the next question, it would be the wrong register's value.
func TestLateReplyAfterAHaltOnASharedLine(t *testing.T) {
	device, path := serialLine(t)
	b := newPlainBox()
	slow, over := make(chan []byte, 16), make(chan struct{})
	defer close(over)
	go func() { // the thermometers: 20 degC, and late for once those of register 100, 24.5 degC, then 25 degC
		late := true
		for {
			var r []byte
			select {
			case r = <-slow:
			case <-over:
				return
			}
			value := byte(200)
			if r[3] == 100 {
				value = 250
				if late {
					late, value = false, 245
					<-time.After(30 * time.Millisecond)
				}
			}
			_, _ = device.Write(serialFor(2, []byte{4, 2, 0, value}))
		}
	}()
	go func() {
		var got []byte
		buffer := make([]byte, 512)
		for {
			n, err := device.Read(buffer)
			if err != nil {
				return
			}
			for got = append(got, buffer[:n]...); len(got) >= 8; got = got[8:] {
				if got[0] == 2 {
					slow <- slices.Clone(got[:8])
				} else if _, err := device.Write(serialFor(got[0], b.answer(got[1:6]))); err != nil {
					return
				}
			}
		}
	}()
	address := "rtu:" + path + "?baud=115200"
	x, _ := plainDriver(t, address)
	thermometers, err := NewPoints(Options{Address: address + "&unit=2", Map: parse(t, "two.yaml", `
map: two
for: points
answers within: 500 ms
points:
  coolant: {table: input, at: 0, type: s16, step: 0.1 K, zero: 0 degC}
  ambient: {table: input, at: 100, type: s16, step: 0.1 K, zero: 0 degC}
`)})
	require.NoError(t, err)
	defer thermometers.Close()
	_, err = x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	_, err = thermometers.Read(within(t, 15*time.Millisecond))
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
	require.NoError(t, x.Halt(within(t, 5*time.Second)))
	v, err := thermometers.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	assert.Equal(t, "[coolant: 20 degC ambient: 25 degC]", fmt.Sprint(v))
}
