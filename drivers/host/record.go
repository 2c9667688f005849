package host

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"

	"github.com/rigwarden/rigwarden/drivers"
)

// RecordSize is the length of every record of the lease pipe.
const RecordSize = 36

// RecordKind says what a record asks for.
type RecordKind uint32

// Record kinds. Zero is refused.
const (
	RecordRenew RecordKind = 1
	RecordHalt  RecordKind = 2
)

// Record is one message on a driver's standard input: renew the lease, or halt.
//
// On the wire, little endian: magic "RWL1", kind uint32, epoch uint64, echo
// uint64, duration int64 in microseconds, CRC-32C of the 32 bytes before it.
type Record struct {
	Kind  RecordKind
	Epoch uint64
	// Echo is the number of the reading that a renewal quotes.
	Echo uint64
	// Duration is how long a renewal holds, counted from that reading.
	Duration drivers.Span
}

// ErrRecord: what came is not a lease record. The stream is of no use any
// more, and everything is halted.
var ErrRecord = errors.New("not a lease record")

const recordMagic = "RWL1"

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Encode writes the record to b.
func (r Record) Encode(b *[RecordSize]byte) {
	copy(b[:4], recordMagic)
	binary.LittleEndian.PutUint32(b[4:], uint32(r.Kind))
	binary.LittleEndian.PutUint64(b[8:], r.Epoch)
	binary.LittleEndian.PutUint64(b[16:], r.Echo)
	binary.LittleEndian.PutUint64(b[24:], uint64(r.Duration))
	binary.LittleEndian.PutUint32(b[32:], crc32.Checksum(b[:32], castagnoli))
}

// DecodeRecord reads a record from the first RecordSize bytes of b. Whatever
// is wrong with it, the error is ErrRecord.
func DecodeRecord(b []byte) (Record, error) {
	if len(b) < RecordSize {
		return Record{}, fmt.Errorf("%w: %d bytes, a record has %d", ErrRecord, len(b), RecordSize)
	}
	b = b[:RecordSize]
	if string(b[:4]) != recordMagic {
		return Record{}, fmt.Errorf("%w: begins with %q, not %q", ErrRecord, b[:4], recordMagic)
	}
	if got, want := binary.LittleEndian.Uint32(b[32:]), crc32.Checksum(b[:32], castagnoli); got != want {
		return Record{}, fmt.Errorf("%w: checksum %08x, computed %08x", ErrRecord, got, want)
	}
	r := Record{
		Kind:     RecordKind(binary.LittleEndian.Uint32(b[4:])),
		Epoch:    binary.LittleEndian.Uint64(b[8:]),
		Echo:     binary.LittleEndian.Uint64(b[16:]),
		Duration: drivers.Span(binary.LittleEndian.Uint64(b[24:])),
	}
	return r, r.check()
}

// check refuses what no sender means.
func (r Record) check() error {
	switch {
	case r.Kind == RecordHalt && r.Echo == 0 && r.Duration == 0:
		return nil
	case r.Kind == RecordHalt:
		return fmt.Errorf("%w: a halt quotes reading %d for %d us; it has neither", ErrRecord, r.Echo, r.Duration)
	case r.Kind != RecordRenew:
		return fmt.Errorf("%w: kind %d is neither renew (%d) nor halt (%d)", ErrRecord, r.Kind, RecordRenew, RecordHalt)
	case r.Echo == 0:
		return fmt.Errorf("%w: a renewal that quotes no reading", ErrRecord)
	case r.Duration <= 0 || r.Duration > drivers.Hour:
		return fmt.Errorf("%w: a renewal for %d us; above 0 and up to an hour would be right", ErrRecord, r.Duration)
	}
	return nil
}
