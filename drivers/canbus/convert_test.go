package canbus

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.einride.tech/can"
	"go.einride.tech/can/pkg/descriptor"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// signalOf reads one SG_ statement in a message of eight bytes.
func signalOf(t require.TestingT, text string) *signal {
	r := &tree.Report{}
	db := readDBC(r, "x.dbc", []byte("BO_ 1 X: 8 Y\n SG_ S : "+text+" Y\n"))
	require.NoError(t, tree.Error(r.Problems))
	return db.signals["S"][0]
}

func rawOf(t require.TestingT, s *signal, data [8]byte) int64 {
	b, err := place(s)
	require.NoError(t, err)
	f := Frame{Len: 8, Data: data}
	little, big := f.words()
	v, ok := b.raw(little, big)
	require.True(t, ok)
	return v
}

// Bit numbers as published: the engine speed of SAE J1939 (SPN 190) is
// 24|16@1+ (0.125,0), and the data FFFFFF6813FFFFFF hold 621 rpm
// (from memory); a Motorola signal's start bit is its most significant, so that
// 7|16@0 is the first two bytes in the order of the wire (read, in the CAN
// library's own drawing of big-endian ranges: 29|32@0 begins in byte 3).
func TestBitNumbers(t *testing.T) {
	wire := [8]byte{0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}
	assert.EqualValues(t, 621*8, rawOf(t, signalOf(t, `24|16@1+ (0.125,0) [0|8031.875] "rpm"`), [8]byte{255, 255, 255, 0x68, 0x13, 255, 255, 255}))
	for text, want := range map[string]int64{
		"0|16@1+":  0x2211,
		"7|16@0+":  0x1122,
		"0|64@1-":  -0x7788_99AA_BBCC_DDEF, // 0x8877665544332211
		"7|64@0+":  0x1122_3344_5566_7788,
		"29|32@0+": 0x4455_6677<<2&0xFFFF_FFFF | 0x88>>6,
		"12|4@1+":  2,
		"15|4@0+":  2,
		"11|4@0+":  2,
		"3|8@0+":   0x12,
		"63|1@1+":  1,
		"56|1@0-":  0,
		"63|1@0-":  -1, // one bit with a sign
		"60|4@1-":  -8,
	} {
		assert.Equal(t, want, rawOf(t, signalOf(t, text+` (1,0) [0|0] ""`), wire), text)
	}
}

// The library's bit ranges agree for every place, order and sign.
func TestBitsAgreeWithLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &signal{name: "S", of: &message{name: "X", size: 8}}
		s.start = rapid.IntRange(0, 63).Draw(t, "start")
		s.size = rapid.IntRange(1, 63).Draw(t, "size")
		s.big = rapid.Bool().Draw(t, "big")
		s.signed = rapid.Bool().Draw(t, "signed")
		data := can.Data(binary.LittleEndian.AppendUint64(nil, rapid.Uint64().Draw(t, "data")))
		b, err := place(s)
		// The signal's last bit, walked one by one.
		end := s.start
		for range s.size - 1 {
			if !s.big {
				end++
			} else if end%8 == 0 {
				end += 15
			} else {
				end--
			}
		}
		if (end > 63) != (err != nil) {
			t.Fatalf("its last bit is %d, but %v", end, err)
		}
		if err != nil {
			return
		}
		if int(b.need) != end/8+1 {
			t.Fatalf("needs %d bytes; its last bit is %d", b.need, end)
		}
		f := Frame{Len: 8, Data: data}
		little, big := f.words()
		got, ok := b.raw(little, big)
		var want int64
		at, size := uint8(s.start), uint8(s.size)
		switch {
		case s.big && s.signed:
			want = data.SignedBitsBigEndian(at, size)
		case s.big:
			want = int64(data.UnsignedBitsBigEndian(at, size))
		case s.signed:
			want = data.SignedBitsLittleEndian(at, size)
		default:
			want = int64(data.UnsignedBitsLittleEndian(at, size))
		}
		if !ok || got != want {
			t.Fatalf("got %d, the library %d", got, want)
		}
		// Writing changes these bits and no other.
		value := rapid.Uint64().Draw(t, "value")
		after := f
		b.put(&after.Data, value)
		little2, big2 := after.words()
		if b.word(little2, big2) != value&(^uint64(0)>>(64-b.size)) || little&^b.mask() != little2&^b.mask() {
			t.Fatalf("put %#x into %x: %x", value, f.Data, after.Data)
		}
	})
}

// In range, counts are the library's physical values rounded to the step; out
// of range there is no count where the library clamps.
func TestCountsAgreeWithLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		factor := rapid.SampledFrom([]string{"0.0001", "0.001", "0.0015", "0.00015259", "-0.0001", "0.1", "1"}).Draw(t, "factor")
		offset := rapid.SampledFrom([]string{"0", "-0.5", "2", "-1.25"}).Draw(t, "offset")
		size := rapid.IntRange(2, 32).Draw(t, "size")
		sign := rapid.SampledFrom([]string{"+", "-"}).Draw(t, "sign")
		s := signalOf(t, fmt.Sprintf(`0|%d@1%s (%s,%s) [-1|5] "V"`, size, sign, factor, offset))
		b, err := place(s)
		require.NoError(t, err)
		const step = 100 // uV
		c, err := converter(s, b, linearOf(s, volts["V"], 1), step, nil)
		require.NoError(t, err)
		data := can.Data(binary.LittleEndian.AppendUint64(nil, rapid.Uint64().Draw(t, "data")))
		f := Frame{Len: 8, Data: data}
		little, big := f.words()
		got, what := c.count(b, little, big)

		lib := descriptor.Signal{Length: uint8(size), IsSigned: s.signed}
		lib.Scale, _ = s.factor.Float64()
		lib.Offset, _ = s.offset.Float64()
		free := lib.UnmarshalPhysical(data)
		lib.Min, lib.Max = -1, 5
		clamped := lib.UnmarshalPhysical(data)
		const grain = 1e-9 // of floating point at a range's end
		switch {
		case free < -1-grain || free > 5+grain:
			if what != impossible || got != drivers.NoReading {
				t.Fatalf("%v V gives %d (%d); the library says %v V", free, got, what, clamped)
			}
		case free > -1+grain && free < 5-grain:
			if what != good || math.Abs(float64(got)*step-clamped*1e6) > step/2+1e-3 {
				t.Fatalf("%v V gives %d steps of %d uV (%d)", clamped, got, step, what)
			}
		}
	})
}

// The library's floats for 0.0001 and the like are not the file's numbers; the
// counts are those of exact arithmetic, halves rounded up.
func TestCountsAreExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		digits := rapid.IntRange(1, 99999).Draw(t, "digits")
		s := signalOf(t, fmt.Sprintf(`7|24@0- (0.%05d,%d.%02d) [0|0] "mV"`, digits, rapid.IntRange(-9, 9).Draw(t, "whole"), rapid.IntRange(0, 99).Draw(t, "part")))
		b, err := place(s)
		require.NoError(t, err)
		step := int64(rapid.SampledFrom([]int{1, 3, 7, 100, 1000}).Draw(t, "step"))
		sign := rapid.SampledFrom([]int64{1, -1}).Draw(t, "direction")
		c, err := converter(s, b, linearOf(s, volts["mV"], sign), step, nil)
		require.NoError(t, err)
		raw := int64(rapid.Int32Range(-1<<23, 1<<23-1).Draw(t, "raw"))
		var f Frame
		b.put(&f.Data, uint64(raw))
		little, word := f.words()
		got, what := c.count(b, little, word)
		want := new(big.Rat).SetInt64(raw)
		want.Mul(want, s.factor).Add(want, s.offset)
		want.Mul(want, big.NewRat(1000*sign, step)).Add(want, big.NewRat(1, 2))
		floor := new(big.Int).Div(want.Num(), want.Denom())
		if !floor.IsInt64() || floor.Int64() > math.MaxInt32 || floor.Int64() <= math.MinInt32 {
			if what != impossible {
				t.Fatalf("%s does not fit, got %d", floor, got)
			}
		} else if int64(got) != floor.Int64() || what != good {
			t.Fatalf("got %d (%d), exactly %s", got, what, floor)
		}
	})
}

// What needs more than 64 bits is refused, not rounded.
func TestTooFineFactor(t *testing.T) {
	s := signalOf(t, `0|48@1- (0.0000123456789012,0.98765432109876) [0|0] "V"`)
	b, err := place(s)
	require.NoError(t, err)
	_, err = converter(s, b, linearOf(s, volts["V"], 1), 7, nil)
	require.ErrorContains(t, err, "more than 64 bits")
	// The same within a range that needs fewer.
	s.least, s.top = big.NewRat(-1, 1000), big.NewRat(1, 1000)
	s.offset = new(big.Rat)
	_, err = converter(s, b, linearOf(s, volts["V"], 1), 7, nil)
	require.NoError(t, err)
}

// Floats are honoured, with their scale: the library takes the bits for a whole
// number. Not a number, and what lies outside, is impossible.
func TestFloats(t *testing.T) {
	s := signalOf(t, `0|32@1- (0.001,0.5) [0|5] "V"`)
	s.number = float32Bits
	b, err := place(s)
	require.NoError(t, err)
	c, err := converter(s, b, linearOf(s, volts["V"], 1), 100, nil)
	require.NoError(t, err)
	for x, want := range map[float32]int32{
		2800: 33000, 0: 5000, -500: 0, 4500: 50000, 4500.2: drivers.NoReading, -500.1: drivers.NoReading,
		float32(math.NaN()): drivers.NoReading, float32(math.Inf(1)): drivers.NoReading, float32(math.Inf(-1)): drivers.NoReading,
	} {
		got, what := c.count(b, uint64(math.Float32bits(x)), 0)
		assert.Equal(t, want, got, "%v", x)
		assert.Equal(t, want == drivers.NoReading, what == impossible, "%v", x)
	}
	s = signalOf(t, `7|64@0- (1,0) [0|0] "V"`)
	s.number = float64Bits
	b, err = place(s)
	require.NoError(t, err)
	c, err = converter(s, b, linearOf(s, volts["V"], 1), 100, nil)
	require.NoError(t, err)
	for x, want := range map[float64]int32{3.3: 33000, -3.3: -33000, 3.30005: 33001, 1e300: drivers.NoReading, 214748.3648: drivers.NoReading, -214748.3648: drivers.NoReading} {
		got, _ := c.count(b, 0, math.Float64bits(x))
		assert.Equal(t, want, got, "%v", x)
	}
}
