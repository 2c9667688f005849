package canbus

import (
	"encoding/binary"
	"fmt"
)

// Flags say what kind of frame it is; none: a classical data frame with a
// standard (11 bit) identifier.
type Flags uint8

// Frame flags.
const (
	Extended   Flags = 1 << iota // 29 bit identifier
	Remote                       // asks for data, carries none
	ErrorFrame                   // made by the local controller; ID holds the error class
	FD                           // CAN FD
	FDSwitched                   // FD: data phase at the higher bit rate (BRS)
	FDPassive                    // FD: the sender is error passive (ESI)
	XL                           // CAN XL
)

// maxPayload is what a classical frame carries at most, in bytes.
const maxPayload = 8

// Frame is one frame of a bus.
type Frame struct {
	// ID is the identifier without flags: 11 bits, or 29 with Extended.
	ID    uint32
	Flags Flags
	// DLC is the raw data length code where it differs from Len, else 0.
	DLC uint8
	// Len is the payload's length in bytes; of a remote frame, what it asks
	// for. Only the first 8 bytes of longer payloads (FD, XL) are kept: such
	// frames are seen in recordings and never decoded.
	Len  uint16
	Data [maxPayload]byte
}

// IsData says whether the frame is a classical data frame, the only kind that
// carries signals.
func (f *Frame) IsData() bool { return f.Flags&^Extended == 0 }

// RecordSize is the length of a frame on a stream carrier: Linux's struct
// can_frame, little-endian whatever the host.
const RecordSize = 16

// Flags in the identifier of struct can_frame (linux/can.h, as quoted in
// check-values 10.2).
const (
	effFlag = 0x80000000
	rtrFlag = 0x40000000
	errFlag = 0x20000000
	sffMask = 0x7FF
	effMask = 0x1FFFFFFF
)

// PutRecord writes f as a struct can_frame record: identifier and flags in
// four bytes, length, three bytes of padding, eight of data.
func PutRecord(b *[RecordSize]byte, f *Frame) {
	id := f.ID
	if f.Flags&Extended != 0 {
		id |= effFlag
	}
	if f.Flags&Remote != 0 {
		id |= rtrFlag
	}
	if f.Flags&ErrorFrame != 0 {
		id |= errFlag
	}
	*b = [RecordSize]byte{4: byte(f.Len)}
	binary.LittleEndian.PutUint32(b[:], id)
	if f.Flags&Remote == 0 {
		copy(b[8:], f.Data[:min(f.Len, maxPayload)])
	}
}

// ParseRecord reads a struct can_frame record. A length over 8 or an
// identifier that cannot be is an error: the stream is not made of such
// records, or out of step.
func ParseRecord(b *[RecordSize]byte) (Frame, error) {
	return parseRecord(b, binary.LittleEndian.Uint32(b[:]))
}

func parseRecord(b *[RecordSize]byte, id uint32) (Frame, error) {
	f := Frame{ID: id & effMask, Len: uint16(b[4])}
	switch {
	case id&errFlag != 0:
		f.Flags |= ErrorFrame
	case id&effFlag != 0:
		f.Flags |= Extended
	case f.ID > sffMask:
		return Frame{}, fmt.Errorf("identifier %#x is longer than 11 bits without the flag for 29", f.ID)
	}
	if id&rtrFlag != 0 && id&errFlag == 0 {
		f.Flags |= Remote
	}
	if f.Len > maxPayload {
		return Frame{}, fmt.Errorf("a length of %d bytes; a CAN frame has at most %d", f.Len, maxPayload)
	}
	if f.Flags&Remote == 0 {
		copy(f.Data[:f.Len], b[8:])
	}
	return f, nil
}
