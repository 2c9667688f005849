package host

import (
	"encoding/hex"
	"errors"
	"hash/crc32"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// CRC-32C's check value, of "123456789", is e3069283 (from memory).
func TestRecordChecksumIsCastagnoli(t *testing.T) {
	require.Equal(t, uint32(0xe3069283), crc32.Checksum([]byte("123456789"), castagnoli))
}

// The format is a contract with plugins in other languages: these bytes were
// laid out by hand from the comment on Record, and the checksum is computed bit by
// bit, without a table.
func TestRecordBytes(t *testing.T) {
	var b [RecordSize]byte
	Record{Kind: RecordRenew, Epoch: 7, Echo: 258, Duration: 1_500_000}.Encode(&b)
	require.Equal(t, "52574c3101000000"+"0700000000000000"+"0201000000000000"+"60e3160000000000", hex.EncodeToString(b[:32]))
	require.Equal(t, bitwiseCRC32C(b[:32]), uint32(b[32])|uint32(b[33])<<8|uint32(b[34])<<16|uint32(b[35])<<24)
	Record{Kind: RecordHalt, Epoch: 0x0102030405060708}.Encode(&b)
	require.Equal(t, "52574c3102000000"+"0807060504030201"+"0000000000000000"+"0000000000000000", hex.EncodeToString(b[:32]))
}

// bitwiseCRC32C is CRC-32C in its reflected form, bit by bit.
func bitwiseCRC32C(b []byte) uint32 {
	crc := ^uint32(0)
	for _, x := range b {
		crc ^= uint32(x)
		for range 8 {
			crc = crc>>1 ^ 0x82f63b78*(crc&1)
		}
	}
	return ^crc
}

func TestRecordRefuses(t *testing.T) {
	whole := func(r Record) []byte {
		var b [RecordSize]byte
		r.Encode(&b)
		return b[:]
	}
	good := Record{Kind: RecordRenew, Epoch: 1, Echo: 1, Duration: 1}
	for name, b := range map[string][]byte{
		"nothing":               nil,
		"one byte short":        whole(good)[:RecordSize-1],
		"another magic":         append([]byte("RWL2"), whole(good)[4:]...),
		"kind 0":                whole(Record{Epoch: 1, Echo: 1, Duration: 1}),
		"kind 3":                whole(Record{Kind: 3, Epoch: 1, Echo: 1, Duration: 1}),
		"renewal without echo":  whole(Record{Kind: RecordRenew, Epoch: 1, Duration: 1}),
		"renewal for no time":   whole(Record{Kind: RecordRenew, Epoch: 1, Echo: 1}),
		"renewal backwards":     whole(Record{Kind: RecordRenew, Epoch: 1, Echo: 1, Duration: -1}),
		"renewal over an hour":  whole(Record{Kind: RecordRenew, Epoch: 1, Echo: 1, Duration: drivers.Hour + 1}),
		"halt with a duration":  whole(Record{Kind: RecordHalt, Epoch: 1, Duration: 1}),
		"halt that quotes":      whole(Record{Kind: RecordHalt, Epoch: 1, Echo: 1}),
		"thirty-six zero bytes": make([]byte, RecordSize),
	} {
		_, err := DecodeRecord(b)
		require.ErrorIs(t, err, ErrRecord, name)
	}
	b := whole(good)
	for i := range b { // CRC-32C finds every single wrong bit
		for bit := range 8 {
			b[i] ^= 1 << bit
			_, err := DecodeRecord(b)
			require.ErrorIs(t, err, ErrRecord, "byte %d, bit %d", i, bit)
			b[i] ^= 1 << bit
		}
	}
	got, err := DecodeRecord(b)
	require.NoError(t, err)
	require.Equal(t, good, got)
}

func FuzzRecord(f *testing.F) {
	for _, r := range []Record{{Kind: RecordRenew, Epoch: 1, Echo: 2, Duration: 3}, {Kind: RecordHalt, Epoch: 1 << 60}, {Kind: 9}} {
		var b [RecordSize]byte
		r.Encode(&b)
		f.Add(b[:])
	}
	f.Add([]byte("RWL1"))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := DecodeRecord(b)
		if err != nil {
			if !errors.Is(err, ErrRecord) {
				t.Fatalf("error %v is no ErrRecord", err)
			}
			return
		}
		var again [RecordSize]byte
		r.Encode(&again)
		if string(again[:]) != string(b[:RecordSize]) {
			t.Fatalf("%x decodes to %+v, which encodes to %x", b[:RecordSize], r, again)
		}
	})
}
