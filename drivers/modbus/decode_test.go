package modbus

import (
	"encoding/binary"
	"math"
	"math/big"
	"testing"
)

// FuzzDecode compares a value with rational arithmetic over the same bytes,
// put in order by the standard library.
func FuzzDecode(f *testing.F) {
	f.Add(byte(0), false, false, int64(10_000), int64(0), []byte{0x21, 0xc0, 0, 0})
	f.Add(byte(1), true, false, int64(100), int64(273_150), []byte{0xff, 0x85, 0, 0})
	f.Add(byte(3), false, true, int64(1_000), int64(0), []byte{0xff, 0xff, 0x80, 0x00})
	f.Add(byte(4), true, true, int64(1_000_000), int64(-5), []byte{0x00, 0x00, 0x28, 0x42})
	f.Fuzz(func(t *testing.T, kind byte, lowWord, lowByte bool, step, zero int64, b []byte) {
		if len(b) < 4 || step < 1 || step > maxAmount>>32 || zero < -1e15 || zero > 1e15 {
			return
		}
		p := &point{name: "x", form: formU16 + form(kind%5), bit: -1, step: step, zero: zero, lowWord: lowWord, lowByte: lowByte}
		words := []uint16{binary.BigEndian.Uint16(b), binary.BigEndian.Uint16(b[2:])}

		flat := append([]byte(nil), b[:2*p.size()]...)
		if lowByte {
			for i := 0; i < len(flat); i += 2 {
				flat[i], flat[i+1] = flat[i+1], flat[i]
			}
		}
		if lowWord && len(flat) == 4 {
			flat = []byte{flat[2], flat[3], flat[0], flat[1]}
		}
		n := new(big.Rat)
		switch p.form {
		case formU16:
			n.SetInt64(int64(binary.BigEndian.Uint16(flat)))
		case formS16:
			n.SetInt64(int64(int16(binary.BigEndian.Uint16(flat))))
		case formU32:
			n.SetInt64(int64(binary.BigEndian.Uint32(flat)))
		case formS32:
			n.SetInt64(int64(int32(binary.BigEndian.Uint32(flat))))
		case formFloat32:
			v := float64(math.Float32frombits(binary.BigEndian.Uint32(flat)))
			if n.SetFloat64(v) == nil {
				if _, ok := p.quantity(words); ok {
					t.Fatalf("%v is a reading", v)
				}
				return
			}
		}
		n.Mul(n, new(big.Rat).SetInt64(step))
		got, ok := p.quantity(words)
		if top := new(big.Rat).SetInt64(maxAmount); !ok {
			if p.form != formFloat32 || new(big.Rat).Abs(n).Cmp(new(big.Rat).Sub(top, big.NewRat(1<<10, 1))) < 0 {
				t.Fatalf("%s is no reading", n.FloatString(3))
			}
			return
		}
		n.Add(n, new(big.Rat).SetInt64(zero))
		miss := new(big.Rat).Sub(n, new(big.Rat).SetInt64(got))
		miss.Abs(miss)
		// Half a base unit for rounding; a float with a step over 2^29 loses the
		// last bit of a double on top.
		bound := big.NewRat(0, 1)
		if p.form == formFloat32 {
			bound.Mul(new(big.Rat).Abs(n), big.NewRat(1, 1<<51))
			bound.Add(bound, big.NewRat(1, 2))
		}
		if miss.Cmp(bound) > 0 {
			t.Fatalf("%v of % x is %d, exactly %s", p.form, b[:4], got, n.FloatString(3))
		}
	})
}
