package canbus

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// The small monitor's command: a constant, a mask, and the sum of the data id's
// bytes and the frame's.
func TestCommandFrames(t *testing.T) {
	m, spec := small(t)
	b := newBleeder(m, &spec)
	assert.Equal(t, []Frame{{ID: 20, Len: 3, Data: [8]byte{0x92, 0, 0x95}}}, b.frames([]int32{0b1001}))
	assert.Equal(t, []Frame{{ID: 20, Len: 3, Data: [8]byte{0x02, 0, 0x05}}}, b.frames([]int32{0}))
}

// Masks of any width and both orders of bytes put each cell's bit where the
// decoder of the bleed state finds it.
func TestMasks(t *testing.T) {
	var dbc strings.Builder
	for i, place := range []string{"3|11@1+", "23|5@0+", "24|40@1+"} {
		for k, dir := range []string{"S", "B"} {
			name := dir + string(rune('1'+i))
			dbc.WriteString("BO_ " + string(rune('1'+3*k+i)) + " M" + name + ": 8 X\n SG_ " + name + " : " + place + " (1,0) [0|0] \"\" Y\n")
		}
	}
	dbc.WriteString("BO_ 9 All: 8 X\n SG_ T : 0|8@1+ (1,0) [0|0] \"K\" X\n SG_ I : 8|8@1- (1,0) [0|0] \"A\" X\n")
	var cells []string
	for i := range 50 {
		if i%8 == 0 {
			dbc.WriteString("BO_ " + string(rune('1'+i/8)) + "0 C" + string(rune('1'+i/8)) + ": 8 X\n")
		}
		name := "U" + string(rune('a'+i/26)) + string(rune('a'+i%26))
		dbc.WriteString(" SG_ " + name + " : " + []string{"0", "8", "16", "24", "32", "40", "48", "56"}[i%8] + "|8@1+ (0.1,0) [0|0] \"V\" X\n")
		cells = append(cells, name)
	}
	m, problems := parse(t, `dbc: m.dbc
cells: {signals: [`+strings.Join(cells, ", ")+`]}
temperatures: {signals: T}
current: {signals: I, charge: positive}
bleeding: {signals: 'S{n}'}
bleed: {signals: 'B{n}'}
identity: {model: m, serial: s}
`, dbc.String())
	require.NoError(t, tree.Error(problems))
	spec := smallSpec()
	spec.Cells, spec.Temps, spec.CellStep, spec.TempStep, spec.CurrentStep, spec.CurrentRange = 50, 1, 100_000, 1000, drivers.Ampere, 100*drivers.Ampere
	d, err := compile(m, spec)
	require.NoError(t, err)
	b := newBleeder(m, &spec)
	for cell := range 50 {
		want := make([]int32, 4)
		want[cell/16] = 1 << (cell % 16)
		ones := 0
		frames := b.frames(want)
		require.Len(t, frames, 3)
		for i := range frames {
			for _, x := range frames[i].Data {
				for ; x != 0; x &= x - 1 {
					ones++
				}
			}
			frames[i].ID -= 3 // the state's frames are made alike
			d.frame(&frames[i], 1000)
		}
		assert.Equal(t, 1, ones)
		d.publish(1000)
		var r drivers.MonitorReading
		d.read(1000, &r)
		require.Equal(t, want, r.Bleeding, "cell %d", cell+1)
	}
}

// Where a command takes several frames and neighbours must not bleed at once,
// no frame makes a cell bleed beside one that a later frame ends.
func TestCommandInPartsSparesNeighbours(t *testing.T) {
	m, spec := common(t, 98, 1)
	b := newBleeder(m, &spec)
	bleeding := map[uint32][6]byte{}
	obey := func(frames []Frame) {
		for _, f := range frames {
			bleeding[f.ID] = [6]byte(f.Data[:6]) // a monitor that does not wait for the last frame
			last := false
			for id := range uint32(3) {
				for _, x := range bleeding[CommonBleedID+id] {
					for bit := range 8 {
						on := x&(1<<bit) != 0
						require.False(t, on && last, "neighbours bleed after %v", &f)
						last = on
					}
				}
			}
		}
	}
	at := func(cells ...int) []int32 {
		w := make([]int32, 7)
		for _, c := range cells {
			w[c/16] |= 1 << (c % 16)
		}
		return w
	}
	one := b.frames(at(47, 96))
	assert.Len(t, one, 3, "nothing ends: one round")
	obey(one)
	two := b.frames(at(48, 95))
	assert.Len(t, two, 6)
	obey(two)
	obey(b.frames(at(47, 95)))
	assert.Len(t, b.frames(at(95)), 3)
	assert.Len(t, b.frames(at()), 3)
	// All frames of one round have one counter.
	assert.Equal(t, two[3].Data[6], two[5].Data[6])
	assert.NotEqual(t, two[0].Data[6], two[3].Data[6])
}

func TestAllowed(t *testing.T) {
	m, spec := common(t, 24, 6)
	b := newBleeder(m, &spec)
	for _, x := range []struct {
		words []int32
		want  string
	}{
		{[]int32{0}, "1 words; 2 are needed for 24 cells"},
		{[]int32{0, 0x100}, "word 2 is 0x100; there are only 24 cells"},
		{[]int32{-1 << 31, 0}, "there are only 24 cells"},
		{[]int32{3, 0}, "neighbouring cells"},
		{[]int32{0x8000, 1}, "neighbouring cells"},
	} {
		assert.ErrorContains(t, b.allowed(x.words), x.want)
	}
	assert.NoError(t, b.allowed([]int32{0x5555, 0x55}))
	spec.BleedNeighbours = true
	assert.NoError(t, b.allowed([]int32{0xFFFF, 0xFF}))
	spec.Bleed = 0
	assert.ErrorContains(t, b.allowed([]int32{1, 0}), "no bleed resistors")
	assert.NoError(t, b.allowed([]int32{0, 0}))
}
