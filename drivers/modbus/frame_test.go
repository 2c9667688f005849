package modbus

import (
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	require.NoError(t, err)
	return b
}

// Check values of MODBUS over Serial Line V1.02 (the first is the
// specification's own example, from memory; the others computed).
func TestCRC(t *testing.T) {
	for wire, want := range map[string]string{
		"02 07":             "41 12",
		"01 03 00 00 00 0A": "C5 CD",
		"11 03 00 6B 00 03": "76 87",
		"01 04 02 FF FF":    "B8 80",
		"01 83 02":          "C0 F1",
	} {
		b := unhex(t, wire)
		assert.Equal(t, append(b, unhex(t, want)...), serialFrame(b[0], b[1:]), wire)
	}
	assert.EqualValues(t, 0x4B37, crc16([]byte("123456789")))
	assert.EqualValues(t, 0x1241, crc16([]byte{2, 7}))
}

// The requests and replies that the MODBUS Application Protocol V1.1b3 gives as
// examples in section 6 (from memory).
func TestPDU(t *testing.T) {
	for _, c := range []struct {
		request     request
		pdu, answer string
		words       []uint16
	}{
		{request{function: readCoils, at: 19, count: 19}, "01 00 13 00 13", "01 03 CD 6B 05", []uint16{1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1}},
		{request{function: readDiscrete, at: 196, count: 22}, "02 00 C4 00 16", "02 03 AC DB 35", []uint16{0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1}},
		{request{function: readHolding, at: 107, count: 3}, "03 00 6B 00 03", "03 06 02 2B 00 00 00 64", []uint16{555, 0, 100}},
		{request{function: readInput, at: 8, count: 1}, "04 00 08 00 01", "04 02 00 0A", []uint16{10}},
		{request{function: writeCoil, at: 172, count: 1, values: []uint16{1}}, "05 00 AC FF 00", "05 00 AC FF 00", nil},
		{request{function: writeRegister, at: 1, count: 1, values: []uint16{3}}, "06 00 01 00 03", "06 00 01 00 03", nil},
		{request{function: writeCoils, at: 19, count: 10, values: []uint16{1, 0, 1, 1, 0, 0, 1, 1, 1, 0}}, "0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A", nil},
		{request{function: writeRegisters, at: 1, count: 2, values: []uint16{10, 258}}, "10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02", nil},
	} {
		r := &c.request
		require.Equal(t, unhex(t, c.pdu), r.pdu(), "%v", r)
		answer := unhex(t, c.answer)
		got, err := r.parse(answer)
		require.NoError(t, err, "%v", r)
		require.NoError(t, got.err, "%v", r)
		require.Equal(t, c.words, got.words, "%v", r)

		// Nothing that is cut, longer or another's is taken for the answer.
		for n := range answer {
			_, err := r.parse(answer[:n])
			require.ErrorIs(t, err, errReply, "%v cut to %d", r, n)
		}
		_, err = r.parse(append(answer, 0))
		require.ErrorIs(t, err, errReply, "%v", r)
		other := append([]byte(nil), answer...)
		other[0]++
		_, err = r.parse(other)
		require.ErrorIs(t, err, errReply, "%v", r)

		for code, meaning := range meanings {
			got, err := r.parse([]byte{r.function | 0x80, code})
			require.NoError(t, err)
			require.ErrorContains(t, got.err, meaning)
			want := drivers.ErrRefused
			if code == 0x0a || code == 0x0b {
				want = drivers.ErrNoAnswer
			}
			require.ErrorIs(t, got.err, want)
		}
		got, err = r.parse([]byte{r.function | 0x80, 0x55})
		require.NoError(t, err)
		require.ErrorContains(t, got.err, "exception 85")
	}
	r := &request{function: writeRegister, at: 1, count: 1, values: []uint16{3}}
	_, err := r.parse([]byte{6, 0, 1, 0, 4})
	require.ErrorIs(t, err, errReply, "it echoes another value")
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
}

// However a serial reply is cut, its size is told as soon as it can be and is
// right; however it is damaged, it is not taken for one.
func FuzzSerialReply(f *testing.F) {
	f.Add(byte(3), []byte{1, 3, 2, 0, 10, 0x38, 0x43})
	f.Add(byte(6), []byte{1, 6, 0, 1, 0, 3, 0x98, 0x0b})
	f.Add(byte(4), []byte{1, 0x84, 2, 0xc2, 0xc1})
	f.Add(byte(1), []byte{1, 1, 251})
	f.Fuzz(func(t *testing.T, function byte, b []byte) {
		function = 1 + function%16
		size, err := serialSize(function, b)
		if err != nil || size == 0 || len(b) < size {
			return
		}
		if size < shortest || size > maxSerial {
			t.Fatalf("a frame of %d bytes", size)
		}
		pdu, err := parseSerial(b[0], b[:size])
		if err != nil {
			return
		}
		r := &request{function: function, count: 1, values: []uint16{1}}
		if got, err := r.parse(pdu); err == nil && got.err == nil && !r.writes() && len(got.words) != 1 {
			t.Fatal("a read of one thing gives something else")
		}
		for i := range size {
			b[i] ^= 0x10
			if _, err := parseSerial(b[0], b[:size]); err == nil {
				t.Fatalf("a flipped bit in byte %d goes unnoticed", i)
			}
			b[i] ^= 0x10
		}
	})
}

func FuzzReply(f *testing.F) {
	f.Add(byte(3), uint16(3), []byte{3, 6, 2, 43, 0, 0, 0, 100})
	f.Add(byte(1), uint16(19), []byte{1, 3, 0xcd, 0x6b, 5})
	f.Add(byte(16), uint16(2), []byte{16, 0, 1, 0, 2})
	f.Add(byte(4), uint16(1), []byte{0x84, 2})
	f.Fuzz(func(t *testing.T, function byte, count uint16, pdu []byte) {
		r := &request{function: function%6 + 1, at: 1, count: int(count%maxRegisters) + 1}
		if r.function == writeCoil || r.function == writeRegister {
			r.count, r.values = 1, []uint16{uint16(count)}
		}
		got, err := r.parse(pdu)
		if err == nil && got.err == nil && !r.writes() && len(got.words) != r.count {
			t.Fatalf("%v gives %d words", r, len(got.words))
		}
	})
}
