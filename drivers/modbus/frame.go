package modbus

import (
	"encoding/binary"
	"fmt"
)

// headerSize is the size of the header over TCP: transaction, protocol and
// length of two bytes each, and the unit.
const headerSize = 7

// header frames a PDU for TCP.
func header(transaction uint16, unit uint8, pdu []byte) []byte {
	b := make([]byte, 0, headerSize+len(pdu))
	b = binary.BigEndian.AppendUint16(b, transaction)
	b = binary.BigEndian.AppendUint16(b, 0) // the protocol: Modbus
	b = binary.BigEndian.AppendUint16(b, uint16(1+len(pdu)))
	return append(append(b, unit), pdu...)
}

// parseHeader reads a reply's header; size is that of the PDU that follows.
func parseHeader(b []byte) (transaction uint16, unit uint8, size int, err error) {
	if p := binary.BigEndian.Uint16(b[2:]); p != 0 {
		return 0, 0, 0, fmt.Errorf("%w: protocol %d, Modbus is 0: another service answers", errReply, p)
	}
	size = int(binary.BigEndian.Uint16(b[4:])) - 1
	if size < 2 || size > maxPDU {
		return 0, 0, 0, fmt.Errorf("%w: its header announces %d bytes; 2 to %d are possible", errReply, size, maxPDU)
	}
	return binary.BigEndian.Uint16(b), b[6], size, nil
}

// crc16 is the check of a serial frame: initial value 0xffff, reflected
// polynomial 0xa001 (MODBUS over Serial Line V1.02, p. 40).
func crc16(b []byte) uint16 {
	crc := uint16(0xffff)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low != 0 {
				crc ^= 0xa001
			}
		}
	}
	return crc
}

// maxSerial is the longest serial frame.
const maxSerial = 256

// serialFrame frames a PDU for a serial line; the check goes low byte first.
func serialFrame(unit uint8, pdu []byte) []byte {
	b := append([]byte{unit}, pdu...)
	return binary.LittleEndian.AppendUint16(b, crc16(b))
}

// serialSize is how long the reply that begins with b is in all, 0 where it is
// too short to tell. A serial frame does not say its length: it follows from
// the function that was asked for.
func serialSize(function byte, b []byte) (int, error) {
	if len(b) < 3 {
		return 0, nil
	}
	switch {
	case b[1] == function|exceptionFlag:
		return 5, nil
	case b[1] != function:
		return 0, fmt.Errorf("%w: function %#x answers function %d", errReply, b[1], function)
	case function <= readInput:
		if n := 5 + int(b[2]); n <= maxSerial {
			return n, nil
		}
		return 0, fmt.Errorf("%w: it announces %d bytes of data", errReply, b[2])
	}
	return 8, nil
}

// parseSerial takes a whole frame apart.
func parseSerial(unit uint8, b []byte) (pdu []byte, err error) {
	n := len(b) - 2
	if n < 3 {
		return nil, fmt.Errorf("%w: it has %d bytes", errReply, len(b))
	}
	if want, got := crc16(b[:n]), binary.LittleEndian.Uint16(b[n:]); want != got {
		return nil, fmt.Errorf("%w: its check is %#04x, its bytes make %#04x: the line is disturbed, or its speed or parity is wrong", errReply, got, want)
	}
	if b[0] != unit {
		return nil, fmt.Errorf("%w: unit %d answers for unit %d", errReply, b[0], unit)
	}
	return b[1:n], nil
}
