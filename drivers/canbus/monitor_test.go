package canbus

import (
	"context"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/rigwarden/rigwarden/drivers"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// soon is a context for a call that must answer.
func soon(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	t.Cleanup(cancel)
	return ctx
}

// shortly is one for a call that must give up.
func shortly(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Millisecond)
	t.Cleanup(cancel)
	return ctx
}

func TestReadings(t *testing.T) {
	r := newRig(t, 24, 6, nil)
	for range 5 {
		r.advance(r.spec.Period)
		var want drivers.MonitorReading
		r.mu.Lock()
		require.NoError(t, r.bench.Set().Monitor.Read(context.Background(), &want))
		r.mu.Unlock()
		got := r.reading()
		want.Beat = got.Beat // each counts from its own beginning
		assert.Equal(t, want, got)
	}
	c := r.m.Counts()
	assert.Zero(t, c.Lost+c.Repeated+c.Corrupt+c.Short+c.Impossible+c.Absent+c.Incomplete+c.Foreign, "%+v", c)
}

// The monitor says who it is when asked; another than the bench file names is
// refused, and gives no reading either.
func TestIdentity(t *testing.T) {
	r := newRig(t, 24, 6, func(o *Options, _ *drivers.MonitorSpec) {
		o.Expect = drivers.Identity{Maker: "rigwarden", Model: "virtual monitor", Serial: "workshop-7"}
	})
	id, err := r.m.Identify(soon(t))
	require.NoError(t, err)
	assert.Equal(t, drivers.Identity{Maker: "rigwarden", Model: "virtual monitor", Serial: "workshop-7", Firmware: "1"}, id)
	r.reading()
	require.NoError(t, r.m.Bleed(soon(t), []int32{1, 0}))

	// Another monitor takes its place.
	r.mu.Lock()
	r.identity.Serial = "workshop-8"
	r.mu.Unlock()
	r.reconnect()
	r.advance(r.spec.Period)
	_, err = r.m.Identify(soon(t))
	require.ErrorIs(t, err, drivers.ErrIdentity)
	assert.ErrorContains(t, err, `its serial is "workshop-8", the bench file says "workshop-7"`)
	assert.ErrorContains(t, err, "canbus monitor at unix:")
	var reading drivers.MonitorReading
	assert.ErrorIs(t, r.m.Read(soon(t), &reading), drivers.ErrIdentity)
	assert.ErrorIs(t, r.m.Bleed(soon(t), []int32{1, 0}), drivers.ErrIdentity)
	assert.NoError(t, r.m.Halt(soon(t)), "whoever it is, it may stop")

	// One that does not say who it is gives no reading.
	r.mu.Lock()
	r.spoil = func(f *Frame) bool { return f.ID != CommonIdentityID }
	r.mu.Unlock()
	r.reconnect()
	r.advance(r.spec.Period)
	err = r.m.Read(shortly(t), &reading)
	assert.ErrorIs(t, err, drivers.ErrNoAnswer)
	assert.ErrorContains(t, err, "it has not said who it is")
	_, err = r.m.Identify(shortly(t))
	assert.ErrorIs(t, err, drivers.ErrNoAnswer)

	// Nor one that says it in no letters.
	r.mu.Lock()
	r.spoil = nil
	r.identity.Model = "caf\xe9"
	r.mu.Unlock()
	r.advance(20 * r.spec.Period)
	_, err = r.m.Identify(soon(t))
	assert.ErrorIs(t, err, drivers.ErrIdentity)
	assert.ErrorContains(t, err, "its model is no text")
}

// A bleed command is repeated while it stands and ended after the timeout.
func TestBleedIsRepeated(t *testing.T) {
	r := newRig(t, 24, 6, nil)
	require.NoError(t, r.m.Bleed(soon(t), []int32{0x21, 0}))
	for n := range 3 {
		r.settle()
		// Repeating is another goroutine's work.
		r.await("a command", func() bool { return r.m.Counts().Sent >= uint64(n+1) })
		assert.EqualValues(t, n+1, r.m.Counts().Sent)
		r.advance(r.spec.BleedTimeout / 3)
		if n < 2 {
			assert.Equal(t, []int32{0x21, 0}, r.reading().Bleeding)
		}
	}
	r.advance(2 * r.spec.Period)
	r.await("the end of bleeding", func() bool { return r.m.Counts().Sent >= 5 })
	assert.EqualValues(t, 5, r.m.Counts().Sent)
	assert.Equal(t, []int32{0, 0}, r.reading().Bleeding)
	r.advance(2 * r.spec.BleedTimeout)
	assert.EqualValues(t, 5, r.m.Counts().Sent, "nothing is wanted: nothing is sent")
	// Closing ends it too.
	require.NoError(t, r.m.Bleed(soon(t), []int32{2, 0}))
	require.NoError(t, r.m.Close())
	r.await("the last command", func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		return r.received == 7 && r.command[CommonBleedID].Data[0] == 0
	})
}

// Silence is ErrNoAnswer; what was not heard is not bled; the way back is short.
func TestSilence(t *testing.T) {
	r := newRig(t, 24, 6, nil)
	before := r.reading()
	require.NoError(t, r.m.Bleed(soon(t), []int32{1, 0}))
	r.settle()
	r.mu.Lock()
	r.hung = true
	r.mu.Unlock()
	r.advance(drivers.Second)
	var reading drivers.MonitorReading
	err := r.m.Read(soon(t), &reading)
	assert.ErrorIs(t, err, drivers.ErrNoAnswer)
	assert.ErrorContains(t, err, "nothing heard for 1")
	assert.ErrorIs(t, r.m.Bleed(soon(t), []int32{1, 0}), drivers.ErrNoAnswer)
	err = r.m.Halt(shortly(t))
	assert.ErrorIs(t, err, drivers.ErrNoAnswer)
	assert.ErrorContains(t, err, "sent, but nothing heard")
	r.mu.Lock()
	require.NoError(t, r.bench.Set().Monitor.Read(soon(t), &reading))
	assert.Equal(t, []int32{1, 0}, reading.Bleeding, "it did not hear the halt either")
	r.hung = false
	r.mu.Unlock()
	r.advance(3 * r.spec.Period)
	assert.Greater(t, r.reading().Beat, before.Beat)
	assert.Equal(t, []int32{0, 0}, r.reading().Bleeding, "it is told again")
}

// A halt without a connection is owed to the next one.
func TestHaltIsOwed(t *testing.T) {
	r := newRig(t, 24, 6, nil)
	require.NoError(t, r.m.Bleed(soon(t), []int32{1, 0}))
	r.settle()
	require.NoError(t, r.listener.Close())
	r.cut()
	r.await("the loss", func() bool {
		r.m.mu.Lock()
		defer r.m.mu.Unlock()
		return r.m.carrier == nil
	})
	assert.ErrorIs(t, r.m.Halt(shortly(t)), drivers.ErrNoAnswer)
	var reading drivers.MonitorReading
	r.clock.Add(int64(drivers.Second))
	err := r.m.Read(shortly(t), &reading)
	assert.ErrorIs(t, err, drivers.ErrNoAnswer)
	assert.ErrorContains(t, err, "not connected")

	again, err := net.Listen("unix", r.listener.Addr().String())
	require.NoError(t, err)
	t.Cleanup(func() { _ = again.Close() })
	conn, err := again.Accept()
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	var record [RecordSize]byte
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(5*time.Second)))
	_, err = io.ReadFull(conn, record[:])
	require.NoError(t, err)
	f, err := ParseRecord(&record)
	require.NoError(t, err)
	assert.EqualValues(t, CommonBleedID, f.ID)
	assert.Zero(t, [6]byte(f.Data[:6]))
}

// Halt overtakes a command that waits: the other end has stopped reading, so
// nothing more fits into the socket. Its connection is given up and the halt
// goes out on the next.
func TestHaltOvertakes(t *testing.T) {
	mapped, spec := common(t, 24, 6)
	listener, err := net.Listen("unix", filepath.Join(t.TempDir(), "can.sock"))
	require.NoError(t, err)
	t.Cleanup(func() { _ = listener.Close() })
	m, err := New(Options{Address: "unix:" + listener.Addr().String(), Map: mapped}, spec)
	require.NoError(t, err)
	t.Cleanup(func() { _ = m.Close() })
	first, err := listener.Accept()
	require.NoError(t, err)
	t.Cleanup(func() { _ = first.Close() })

	// Somebody sends until nothing fits, and waits.
	full := make([]Frame, 1<<16)
	for i := range full {
		full[i] = Frame{ID: 0x7FE, Len: 8}
	}
	stuck := make(chan error, 1)
	composed := make(chan struct{})
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	t.Cleanup(cancel)
	go func() {
		stuck <- m.transmit(ctx, false, func() []Frame { close(composed); return full })
	}()
	<-composed
	halted := make(chan error, 1)
	start := time.Now()
	go func() { halted <- m.Halt(soon(t)) }()
	require.Error(t, <-stuck)
	assert.Less(t, time.Since(start), 2*time.Second)

	// The second connection carries the halt first.
	second, err := listener.Accept()
	require.NoError(t, err)
	t.Cleanup(func() { _ = second.Close() })
	for _, f := range sweepFrames(mapped, 24, 1) {
		var record [RecordSize]byte
		PutRecord(&record, &f)
		_, err := second.Write(record[:])
		require.NoError(t, err)
	}
	var record [RecordSize]byte
	_, err = io.ReadFull(second, record[:])
	require.NoError(t, err)
	f, err := ParseRecord(&record)
	require.NoError(t, err)
	assert.EqualValues(t, CommonBleedID, f.ID)
	select {
	case err := <-halted:
		require.NoError(t, err)
	case <-time.After(5 * time.Second):
		t.Fatal("the halt went out and does not return")
	}
}

// A Bleed that a Halt overtook does not bring bleeding back.
func TestBleedOvertakenByHalt(t *testing.T) {
	r := newRig(t, 24, 6, nil)
	r.m.sending <- struct{}{} // somebody sends
	bled := make(chan error, 1)
	go func() { bled <- r.m.Bleed(soon(t), []int32{1, 0}) }()
	r.await("the command", func() bool {
		r.m.mu.Lock()
		defer r.m.mu.Unlock()
		return r.m.wanted
	})
	halted := make(chan error, 1)
	go func() { halted <- r.m.Halt(soon(t)) }()
	r.await("the halt", func() bool {
		r.m.mu.Lock()
		defer r.m.mu.Unlock()
		return !r.m.wanted
	})
	<-r.m.sending
	require.NoError(t, <-halted)
	err := <-bled
	require.ErrorIs(t, err, drivers.ErrRefused)
	assert.ErrorContains(t, err, "overtaken by a halt")
	r.advance(2 * r.spec.Period)
	assert.Equal(t, []int32{0, 0}, r.reading().Bleeding)
}

// What is no stream of records is told, and tried again with ever longer
// pauses.
func TestBadStreams(t *testing.T) {
	for what, x := range map[string]struct{ bytes, want string }{
		"text":          {strings.Repeat("SSH-2.0-hello there\r\n", 3), "no struct can_frame, or the stream is out of step"},
		"long":          {"\x23\x01\x00\x00\x40" + strings.Repeat("\x00", 11), "record 1 is no struct can_frame, or the stream is out of step: a length of 64 bytes"},
		"cut in half":   {"\x23\x01\x00\x00\x02\x00", "the stream ends within a record: 6 of 16 bytes"},
		"nothing":       {"", "EOF"},
		"out of step":   {"\x23\x01\x00\x00\x02\x00\x00\x00\xAA\xBB\x00\x00\x00\x00\x00\x00" + "\xFF\x23\x01\x00\x00\x02\x00\x00\x00\xAA\xBB\x00\x00\x00\x00\x00", "record 2 is no"},
		"an identifier": {"\x00\x08\x00\x00" + strings.Repeat("\x00", 12), "identifier 0x800 is longer than 11 bits"},
	} {
		t.Run(what, func(t *testing.T) {
			mapped, spec := common(t, 24, 6)
			listener, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(t, err)
			t.Cleanup(func() { _ = listener.Close() })
			notices := make(chan string, 100)
			m, err := New(Options{Address: "tcp:" + listener.Addr().String(), Map: mapped, Notice: func(s string) { notices <- s }}, spec)
			require.NoError(t, err)
			t.Cleanup(func() { _ = m.Close() })
			for range 2 { // it comes back
				conn, err := listener.Accept()
				require.NoError(t, err)
				_, err = conn.Write([]byte(x.bytes))
				require.NoError(t, err)
				require.NoError(t, conn.(*net.TCPConn).CloseWrite())
				_, _ = io.Copy(io.Discard, conn)
				_ = conn.Close()
			}
			select {
			case text := <-notices:
				assert.Contains(t, text, x.want)
				assert.Contains(t, text, "canbus monitor at tcp:127.0.0.1:")
			case <-time.After(5 * time.Second):
				t.Fatal("nobody was told")
			}
			var reading drivers.MonitorReading
			assert.ErrorIs(t, m.Read(shortly(t), &reading), drivers.ErrNoAnswer)
			_, err = m.Identify(shortly(t))
			assert.ErrorIs(t, err, drivers.ErrNoAnswer)
		})
	}
}

// Frames that are not the map's are no answer.
func TestForeignBus(t *testing.T) {
	r := newRig(t, 24, 6, nil)
	r.mu.Lock()
	r.spoil = func(f *Frame) bool { f.ID ^= 0x400; return true }
	r.mu.Unlock()
	r.advance(drivers.Second)
	var reading drivers.MonitorReading
	assert.ErrorIs(t, r.m.Read(shortly(t), &reading), drivers.ErrNoAnswer)
	assert.NotZero(t, r.m.Counts().Foreign)

	_, spec := common(t, 24, 6)
	fresh := newRig(t, 24, 6, nil)
	fresh.mu.Lock()
	fresh.spoil = func(f *Frame) bool { return f.ID != CommonCellsID+2 }
	fresh.mu.Unlock()
	fresh.reconnect()
	fresh.advance(10 * spec.Period)
	got := fresh.reading()
	assert.Equal(t, []int32{none, none, none}, got.Cells[6:9])
	assert.NotEqual(t, none, got.Cells[5])
	assert.NotEqual(t, none, got.Cells[9])
}

// Impossible values come with a notice that names monitor, channel and signal.
func TestNotices(t *testing.T) {
	r := newRig(t, 24, 6, nil)
	r.mu.Lock()
	r.spoil = func(f *Frame) bool {
		if f.ID == CommonCellsID+1 {
			f.Data[2], f.Data[3] = 0xF0, 0xFF // 6.052 V in cell 5
			f.Data[7] = r.check(f, 7)
		}
		return true
	}
	r.mu.Unlock()
	r.advance(r.spec.Period)
	assert.Equal(t, none, r.reading().Cells[4])
	text := <-r.notices
	assert.Contains(t, text, "canbus monitor at unix:")
	assert.Contains(t, text, "cell_05: signal Cells_2.Cell5_Voltage is impossible: raw value 65520, 6.052 V, outside of the declared -0.5 to 6; it counts as no reading")
}

func TestAddresses(t *testing.T) {
	mapped, spec := common(t, 24, 6)
	for _, a := range []string{"", "can", "can:", "udp:239.0.0.1:1", "tcp:nowhere", "10.0.0.5:1"} {
		_, err := New(Options{Address: a, Map: mapped}, spec)
		assert.ErrorContains(t, err, "is no address of a CAN bus", a)
	}
	_, err := New(Options{Address: "can:can0"}, spec)
	assert.ErrorContains(t, err, "no signal map")
	spec.Period = 0
	_, err = New(Options{Address: "can:can0", Map: mapped}, spec)
	assert.ErrorContains(t, err, "no period")
	spec.Period = drivers.Second
	for a, want := range map[string]string{
		"unix:" + filepath.Join(t.TempDir(), "none"): "no such file",
		"log:" + filepath.Join(t.TempDir(), "none"):  "no such file",
		"can:rwnone0": "rwnone0",
	} {
		m, err := New(Options{Address: a, Map: mapped}, spec)
		require.NoError(t, err)
		var reading drivers.MonitorReading
		err = m.Read(shortly(t), &reading)
		assert.ErrorIs(t, err, drivers.ErrNoAnswer)
		assert.ErrorContains(t, err, want)
		if strings.HasPrefix(a, "log:") {
			assert.NoError(t, m.Halt(shortly(t)))
		} else {
			assert.ErrorIs(t, m.Halt(shortly(t)), drivers.ErrNoAnswer)
		}
		require.NoError(t, m.Close())
	}
}

// SocketCAN itself, where the machine has a virtual interface that is up.
func TestSocketCAN(t *testing.T) {
	const name = "vcan0"
	if _, err := net.InterfaceByName(name); err != nil {
		if strings.Contains(os.Getenv("RIGWARDEN_REQUIRE"), name) {
			t.Fatalf("%s is demanded by RIGWARDEN_REQUIRE: %v", name, err)
		}
		t.Skipf("there is no interface %s here: %v", name, err)
	}
	peer, err := dialRaw(name)
	require.NoError(t, err)
	t.Cleanup(func() { _ = peer.Close() })
	mapped, spec := common(t, 24, 6)
	m, err := New(Options{Address: "can:" + name, Map: mapped}, spec)
	require.NoError(t, err)
	t.Cleanup(func() { _ = m.Close() })
	done := make(chan error, 1)
	go func() {
		for n := byte(1); ; n++ {
			if _, err := peer.Send(sweepFrames(mapped, 24, n), time.Now().Add(time.Second)); err != nil {
				done <- err
				return
			}
			var f Frame
			if err := peer.Receive(&f); err != nil || f.ID == CommonBleedID {
				done <- err
				return
			}
		}
	}()
	var reading drivers.MonitorReading
	require.NoError(t, m.Read(soon(t), &reading))
	assert.EqualValues(t, 33_000, reading.Cells[0])
	require.NoError(t, m.Halt(soon(t)))
	require.NoError(t, <-done)
}
