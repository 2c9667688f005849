package modbus

import (
	"context"
	"encoding/binary"
	"io"
	"log"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	judge "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// bench is a virtual bench whose contactor box is behind the registers of
// common-box, on a clock of the test's own.
type bench struct {
	t     testing.TB
	clock atomic.Int64
	rt    *virtual.Realtime
	spec  drivers.Bench
	over  chan struct{} // closed at the end of the test

	hung atomic.Bool

	mu    sync.Mutex
	frame drivers.Frame
	held  uint16
	pulse uint16
	fed   drivers.Instant
	feeds int
	// refuse, where given, is asked before each write and read.
	refuse func(write bool, at uint16, n int) error
}

func newBench(t testing.TB) *bench {
	t.Helper()
	spec := virtual.WorkshopBench()
	const start = 1_700_000_000_000_000
	v, err := virtual.New(virtual.Config{Bench: spec, Article: virtual.DefaultArticle(), Seed: 7, Start: start})
	require.NoError(t, err)
	b := &bench{t: t, spec: spec, over: make(chan struct{})}
	b.clock.Store(start)
	b.rt = virtual.NewRealtime(v, b.now)
	t.Cleanup(func() { close(b.over) })
	b.advance(spec.Monitor.Period)
	return b
}

func (b *bench) now() drivers.Instant   { return drivers.Instant(b.clock.Load()) }
func (b *bench) advance(d drivers.Span) { b.clock.Add(int64(d)) }
func (b *bench) wait() error {
	if b.hung.Load() {
		<-b.over
		return judge.ErrServerDeviceFailure
	}
	return nil
}

// state is what the box measures. It is taken from the bench's frames, so that
// looking is no contact: only the heartbeat register is.
func (b *bench) state() (link, amps int32, state uint16, beat uint16) {
	b.rt.Frame(&b.frame)
	b.rt.Do(func(v *virtual.Bench) {
		l := v.Layout()
		at := func(k drivers.Kind) int32 { return b.frame.Counts[l.Find(k)] }
		link = at(drivers.LinkVoltage) * int32(b.spec.Box.LinkStep/1000)
		amps = at(drivers.BoxCurrent) * int32(b.spec.Box.CurrentStep/1000)
		state, beat = uint16(at(drivers.BoxState)), uint16(at(drivers.BoxBeat))
	})
	if state&drivers.BoxEmergencyStop != 0 || b.now().Sub(b.fed) >= b.spec.Box.Heartbeat {
		b.held = 0
	}
	return link, amps, state, beat
}

func (b *bench) inputs(at uint16, n int) ([]uint16, error) {
	if err := b.wait(); err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.refuse != nil {
		if err := b.refuse(false, at, n); err != nil {
			return nil, err
		}
	}
	image := make([]uint16, 128)
	link, amps, state, beat := b.state()
	image[0], image[1] = uint16(uint32(link)>>16), uint16(link)
	image[2], image[3] = uint16(uint32(amps)>>16), uint16(amps)
	image[4], image[5], image[7] = state, beat, uint16(b.spec.Box.Heartbeat/drivers.Millisecond)
	for i, s := range []string{"harbour works", "box-3", "KB-0007", "1.4"} {
		for k := range s {
			image[100+8*i+k/2] |= uint16(s[k]) << (8 * (1 - k%2))
		}
	}
	if int(at)+n > len(image) || at > 7 && at < 100 || at <= 7 && int(at)+n > 8 {
		return nil, judge.ErrIllegalDataAddress
	}
	return image[at : int(at)+n], nil
}

func (b *bench) holdings(at uint16, n int, values []uint16) ([]uint16, error) {
	if err := b.wait(); err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.refuse != nil {
		if err := b.refuse(values != nil, at, n); err != nil {
			return nil, err
		}
	}
	if int(at)+n > 2 {
		return nil, judge.ErrIllegalDataAddress
	}
	_, _, state, _ := b.state()
	for i, v := range values {
		if at+uint16(i) == 1 {
			if v != b.pulse {
				b.pulse, b.fed = v, b.now()
				b.feeds++
				_, err := b.rt.Set().Box.Identify(context.Background())
				require.NoError(b.t, err)
			}
			continue
		}
		switch {
		case v > 7:
			return nil, judge.ErrIllegalDataValue
		case v != 0 && state&drivers.BoxEmergencyStop != 0:
			return nil, judge.ErrServerDeviceFailure
		}
		b.held = v
		require.NoError(b.t, b.rt.Set().Box.Switch(context.Background(), drivers.Contactors(v)))
	}
	all := []uint16{b.held, b.pulse}
	return all[at : int(at)+n], nil
}

// The judge's server over TCP: another's reading of the standard.
func (b *bench) HandleInputRegisters(r *judge.InputRegistersRequest) ([]uint16, error) {
	return b.inputs(r.Addr, int(r.Quantity))
}

func (b *bench) HandleHoldingRegisters(r *judge.HoldingRegistersRequest) ([]uint16, error) {
	return b.holdings(r.Addr, int(r.Quantity), r.Args)
}

func (*bench) HandleCoils(*judge.CoilsRequest) ([]bool, error) {
	return nil, judge.ErrIllegalFunction
}

func (*bench) HandleDiscreteInputs(*judge.DiscreteInputsRequest) ([]bool, error) {
	return nil, judge.ErrIllegalFunction
}

// freePort returns an address where nobody listens now.
func freePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

// serveTCP serves a handler and returns its address.
func serveTCP(t testing.TB, h judge.RequestHandler) string {
	t.Helper()
	address := freePort(t)
	s, err := judge.NewServer(&judge.ServerConfiguration{
		URL: "tcp://" + address, Timeout: time.Minute, MaxClients: 8, Logger: log.New(io.Discard, "", 0),
	}, h)
	require.NoError(t, err)
	require.NoError(t, s.Start())
	t.Cleanup(func() { require.NoError(t, s.Stop()) })
	return "tcp:" + address
}

// line is a serial line: a pair of pseudo terminals, the device's end with us.
func serialLine(t testing.TB) (device io.ReadWriteCloser, path string) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo terminals here: %v", err)
	}
	t.Cleanup(func() { master.Close(); slave.Close() })
	return master, slave.Name()
}

// serveRTU answers requests on a serial line as unit 1 with the handler's
// registers. It is written against the standard's text on its own: it shares no
// framing with the driver.
func serveRTU(t testing.TB, b *bench) string {
	t.Helper()
	device, path := serialLine(t)
	go func() {
		var got []byte
		buffer := make([]byte, 512)
		for {
			n, err := device.Read(buffer)
			if err != nil {
				return
			}
			got = append(got, buffer[:n]...)
			for len(got) >= 8 {
				size := 8
				if got[1] == 16 {
					size = 9 + int(got[6])
				}
				if len(got) < size {
					break
				}
				reply := b.rtu(got[:size])
				got = got[size:]
				if _, err := device.Write(reply); err != nil {
					return
				}
			}
		}
	}()
	return "rtu:" + path
}

func (b *bench) rtu(frame []byte) []byte {
	at, n := binary.BigEndian.Uint16(frame[2:]), int(binary.BigEndian.Uint16(frame[4:]))
	var words []uint16
	var err error
	out := []byte{frame[0], frame[1]}
	switch frame[1] {
	case 3:
		words, err = b.holdings(at, n, nil)
	case 4:
		words, err = b.inputs(at, n)
	case 6:
		_, err = b.holdings(at, 1, []uint16{uint16(n)})
		out = append(out, frame[2:6]...)
	default:
		err = judge.ErrIllegalFunction
	}
	if frame[1] <= 4 {
		out = append(out, byte(2*len(words)))
		for _, w := range words {
			out = append(out, byte(w>>8), byte(w))
		}
	}
	if err != nil {
		code := map[error]byte{judge.ErrIllegalFunction: 1, judge.ErrIllegalDataAddress: 2, judge.ErrIllegalDataValue: 3, judge.ErrServerDeviceFailure: 4, judge.ErrServerDeviceBusy: 6}[err]
		out = []byte{frame[0], frame[1] | 0x80, code}
	}
	return sum(out)
}

// sum adds a frame's check, computed with a table-free polynomial division of
// the test's own: bits enter from the least significant end.
func sum(b []byte) []byte {
	var rest uint32 = 0xffff
	for _, c := range b {
		for i := range 8 {
			bit := (rest ^ uint32(c)>>i) & 1
			rest = rest>>1 ^ bit*0xa001
		}
	}
	return append(append([]byte(nil), b...), byte(rest), byte(rest>>8))
}

func openBox(t testing.TB, b *bench, address string) *Box {
	t.Helper()
	x, err := NewBox(Options{Address: address, Map: shippedMap(t, "common-box"), Now: b.now}, b.spec.Box)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, x.Close()) })
	return x
}

func within(t testing.TB, d time.Duration) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), d)
	t.Cleanup(cancel)
	return ctx
}
