package canbus

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.einride.tech/can"
	"go.einride.tech/can/pkg/descriptor"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

const none = drivers.NoReading

// bus feeds a decoder with the small monitor's frames.
type bus struct {
	t     *testing.T
	d     *decoder
	at    drivers.Instant
	alive byte
}

func newBus(t *testing.T) *bus {
	t.Helper()
	m, spec := small(t)
	d, err := compile(m, spec)
	require.NoError(t, err)
	return &bus{t: t, d: d, at: 1_000_000}
}

func (b *bus) frame(text string) {
	b.t.Helper()
	f, err := ParseFrame(text)
	require.NoError(b.t, err)
	b.d.frame(&f, b.at)
}

func (b *bus) ms(n int) { b.at = b.at.Add(drivers.Span(n) * drivers.Millisecond) }

// shunt sends a current in mA with the next counter.
func (b *bus) shunt(milliamps int32) {
	b.alive++
	f := Frame{ID: 18, Len: 5}
	binary.LittleEndian.PutUint32(f.Data[:], uint32(milliamps))
	f.Data[4] = b.alive & 15
	b.d.frame(&f, b.at)
}

// The four cells at 3.3, 3.4 V (little-endian), 3.5 and 3.6 V (big-endian).
const pack = "010#E880D084.88B8.8CA0"

// sweep sends one of every message.
func (b *bus) sweep() {
	b.frame(pack)
	b.frame("00000011#000A01")
	b.frame("00000011#01F6FF")
	b.frame("013#0D")
	b.shunt(-12_345)
}

func (b *bus) read() (r drivers.MonitorReading) {
	b.d.read(b.at, &r)
	return r
}

func TestSweep(t *testing.T) {
	b := newBus(t)
	assert.Equal(t, drivers.MonitorReading{Cells: []int32{none, none, none, none}, Temps: []int32{none, none}, Current: none, Bleeding: []int32{none}}, b.read())
	b.sweep()
	// 26.6 degC is 299.75 K: halves are rounded up. The map says that charging
	// is negative.
	want := drivers.MonitorReading{
		Cells: []int32{33_000, 34_000, 35_000, 36_000}, Temps: []int32{2998, 2722}, Current: 1235, Bleeding: []int32{0b1101}, Beat: 1,
	}
	assert.Equal(t, want, b.read())
	assert.Equal(t, uint64(1), b.d.counts.Sweeps)
	for range 3 {
		b.ms(100)
		b.sweep()
		want.Beat++
		assert.Equal(t, want, b.read())
	}
	// The beat wraps to 0.
	b.d.beat = math.MaxInt32
	b.ms(100)
	b.sweep()
	assert.Zero(t, b.read().Beat)
}

// Readers see whole sweeps: half of the next one changes nothing (values of one
// reading belong together), and the beat moves only with the last message.
func TestSweepIsWhole(t *testing.T) {
	b := newBus(t)
	b.sweep()
	before := b.read()
	b.ms(100)
	b.frame("010#0000000000000000")
	b.frame("013#00")
	assert.Equal(t, before, b.read())
	b.shunt(0)
	got := b.read()
	assert.Equal(t, []int32{0, 0, 0, 0}, got.Cells)
	assert.Equal(t, before.Beat+1, got.Beat, "temperatures come more slowly than the bench's period: sweeps do not wait for them")
	assert.Equal(t, before.Temps, got.Temps)
}

// INV-02: a lost frame leaves the beat where it is, so that the guard sees
// silence; readers see what there is.
func TestLostFrame(t *testing.T) {
	b := newBus(t)
	b.sweep()
	b.ms(100)
	b.frame(pack)
	b.frame("013#00") // the current is lost
	b.ms(100)
	b.frame("010#0000000000000000")
	got := b.read()
	assert.EqualValues(t, 1, got.Beat)
	assert.Equal(t, []int32{0}, got.Bleeding, "of the sweep that was given up")
	assert.Equal(t, []int32{33_000, 34_000, 35_000, 36_000}, got.Cells)
	assert.EqualValues(t, 1, b.d.counts.Incomplete)
	b.frame("013#00")
	b.alive++ // the counter tells of the lost one
	b.shunt(0)
	got = b.read()
	assert.EqualValues(t, 2, got.Beat)
	assert.Equal(t, []int32{0, 0, 0, 0}, got.Cells, "sweeps begin with the same message as before")
	assert.EqualValues(t, 1, b.d.counts.Lost)
	assert.EqualValues(t, 1, b.d.counts.Jumps)
}

// INV-02: age counts per channel. A message that stops reads nothing once it is
// too old, while the others go on; silence of all reads nothing at all.
func TestAge(t *testing.T) {
	b := newBus(t)
	b.sweep()
	var beats []int32
	for range 6 {
		b.ms(100)
		b.frame(pack)
		b.frame("013#0D")
		beats = append(beats, b.read().Beat)
		if b.at < 1_000_000+400_000 {
			assert.EqualValues(t, 1235, b.read().Current)
		}
	}
	got := b.read()
	assert.EqualValues(t, none, got.Current, "the shunt is silent for 600 ms, 300 are allowed")
	assert.Equal(t, []int32{33_000, 34_000, 35_000, 36_000}, got.Cells)
	assert.Equal(t, []int32{2998, 2722}, got.Temps, "they may be 600 ms old")
	assert.Equal(t, []int32{1, 1, 1, 2, 3, 4}, beats, "the beat waits until the reading shows what is missing")
	b.ms(1)
	assert.Equal(t, []int32{none, none}, b.read().Temps)
	assert.True(t, b.d.alive(b.at))
	b.ms(300)
	got = b.read()
	assert.Equal(t, drivers.MonitorReading{Cells: []int32{none, none, none, none}, Temps: []int32{none, none}, Current: none, Bleeding: []int32{none}, Beat: 4}, got)
	assert.False(t, b.d.alive(b.at))
	// After silence a sweep is whole again before it counts.
	b.ms(5000)
	b.frame(pack)
	assert.EqualValues(t, 4, b.read().Beat)
	assert.Equal(t, []int32{none, none, none, none}, b.read().Cells)
	b.frame("013#0D")
	b.shunt(0)
	got = b.read()
	assert.EqualValues(t, 5, got.Beat)
	assert.Equal(t, []int32{33_000, 34_000, 35_000, 36_000}, got.Cells)
	assert.Equal(t, []int32{none, none}, got.Temps)
}

// INV-02, and the first trap of the CAN library: it clamps 5.4 V in a signal
// declared 0..5 to 5.0 V, and no limit above could ever trip. Here the cell
// gives no reading, and the notice has the raw value.
func TestImpossibleValue(t *testing.T) {
	lib := descriptor.Signal{Length: 16, Scale: 0.0001, Max: 5}
	require.Equal(t, 5.0, lib.UnmarshalPhysical(can.Data{0xF0, 0xD2}))

	b := newBus(t)
	b.sweep()
	b.ms(100)
	b.frame("010#F0D2D084.88B8.8CA0") // 54000
	b.frame("013#0D")
	b.shunt(0)
	got := b.read()
	assert.Equal(t, []int32{none, 34_000, 35_000, 36_000}, got.Cells)
	assert.EqualValues(t, 2, got.Beat)
	assert.EqualValues(t, 1, b.d.counts.Impossible)
	require.Equal(t, []string{"cell_01: signal Pack.U1 is impossible: raw value 54000, 5.4 V, outside of the declared 0 to 5; it counts as no reading"}, b.d.notices)
	// It is told once in a while, and counted always.
	b.ms(100)
	b.frame("010#F0D2D084.88B8.8CA0")
	assert.Len(t, b.d.notices, 1)
	assert.EqualValues(t, 2, b.d.counts.Impossible)
}

// Scales of single bits and floats are honoured; the library gives 0 or 1, and
// the float's bits.
func TestScaleOfOneBit(t *testing.T) {
	require.Equal(t, 1.0, (&descriptor.Signal{Length: 1, Scale: 4.2}).UnmarshalPhysical(can.Data{1}))
	s := signalOf(t, `0|1@1+ (4.2,0) [0|0] "V"`)
	bits, err := place(s)
	require.NoError(t, err)
	c, err := converter(s, bits, linearOf(s, volts["V"], 1), 100, nil)
	require.NoError(t, err)
	got, _ := c.count(bits, 1, 0)
	assert.EqualValues(t, 42_000, got)
}

// A frame that is too short for a signal brings no reading: the library decodes
// the absent bytes as 0 V. One too short for its counter is dropped.
func TestShortFrame(t *testing.T) {
	b := newBus(t)
	b.sweep()
	b.ms(100)
	b.frame("010#E880D084.88")
	b.frame("013#0D")
	b.shunt(0)
	assert.Equal(t, []int32{33_000, 34_000, none, none}, b.read().Cells)
	require.Len(t, b.d.notices, 2)
	assert.Equal(t, "cell_03: frame 0x10 has 5 bytes, signal Pack.U3 needs 6; it counts as no reading", b.d.notices[0])
	b.ms(100)
	b.frame("012#E880D084")
	b.frame("00000011#") // nor is it of any page without its switch
	assert.EqualValues(t, 2, b.d.counts.Short)
	assert.EqualValues(t, 2, b.read().Beat)
}

// Remote, error and FD frames are never data, nor is a standard frame with an
// extended one's number.
func TestOtherFrames(t *testing.T) {
	b := newBus(t)
	b.sweep()
	b.ms(100)
	b.shunt(0)
	b.frame("013#00")
	before := b.d.counts
	for _, text := range []string{"010#R8", "010##0" + "0000000000000000", "00000010#0000000000000000", "20000010#0000000000000000", "011#0000", "7FF#"} {
		b.frame(text)
	}
	assert.EqualValues(t, 1, b.read().Beat)
	assert.EqualValues(t, before.Remote+2, b.d.counts.Remote)
	assert.EqualValues(t, before.Errors+1, b.d.counts.Errors)
	assert.EqualValues(t, before.Foreign+3, b.d.counts.Foreign)
	// Error frames are reported, the same one once in a while.
	b.frame("20000044#0004000000000000")
	b.frame("20000044#0004000000000000")
	assert.Equal(t, []string{"error frame: the transceiver reports a problem", "error frame: the controller reports a problem; the controller is off the bus"}, b.d.notices)
	b.frame(pack)
	assert.EqualValues(t, 2, b.read().Beat)
}

// INV-02: a frame whose counter did not move is the one before again, and makes
// nothing fresh.
func TestRepeatedFrame(t *testing.T) {
	b := newBus(t)
	b.sweep()
	for range 4 {
		b.ms(100)
		b.frame(pack)
		b.frame("013#0D")
		b.alive--
		b.shunt(50_000)
	}
	got := b.read()
	assert.EqualValues(t, none, got.Current)
	assert.EqualValues(t, 4, b.d.counts.Repeated)
	// Over the counter's end: 15 is followed by 0.
	b = newBus(t)
	for range 40 {
		b.ms(100)
		b.sweep()
	}
	assert.EqualValues(t, 40, b.read().Beat)
	assert.Zero(t, b.d.counts.Lost+b.d.counts.Repeated)
}

// Wrong checksums drop the frame; the data id counts.
func TestChecksums(t *testing.T) {
	for name, x := range map[string]struct {
		id   string
		kind ChecksumKind
		data []byte
	}{
		"id":    {", data_id: id", ChecksumJ1850, []byte{0x50, 0x04}},
		"bytes": {", data_id: [7, 9]", ChecksumXor, []byte{7, 9}},
		"none":  {"", ChecksumSum, nil},
	} {
		t.Run(name, func(t *testing.T) {
			m, problems := parse(t, `dbc: m.dbc
cells: {signals: U}
temperatures: {signals: T}
current: {signals: I, charge: positive}
checksums: [{kind: `+x.kind.String()+`, signals: K`+x.id+`}]
identity: {model: m, serial: s}
`, `BO_ 1104 All: 8 X
 SG_ U : 0|16@1+ (1,0) [0|0] "mV" X
 SG_ K : 31|8@0+ (1,0) [0|0] "" X
 SG_ T : 32|8@1+ (1,0) [0|0] "degC" X
 SG_ I : 47|16@0- (1,0) [0|0] "A" X
`)
			require.NoError(t, tree.Error(problems))
			spec := smallSpec()
			spec.Cells, spec.Temps, spec.Bleed = 1, 1, 0
			spec.CellStep, spec.TempStep, spec.CurrentStep = 1000, 1000, drivers.Ampere
			d, err := compile(m, spec)
			require.NoError(t, err)
			f := Frame{ID: 1104, Len: 7, Data: [8]byte{0xE4, 0x0C, 1, 0, 25, 0xFF, 0xFE}}
			sum := byte(0)
			all := append(append([]byte{}, x.data...), 0xE4, 0x0C, 1, 25, 0xFF, 0xFE)
			for _, b := range all {
				switch x.kind {
				case ChecksumSum:
					sum += b
				case ChecksumXor:
					sum ^= b
				}
			}
			if x.kind == ChecksumJ1850 {
				sum = (&model{}).check(&Frame{ID: 1104, Data: [8]byte{0xE4, 0x0C, 1, 25, 0xFF, 0xFE}}, 6)
			}
			f.Data[3] = sum
			d.frame(&f, 10)
			var r drivers.MonitorReading
			d.read(10, &r)
			assert.Equal(t, drivers.MonitorReading{Cells: []int32{3300}, Temps: []int32{298}, Current: -2, Bleeding: []int32{0}, Beat: 1}, r)
			for bit := range 56 {
				bad := f
				bad.Data[bit/8] ^= 1 << (bit % 8)
				d.frame(&bad, 20)
			}
			assert.EqualValues(t, 56, d.counts.Corrupt, "every single bit is found")
			d.read(20, &r)
			assert.EqualValues(t, 1, r.Beat)
		})
	}
}

// What a monitor says instead of a reading.
func TestAbsent(t *testing.T) {
	m, spec := common(t, 3, 1)
	d, err := compile(m, spec)
	require.NoError(t, err)
	f := Frame{ID: CommonCellsID, Len: 8, Data: [8]byte{0x88, 0x13, 0xFF, 0xFF, 0x60, 0x0A, 1}}
	f.Data[7] = (&model{}).check(&f, 7)
	d.frame(&f, 10)
	assert.Equal(t, []int32{0, none, -2344}, d.slots[:3])
	assert.EqualValues(t, 1, d.counts.Absent)
	assert.Zero(t, d.counts.Impossible)
	assert.Empty(t, d.notices)
}

// sweepFrames is what a common monitor of many cells sends in a sweep, count
// being the counter.
func sweepFrames(m *Map, cells int, count byte) (list []Frame) {
	s := &model{counters: map[uint32]byte{}}
	collect := func(f *Frame) bool { list = append(list, *f); return false }
	s.spoil = collect
	for k := range 512 {
		s.counters[uint32(k)+CommonBleedID] = count - 1
		s.counters[uint32(k)+CommonBleedID+512] = count - 1
	}
	s.spec.CurrentStep = 10_000
	r := drivers.MonitorReading{Cells: make([]int32, cells), Temps: make([]int32, 1), Bleeding: make([]int32, (cells+15)/16)}
	for i := range r.Cells {
		r.Cells[i] = int32(33_000 + i)
	}
	r.Temps[0] = 2982
	s.sweep(&r)
	return list
}

// A sweep of 512 cells takes under 30 us and allocates nothing. A memory scan
// of the same frames, summing their bytes, is the reference.
func BenchmarkDecode512(b *testing.B) {
	m, spec := common(b, 512, 1)
	d, err := compile(m, spec)
	require.NoError(b, err)
	var sweeps [256][]Frame
	for i := range sweeps {
		sweeps[i] = sweepFrames(m, 512, byte(i+1))
	}
	at := drivers.Instant(1)
	n := 0
	for b.Loop() {
		at = at.Add(drivers.Millisecond)
		list := sweeps[n&255]
		for i := range list {
			d.frame(&list[i], at)
		}
		n++
	}
	if int(d.beat) != n || d.counts.Lost+d.counts.Repeated+d.counts.Corrupt+d.counts.Impossible != 0 {
		b.Fatalf("%d sweeps of %d: %+v", d.beat, n, d.counts)
	}
	perSweep := b.Elapsed() / time.Duration(n)
	start := time.Now()
	sum := 0
	for i := range n {
		list := sweeps[i&255]
		for k := range list {
			for _, x := range list[k].Data {
				sum += int(x)
			}
		}
	}
	scan := time.Since(start) / time.Duration(n)
	b.ReportMetric(float64(perSweep)/float64(max(scan, 1)), "x-of-a-scan")
	sink = sum
	b.ReportAllocs()
}

// sink keeps the scan from being optimised away.
var sink int

func TestDecodeAllocatesNothing(t *testing.T) {
	m, spec := common(t, 512, 1)
	d, err := compile(m, spec)
	require.NoError(t, err)
	var sweeps [256][]Frame
	for i := range sweeps {
		sweeps[i] = sweepFrames(m, 512, byte(i+1))
	}
	n := 0
	var r drivers.MonitorReading
	d.read(0, &r)
	allocs := testing.AllocsPerRun(200, func() {
		for i := range sweeps[n&255] {
			d.frame(&sweeps[n&255][i], drivers.Instant(n*1000))
		}
		d.read(drivers.Instant(n*1000), &r)
		n++
	})
	assert.Zero(t, allocs)
	require.EqualValues(t, n, r.Beat)
	for i, c := range r.Cells {
		require.EqualValues(t, 33_000+i, c)
	}
}

// Error frames of two kinds in turn, as a disturbed bus makes them by the
// thousand, are told once each while they are news.
func TestErrorFramesInTurn(t *testing.T) {
	d, err := newDecoder(common(t, 3, 1))
	require.NoError(t, err)
	at := drivers.Instant(drivers.Second)
	for range 1000 {
		for _, class := range []uint32{0x4, 0x80, 0x84} {
			d.frame(&Frame{ID: class, Flags: ErrorFrame, Len: 8}, at)
		}
	}
	assert.Equal(t, []string{"error frame: the controller reports a problem", "error frame: a bus error"}, d.notices)
	d.frame(&Frame{ID: 0x80, Flags: ErrorFrame, Len: 8}, at.Add(noticeGap))
	assert.Len(t, d.notices, 3)
	assert.EqualValues(t, 3001, d.counts.Errors)
}

// INV-02: a frame that comes late, its counter behind that of the one before,
// is not taken for news; a monitor that restarted is heard with its second.
func TestLateFrame(t *testing.T) {
	m, spec := small(t)
	d, err := newDecoder(m, spec)
	require.NoError(t, err)
	st := d.standard[18]
	require.True(t, st.counts)
	for _, x := range []struct {
		counter byte
		taken   bool
	}{{6, true}, {7, true}, {6, false}, {8, true}, {10, true}, {8, false}, {11, true}, {2, true}, {15, false}, {0, true}, {1, true}} {
		f := Frame{ID: 18, Len: 5, Data: [8]byte{4: x.counter}}
		little, big := f.words()
		assert.Equal(t, x.taken, d.valid(st, &f, little, big), "counter %d", x.counter)
		if x.counter == 0 {
			require.EqualValues(t, 0, st.last)
		}
	}
}
