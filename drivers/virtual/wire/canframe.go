package wire

import "encoding/binary"

// frameSize is the size of Linux' struct can_frame, which SocketCAN's raw sockets
// and the stream carriers use: identifier with flags (32 bits), length, three
// bytes of padding, eight of data.
const frameSize = 16

// Flags and masks of an identifier (linux/can.h).
const (
	flagExtended = 0x80000000
	flagRemote   = 0x40000000
	flagError    = 0x20000000
	maskStandard = 0x7FF
)

// canFrame is a classical frame with a standard identifier.
type canFrame struct {
	id   uint16
	size byte
	data [8]byte
}

// put appends the frame's record.
func (f canFrame) put(out []byte, order binary.ByteOrder) []byte {
	var r [frameSize]byte
	order.PutUint32(r[:], uint32(f.id))
	r[4] = f.size
	copy(r[8:], f.data[:])
	return append(out, r[:]...)
}

// readFrame reads a record; false: one that this monitor does not look at.
func readFrame(r *[frameSize]byte, order binary.ByteOrder) (canFrame, bool) {
	id := order.Uint32(r[:])
	if id&(flagExtended|flagRemote|flagError) != 0 || id > maskStandard || r[4] > 8 {
		return canFrame{}, false
	}
	f := canFrame{id: uint16(id), size: r[4]}
	copy(f.data[:f.size], r[8:])
	return f, true
}

// seal puts the common monitor's counter and checksum in the frame's last two
// bytes: CRC-8 as in SAE J1850 (polynomial 0x1D, start and final exclusive or
// 0xFF, from memory) over the identifier, low byte first, and the bytes before.
func (f *canFrame) seal(counter byte) {
	f.data[f.size-2] = counter
	f.data[f.size-1] = f.check()
}

func (f *canFrame) check() byte {
	crc := byte(0xFF)
	feed := func(b byte) {
		crc ^= b
		for range 8 {
			carry := crc&0x80 != 0
			crc <<= 1
			if carry {
				crc ^= 0x1D
			}
		}
	}
	feed(byte(f.id))
	feed(byte(f.id >> 8))
	for _, b := range f.data[:f.size-1] {
		feed(b)
	}
	return crc ^ 0xFF
}

// sealed says whether the checksum is right.
func (f *canFrame) sealed() bool { return f.size > 2 && f.data[f.size-1] == f.check() }
