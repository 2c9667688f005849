package canbus

import (
	"context"
	"encoding/binary"
	"io"
	"net"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// model is a common monitor as CommonDBC's comment describes it, around the
// virtual bench's, written from that comment and not from the decoder. It
// serves one connection at a time on a unix socket, in the time of a test.
type model struct {
	t        testing.TB
	bench    *virtual.Bench
	spec     drivers.MonitorSpec
	listener net.Listener
	clock    atomic.Int64

	mu       sync.Mutex
	conn     net.Conn
	counters map[uint32]byte
	beat     int32
	page     int
	hung     bool
	received uint64 // frames from the driver
	command  map[uint32]Frame
	spoil    func(f *Frame) bool // false: the frame is lost
	identity drivers.Identity
}

func newModel(t testing.TB, spec drivers.MonitorSpec) *model {
	t.Helper()
	c := virtual.Config{Bench: virtual.WorkshopBench(), Article: virtual.DefaultArticle(), Seed: 7, Start: 1}
	c.Bench.Monitor = spec
	b, err := virtual.New(c)
	require.NoError(t, err)
	id, err := b.Set().Monitor.Identify(context.Background())
	require.NoError(t, err)
	listener, err := net.Listen("unix", filepath.Join(t.TempDir(), "can.sock"))
	require.NoError(t, err)
	s := &model{
		t: t, bench: b, spec: spec, listener: listener, counters: map[uint32]byte{}, command: map[uint32]Frame{}, identity: id,
	}
	s.clock.Store(int64(b.Now()))
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			s.mu.Lock()
			s.conn = conn
			s.mu.Unlock()
			s.receive(conn)
		}
	})
	t.Cleanup(func() {
		_ = listener.Close()
		s.cut()
		serving.Wait()
	})
	return s
}

func (s *model) address() string { return "unix:" + s.listener.Addr().String() }

func (s *model) now() drivers.Instant { return drivers.Instant(s.clock.Load()) }

// cut ends the connection.
func (s *model) cut() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn != nil {
		_ = s.conn.Close()
		s.conn = nil
	}
}

func (s *model) receive(conn net.Conn) {
	var record [RecordSize]byte
	for {
		if _, err := io.ReadFull(conn, record[:]); err != nil {
			return
		}
		f, err := ParseRecord(&record)
		if err != nil {
			s.t.Errorf("the driver sent %x: %v", record, err)
			return
		}
		s.mu.Lock()
		s.obey(f)
		s.received++
		s.mu.Unlock()
	}
}

// obey takes a frame from the driver.
func (s *model) obey(f Frame) {
	frames := uint32((s.spec.Cells + 47) / 48)
	switch {
	case s.hung:
	case f.ID == CommonRequestID:
		for range 14 {
			s.tell()
		}
	case f.ID >= CommonBleedID && f.ID < CommonBleedID+frames:
		if sum := s.check(&f, 7); sum != f.Data[7] {
			s.t.Errorf("command %v: checksum %#x, computed %#x", &f, f.Data[7], sum)
		}
		s.command[f.ID] = f
		if f.ID != CommonBleedID+frames-1 {
			return
		}
		words := make([]int32, (s.spec.Cells+15)/16)
		for k := range words {
			c := s.command[CommonBleedID+uint32(k/3)]
			if c.Data[6] != f.Data[6] {
				return // a command in parts, of different times
			}
			words[k] = int32(binary.LittleEndian.Uint16(c.Data[k%3*2:]))
		}
		if err := s.bench.Set().Monitor.Bleed(context.Background(), words); err != nil {
			s.t.Errorf("the monitor refuses %#x: %v", words, err)
		}
	default:
		s.t.Errorf("the driver sent %v", &f)
	}
}

func (s *model) check(f *Frame, at int) byte {
	bytes := append([]byte{byte(f.ID), byte(f.ID >> 8)}, f.Data[:at]...)
	crc := byte(0xFF)
	for _, b := range bytes {
		crc ^= b
		for range 8 {
			top := crc&0x80 != 0
			crc <<= 1
			if top {
				crc ^= 0x1D
			}
		}
	}
	return ^crc
}

// send guards a frame and sends it.
func (s *model) send(f Frame, guarded bool) {
	if guarded {
		at := int(f.Len) - 2
		s.counters[f.ID]++
		f.Data[at] = s.counters[f.ID]
		f.Data[at+1] = s.check(&f, at+1)
	}
	if s.spoil != nil && !s.spoil(&f) || s.conn == nil {
		return
	}
	var record [RecordSize]byte
	PutRecord(&record, &f)
	if _, err := s.conn.Write(record[:]); err != nil {
		_ = s.conn.Close()
		s.conn = nil
	}
}

// tell sends the next page of the identity.
func (s *model) tell() {
	f := Frame{ID: CommonIdentityID, Len: 8}
	f.Data[0] = byte(s.page)
	text := make([]byte, 14*7)
	copy(text, s.identity.Maker)
	copy(text[28:], s.identity.Model)
	copy(text[56:], s.identity.Serial)
	copy(text[84:], s.identity.Firmware)
	copy(f.Data[1:], text[7*s.page:7*s.page+7])
	s.page = (s.page + 1) % 14
	s.send(f, false)
}

// values sends numbers, three to a frame.
func (s *model) values(id uint32, list []uint16) {
	for k := 0; k < len(list); k += 3 {
		f := Frame{ID: id + uint32(k/3), Len: 8}
		for i := range 3 {
			v := uint16(0xFFFF)
			if k+i < len(list) {
				v = list[k+i]
			}
			binary.LittleEndian.PutUint16(f.Data[2*i:], v)
		}
		s.send(f, true)
	}
}

// sweep sends one reading of the bench's monitor. The caller holds mu.
func (s *model) sweep(r *drivers.MonitorReading) {
	numbers := func(counts []int32, shift int32) []uint16 {
		list := make([]uint16, len(counts))
		for i, c := range counts {
			list[i] = 0xFFFF
			if c != drivers.NoReading {
				list[i] = uint16(c + shift)
			}
		}
		return list
	}
	s.values(CommonCellsID, numbers(r.Cells, 5000))
	s.values(CommonTempsID, numbers(r.Temps, -2000))
	s.values(CommonBleedingID, numbers(r.Bleeding, 0))
	f := Frame{ID: CommonCurrentID, Len: 6}
	milliamps := int32(-1 << 31)
	if r.Current != drivers.NoReading {
		milliamps = r.Current * int32(s.spec.CurrentStep/1000)
	}
	binary.LittleEndian.PutUint32(f.Data[:], uint32(milliamps))
	s.send(f, true)
	s.tell()
}

// rig is a driver and its model in one test's time.
type rig struct {
	*model
	m       *Monitor
	seen    atomic.Uint64
	notices chan string
}

func newRig(t testing.TB, cells, temps int, change func(*Options, *drivers.MonitorSpec)) *rig {
	t.Helper()
	mapped, spec := common(t, cells, temps)
	r := &rig{notices: make(chan string, 1000)}
	o := Options{Map: mapped, Now: func() drivers.Instant { return r.now() }, Notice: func(text string) { r.notices <- text }, seen: func() { r.seen.Add(1) }}
	if change != nil {
		change(&o, &spec)
	}
	r.model = newModel(t, spec)
	o.Address = r.address()
	m, err := New(o, spec)
	require.NoError(t, err)
	r.m = m
	t.Cleanup(func() { _ = m.Close() })
	r.await("a connection", func() bool { return m.Counts().Connections > 0 && r.connected() })
	r.advance(spec.Period)
	return r
}

// reconnect cuts the connection, when nothing is under way, and waits for the
// next.
func (r *rig) reconnect() {
	r.t.Helper()
	r.settle()
	n := r.m.Counts().Connections
	r.cut()
	r.await("another connection", func() bool { return r.m.Counts().Connections > n && r.connected() })
}

func (r *rig) connected() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.conn != nil
}

// await waits for what other goroutines bring about.
func (r *rig) await(what string, done func() bool) {
	r.t.Helper()
	limit := time.NewTimer(10 * time.Second)
	defer limit.Stop()
	for !done() {
		look := time.NewTimer(50 * time.Microsecond)
		select {
		case <-look.C:
		case <-limit.C:
			r.t.Fatalf("waited in vain for %s", what)
		}
	}
}

// settle waits until the driver has sent what it has to send, and the model has
// it.
func (r *rig) settle() {
	r.t.Helper()
	r.await("the driver's commands", func() bool {
		r.m.mu.Lock()
		idle := !r.m.due(r.now()) && !r.m.asking && len(r.m.kick) == 0 && len(r.m.sending) == 0 || r.m.carrier == nil
		sent := r.m.d.counts.Sent
		r.m.mu.Unlock()
		r.mu.Lock()
		defer r.mu.Unlock()
		return idle && sent == r.received
	})
}

// advance lets time pass on both sides, the model sending its sweeps.
func (r *rig) advance(d drivers.Span) {
	r.t.Helper()
	var reading drivers.MonitorReading
	for d > 0 {
		r.settle()
		step := min(d, r.spec.Period/2)
		d -= step
		at := r.now().Add(step)
		r.mu.Lock()
		r.bench.Advance(at)
		r.clock.Store(int64(at))
		sent := uint64(0)
		if err := r.bench.Set().Monitor.Read(context.Background(), &reading); err == nil && reading.Beat != r.beat && !r.hung {
			r.beat = reading.Beat
			before := r.seen.Load()
			count := r.spoil
			r.spoil = func(f *Frame) bool {
				if count != nil && !count(f) {
					return false
				}
				sent++
				return true
			}
			r.sweep(&reading)
			r.spoil = count
			if r.conn == nil {
				sent = 0
			}
			sent += before
		}
		r.mu.Unlock()
		r.await("the driver's ears", func() bool { return sent == 0 || r.seen.Load() >= sent })
	}
	r.settle()
}

// reading reads the driver.
func (r *rig) reading() drivers.MonitorReading {
	r.t.Helper()
	var got drivers.MonitorReading
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	require.NoError(r.t, r.m.Read(ctx, &got))
	return got
}
