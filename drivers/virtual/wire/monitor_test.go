package wire

import (
	"encoding/binary"
	"io"
	"math"
	"net"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/canbus"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// signal is a signal of a DBC file, read by the few words that the common
// monitor's file needs: little-endian, at whole bytes.
type signal struct {
	id           uint16
	at, bits     int
	signed       bool
	scale, shift float64
	page         int // of a multiplexed signal; -1: none
}

var (
	dbcMessage = regexp.MustCompile(`^BO_ (\d+) (\w+): (\d+) (\w+)$`)
	dbcSignal  = regexp.MustCompile(`^ SG_ (\w+) (M |m(\d+) )?: (\d+)\|(\d+)@1([+-]) \(([^,]+),([^)]+)\)`)
)

// signals reads a DBC file.
func signals(t *testing.T, text string) (map[string]signal, map[uint16]int) {
	t.Helper()
	list, sizes := map[string]signal{}, map[uint16]int{}
	whole := func(s string) int {
		n, err := strconv.Atoi(s)
		require.NoError(t, err)
		return n
	}
	id := uint16(0)
	for _, line := range strings.Split(text, "\n") {
		if m := dbcMessage.FindStringSubmatch(line); m != nil {
			id = uint16(whole(m[1]))
			sizes[id] = whole(m[3])
		}
		if m := dbcSignal.FindStringSubmatch(line); m != nil {
			s := signal{id: id, at: whole(m[4]), bits: whole(m[5]), signed: m[6] == "-", scale: value(t, m[7]), shift: value(t, m[8]), page: -1}
			if m[3] != "" {
				s.page = whole(m[3])
			}
			list[m[1]] = s
		}
	}
	return list, sizes
}

// raw is a signal's raw value in a frame.
func (s signal) raw(f canFrame) int64 {
	v := binary.LittleEndian.Uint64(f.data[:]) >> s.at & (1<<s.bits - 1)
	if s.signed && v>>(s.bits-1) != 0 {
		return int64(v) - 1<<s.bits
	}
	return int64(v)
}

// listener is a bare client of the stream carrier.
type listener struct {
	t *testing.T
	net.Conn
}

func listenTo(t *testing.T, address string) *listener {
	t.Helper()
	network, where, _ := strings.Cut(address, ":")
	c, err := net.Dial(network, where)
	require.NoError(t, err)
	require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second)))
	t.Cleanup(func() { _ = c.Close() })
	return &listener{t, c}
}

// join waits until the monitor knows the listener, by asking who is there.
func (r *rig) join(address string) *listener {
	r.t.Helper()
	l := listenTo(r.t, address)
	l.say(canFrame{id: idRequest})
	for l.next().id != idIdentity {
	}
	for range 13 {
		require.EqualValues(r.t, idIdentity, l.next().id)
	}
	return l
}

func (l *listener) say(frames ...canFrame) {
	l.t.Helper()
	var out []byte
	for _, f := range frames {
		out = f.put(out, binary.LittleEndian)
	}
	_, err := l.Write(out)
	require.NoError(l.t, err)
}

func (l *listener) next() canFrame {
	l.t.Helper()
	var r [frameSize]byte
	_, err := io.ReadFull(l, r[:])
	require.NoError(l.t, err)
	f, ok := readFrame(&r, binary.LittleEndian)
	require.True(l.t, ok, "%x", r)
	return f
}

// sweep reads n frames.
func (l *listener) sweep(n int) map[uint16]canFrame {
	l.t.Helper()
	got := map[uint16]canFrame{}
	last := uint16(0)
	for range n {
		f := l.next()
		require.Greater(l.t, f.id, last, "a sweep's frames come by rising identifier")
		last = f.id
		got[f.id] = f
	}
	return got
}

// silent demands that nothing comes.
func (l *listener) silent() {
	l.t.Helper()
	require.NoError(l.t, l.SetReadDeadline(time.Now().Add(30*time.Millisecond)))
	n, err := l.Read(make([]byte, 1))
	require.Error(l.t, err)
	require.Zero(l.t, n)
	require.NoError(l.t, l.SetReadDeadline(time.Now().Add(20*time.Second)))
}

// CRC-8 SAE J1850 of "123456789" is 0x4B (the check value of the catalogues, from
// memory).
func TestChecksum(t *testing.T) {
	f := canFrame{id: '1' | '2'<<8, size: 8}
	copy(f.data[:], "3456789")
	require.Equal(t, byte(0x4B), f.check())
}

// A sweep says in the shipped DBC file's terms what the bench measured: every
// cell, temperature and the current, for the article at hand and one of 512
// cells.
func TestSweep(t *testing.T) {
	for _, size := range []struct{ cells, temps int }{{24, 6}, {1, 1}, {512, 8}} {
		t.Run(strconv.Itoa(size.cells), func(t *testing.T) {
			r := newRig(t, func(c *virtual.Config, w *Config) {
				c.Bench.Monitor.Cells, c.Bench.Monitor.Temps = size.cells, size.temps
			})
			text := canbus.CommonDBC(size.cells, size.temps)
			if size.cells == 24 {
				shipped, ok := canbus.Shipped("common-monitor.dbc")
				if ok {
					require.Equal(t, text, string(shipped))
				}
			}
			dbc, sizes := signals(t, text)
			l := r.join(r.s.Addresses().Monitor[0])
			r.advance(100 * drivers.Millisecond)
			third := func(n int) int { return (n + 2) / 3 }
			frames := l.sweep(1 + third(size.cells) + third(size.temps) + third((size.cells+15)/16))
			for id, f := range frames {
				assert.EqualValues(t, sizes[id], f.size, "%#x", id)
				assert.True(t, f.sealed())
			}
			var want drivers.MonitorReading
			r.rt.Do(func(b *virtual.Bench) { want = *b.MonitorPanel().Latest() })
			physical := func(name string) float64 {
				s, ok := dbc[name]
				require.True(t, ok, name)
				f, ok := frames[s.id]
				require.True(t, ok, name)
				return float64(s.raw(f))*s.scale + s.shift
			}
			for k, c := range want.Cells {
				require.InDelta(t, float64(c)*100/1e6, physical("Cell"+strconv.Itoa(k+1)+"_Voltage"), 1e-9)
			}
			for k, c := range want.Temps {
				require.InDelta(t, float64(c)*100/1e3, physical("Temperature"+strconv.Itoa(k+1)), 1e-9)
			}
			require.InDelta(t, float64(want.Current)*1e4/1e6, physical("Module_Current"), 1e-9)
			// Places without a value are all ones.
			if size.cells%3 == 1 {
				last := frames[idCells+uint16(size.cells/3)]
				require.EqualValues(t, math.MaxUint32, binary.LittleEndian.Uint32(last.data[2:]))
			}
		})
	}
}

// The identity comes in pages of seven letters.
func TestMonitorIdentity(t *testing.T) {
	r := newRig(t, nil)
	dbc, _ := signals(t, canbus.CommonDBC(24, 6))
	l := listenTo(t, r.s.Addresses().Monitor[0])
	l.say(canFrame{id: idRequest})
	text := map[string]string{}
	for page := range 14 {
		f := l.next()
		require.EqualValues(t, idIdentity, f.id)
		require.EqualValues(t, page, f.data[0])
		for name, s := range dbc {
			if s.page == page {
				text[strings.TrimRight(name, "_1234")] += strings.TrimRight(string(f.data[1:]), "\x00")
			}
		}
	}
	require.Equal(t, map[string]string{"Maker": "rigwarden", "Model": "virtual monitor", "Serial": "workshop-7", "Firmware": "1"}, text)
}

// bleedFrame makes a bleed command of one frame.
func bleedFrame(counter byte, words ...uint16) canFrame {
	f := canFrame{id: idBleed, size: 8}
	for i := range perFrame {
		w := uint16(0)
		if i < len(words) {
			w = words[i]
		}
		binary.LittleEndian.PutUint16(f.data[2*i:], w)
	}
	f.seal(counter)
	return f
}

func (r *rig) bleeding() (words []int32) {
	r.rt.Do(func(b *virtual.Bench) { words = append(words, b.MonitorPanel().Bleeding()...) })
	return words
}

// heardBy waits until the monitor has heard what was said before: it answers in
// order.
func (l *listener) heardBy() {
	l.t.Helper()
	l.say(canFrame{id: idRequest})
	for n := 0; n < 14; {
		if l.next().id == idIdentity {
			n++
		}
	}
}

// Bleed commands are obeyed when they are whole and right, end by the monitor's
// own timeout, and show in its state.
func TestBleedFrames(t *testing.T) {
	r := newRig(t, nil)
	other := r.join(r.s.Addresses().Monitor[0])
	l := r.join(r.s.Addresses().Monitor[0])
	l.say(bleedFrame(7, 0x0001, 0x0080))
	seen := other.next()
	for ; seen.id != idBleed; seen = other.next() { // what l said at joining, and the answers
	}
	require.Equal(t, bleedFrame(7, 0x0001, 0x0080), seen, "the bus is everybody's")
	l.heardBy()
	require.Equal(t, []int32{1, 0x80}, r.bleeding())
	for what, f := range map[string]canFrame{
		"neighbours":      bleedFrame(8, 0x0003),
		"a cell too many": bleedFrame(9, 0, 0x0100),
		"a wrong sum": func() canFrame {
			f := bleedFrame(10, 2)
			f.data[7]++
			return f
		}(),
		"too short": {id: idBleed, size: 7},
	} {
		l.say(f)
		l.heardBy()
		require.Equal(t, []int32{1, 0x80}, r.bleeding(), what)
	}
	r.advance(100 * drivers.Millisecond)
	frames := l.sweep(1 + 8 + 2 + 1)
	state := frames[idBleeding]
	require.Equal(t, []uint16{1, 0x80, 0xFFFF}, []uint16{
		binary.LittleEndian.Uint16(state.data[0:]), binary.LittleEndian.Uint16(state.data[2:]), binary.LittleEndian.Uint16(state.data[4:]),
	})
	r.advance(virtual.WorkshopBench().Monitor.BleedTimeout)
	require.Equal(t, []int32{0, 0}, r.bleeding())
	lines := r.told.lines(t)
	last := lines[len(lines)-1]
	require.Equal(t, Bleeding, last.Word)
	require.Equal(t, "0000,0000", last.Text)
	require.Equal(t, epoch+virtual.WorkshopBench().Monitor.BleedTimeout, drivers.Span(last.At), "to the microsecond")
}

// A command over several frames is obeyed when the last has come and all had one
// counter.
func TestBleedParts(t *testing.T) {
	r := newRig(t, func(c *virtual.Config, _ *Config) { c.Bench.Monitor.Cells = 64 })
	l := r.join(r.s.Addresses().Monitor[0])
	part := func(k uint16, counter byte, words ...uint16) canFrame {
		f := bleedFrame(counter, words...)
		f.id += k
		f.seal(counter)
		return f
	}
	l.say(part(0, 1, 1, 2, 4))
	l.heardBy()
	require.Equal(t, []int32{0, 0, 0, 0}, r.bleeding(), "half a command")
	l.say(part(1, 2, 8))
	l.heardBy()
	require.Equal(t, []int32{0, 0, 0, 0}, r.bleeding(), "halves of two commands")
	l.say(part(0, 3, 1, 2, 4), part(1, 3, 8))
	l.heardBy()
	require.Equal(t, []int32{1, 2, 4, 8}, r.bleeding())
}

// Faults of the bench's frames, as a bus shows them.
func TestMonitorFaults(t *testing.T) {
	const sweep = 1 + 8 + 2 + 1
	period := 100 * drivers.Millisecond
	now := virtual.Trigger{On: virtual.AfterStart}
	counter := func(f map[uint16]canFrame) byte { return f[idCurrent].data[4] }
	open := func(t *testing.T, f virtual.Fault) (*rig, *listener, byte) {
		r := newRig(t, nil)
		l := r.join(r.s.Addresses().Monitor[0])
		r.advance(period)
		before := counter(l.sweep(sweep))
		f.When = now
		require.NoError(t, r.s.Inject(f))
		r.advance(1)
		return r, l, before
	}
	t.Run("stop", func(t *testing.T) {
		r, l, before := open(t, virtual.Fault{Kind: virtual.FramesStop, For: drivers.Second})
		r.advance(drivers.Second - 1000)
		l.silent()
		r.advance(period)
		require.Greater(t, counter(l.sweep(sweep)), before+1, "the monitor went on counting")
	})
	t.Run("hang", func(t *testing.T) {
		r, l, _ := open(t, virtual.Fault{Kind: virtual.DriverHangs, Device: virtual.DeviceMonitor})
		r.advance(drivers.Second)
		l.say(canFrame{id: idRequest})
		l.silent()
	})
	for _, kind := range []virtual.FaultKind{virtual.FramesRepeat, virtual.MonitorSilent} {
		t.Run(string(kind), func(t *testing.T) {
			r, l, before := open(t, virtual.Fault{Kind: kind})
			r.advance(3 * period)
			for range 3 {
				require.Equal(t, before, counter(l.sweep(sweep)), "frames go on, their counter does not")
			}
		})
	}
	t.Run("late", func(t *testing.T) {
		r, l, before := open(t, virtual.Fault{Kind: virtual.FramesLate, Delay: drivers.Second, For: 3 * drivers.Second})
		r.advance(drivers.Second)
		l.silent()
		r.advance(period)
		require.Equal(t, before+1, counter(l.sweep(sweep)), "a second old, and in order")
	})
	t.Run("lost", func(t *testing.T) {
		r, l, before := open(t, virtual.Fault{Kind: virtual.FramesLost, RatePPM: 500_000})
		came, n := map[byte]bool{}, 0
		for range 200 {
			r.advance(period)
		}
		l.say(canFrame{id: idRequest})
		for f := l.next(); f.id != idIdentity; f = l.next() {
			if f.id == idCurrent {
				came[f.data[4]-before] = true
				n++
			}
		}
		require.Len(t, came, n, "none twice")
		require.InDelta(t, 100, n, 30, "of 200, by a seeded draw: half; four standard deviations are 28")
	})
	t.Run("missing", func(t *testing.T) {
		r, l, before := open(t, virtual.Fault{Kind: virtual.ReadingsMissing})
		r.advance(period)
		f := l.sweep(sweep)
		require.Equal(t, before+1, counter(f))
		current := f[idCurrent].data
		require.EqualValues(t, uint32(absent32), binary.LittleEndian.Uint32(current[:]))
		for id := uint16(idCells); id < idCells+8; id++ {
			data := f[id].data
			require.Equal(t, "\xff\xff\xff\xff\xff\xff", string(data[:6]))
		}
	})
	t.Run("tap open", func(t *testing.T) {
		r, l, _ := open(t, virtual.Fault{Kind: virtual.TapOpen, Cell: 4})
		r.advance(period)
		f := l.sweep(sweep)[idCells+1]
		require.NotEqual(t, uint16(absent16), binary.LittleEndian.Uint16(f.data[0:]))
		require.Equal(t, uint16(absent16), binary.LittleEndian.Uint16(f.data[2:]))
	})
}

// A unix socket carries the same, and a listener that does not listen loses the
// oldest frames and hurts nobody.
func TestSlowListener(t *testing.T) {
	where := "unix:" + filepath.Join(t.TempDir(), "bus")
	r := newRig(t, func(_ *virtual.Config, c *Config) { c.Monitor = []string{where, Anywhere} })
	require.Equal(t, where, r.s.Addresses().Monitor[0])
	r.join(where) // and never reads again
	l := r.join(r.s.Addresses().Monitor[1])
	for range 1000 {
		r.advance(100 * drivers.Millisecond)
		require.Contains(t, l.sweep(12), uint16(idCurrent))
	}
}

// On the wall clock the monitor sends by itself.
func TestPump(t *testing.T) {
	start := time.Now()
	now := func() drivers.Instant { return epoch + drivers.Instant(time.Since(start).Microseconds()) }
	c := benchConfig()
	c.Bench.Monitor.Period = 50 * drivers.Millisecond
	b, err := virtual.New(c)
	require.NoError(t, err)
	s, err := Start(Config{Realtime: virtual.NewRealtime(b, now), Supply: Off, Load: Off, Meter: Off, Box: Off})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	require.Equal(t, Addresses{Monitor: s.Addresses().Monitor}, s.Addresses())
	l := listenTo(t, s.Addresses().Monitor[0])
	first := l.next()
	begin := time.Now()
	for range 6 {
		for f := l.next(); f.id != first.id; f = l.next() {
		}
	}
	took := time.Since(begin)
	assert.Greater(t, took, 200*time.Millisecond, "six periods of 50 ms, the first of which may have begun")
	assert.Less(t, took, 2*time.Second)
}

func TestSocketCAN(t *testing.T) {
	if _, err := net.InterfaceByName("vcan0"); err != nil {
		t.Skip("there is no vcan0 here (ip link add vcan0 type vcan)")
	}
	r := newRig(t, func(_ *virtual.Config, c *Config) { c.Monitor = []string{"can:vcan0", Anywhere} })
	c, err := openCAN("vcan0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	l := r.join(r.s.Addresses().Monitor[1])
	r.advance(100 * drivers.Millisecond)
	want := l.sweep(12)
	for range 12 {
		var raw [frameSize]byte
		_, err := io.ReadFull(c, raw[:])
		require.NoError(t, err)
		f, ok := readFrame(&raw, binary.NativeEndian)
		require.True(t, ok)
		if f.id != idIdentity && f.id != idRequest {
			require.Equal(t, want[f.id], f)
		}
	}
}
