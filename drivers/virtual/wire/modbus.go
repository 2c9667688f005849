package wire

import (
	"encoding/binary"
	"errors"
	"io"
)

// The Modbus application protocol (V1.1b3) over TCP (messaging guide V1.0b), as
// far as a contactor box needs it. It is written out here because the box judges
// drivers: sharing their library would hide its mistakes from both, and a wire
// that misbehaves byte by byte needs the bytes.

// Functions.
const (
	readHolding   = 3
	readInput     = 4
	writeRegister = 6
	writeMany     = 16
)

// exception is a Modbus exception code; 0: none.
type exception byte

const (
	illegalFunction exception = 1
	illegalAddress  exception = 2
	illegalValue    exception = 3
	deviceFailure   exception = 4
	targetSilent    exception = 11 // gateway target device failed to respond
)

// Most registers that one request may carry (V1.1b3, 6.3 and 6.12).
const (
	readMax  = 125
	writeMax = 123
)

// bank is a device's registers.
type bank interface {
	holding(at uint16) (uint16, bool)
	input(at uint16) (uint16, bool)
	// write changes registers from at on, all of them or none.
	write(at uint16, values []uint16) exception
}

// answer carries out a request PDU and returns the response PDU.
func answer(b bank, pdu []byte) []byte {
	if len(pdu) == 0 {
		return []byte{0x80, byte(illegalFunction)}
	}
	response, x := carryOut(b, pdu)
	if x != 0 {
		return []byte{pdu[0] | 0x80, byte(x)}
	}
	return response
}

// carryOut follows the standard's state diagrams: function, then the request's
// structure, then the addresses, then the values.
func carryOut(b bank, pdu []byte) ([]byte, exception) {
	switch function := pdu[0]; function {
	case readHolding, readInput:
		if len(pdu) != 5 {
			return nil, illegalValue
		}
		get := b.holding
		if function == readInput {
			get = b.input
		}
		return readRegisters(function, get, binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:]))
	case writeRegister:
		if len(pdu) != 5 {
			return nil, illegalValue
		}
		x := writeRegisters(b, binary.BigEndian.Uint16(pdu[1:]), pdu[3:5])
		return pdu[:5:5], x
	case writeMany:
		if len(pdu) < 6 {
			return nil, illegalValue
		}
		n, size := int(binary.BigEndian.Uint16(pdu[3:])), int(pdu[5])
		if n < 1 || n > writeMax || size != 2*n || len(pdu) != 6+size {
			return nil, illegalValue
		}
		return pdu[:5:5], writeRegisters(b, binary.BigEndian.Uint16(pdu[1:]), pdu[6:])
	}
	return nil, illegalFunction
}

func readRegisters(function byte, get func(uint16) (uint16, bool), at, n uint16) ([]byte, exception) {
	if n < 1 || n > readMax {
		return nil, illegalValue
	}
	if int(at)+int(n) > 1<<16 {
		return nil, illegalAddress
	}
	response := []byte{function, byte(2 * n)}
	for i := range n {
		v, ok := get(at + i)
		if !ok {
			return nil, illegalAddress
		}
		response = binary.BigEndian.AppendUint16(response, v)
	}
	return response, 0
}

func writeRegisters(b bank, at uint16, raw []byte) exception {
	values := make([]uint16, len(raw)/2)
	if int(at)+len(values) > 1<<16 {
		return illegalAddress
	}
	for i := range values {
		values[i] = binary.BigEndian.Uint16(raw[2*i:])
		if _, ok := b.holding(at + uint16(i)); !ok {
			return illegalAddress
		}
	}
	return b.write(at, values)
}

// adu is a request on Modbus TCP.
type adu struct {
	transaction uint16
	unit        byte
	pdu         []byte
}

// pduMax is the longest PDU (V1.1b3, 4.1).
const pduMax = 253

var errFraming = errors.New("no Modbus TCP header")

// readADU reads the next request. A header that is none ends the connection: on a
// stream there is no way to find the next one.
func readADU(r io.Reader) (adu, error) {
	var head [7]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return adu{}, err
	}
	protocol, length := binary.BigEndian.Uint16(head[2:]), binary.BigEndian.Uint16(head[4:])
	if protocol != 0 || length < 2 || length > pduMax+1 {
		return adu{}, errFraming
	}
	a := adu{transaction: binary.BigEndian.Uint16(head[:]), unit: head[6], pdu: make([]byte, length-1)}
	_, err := io.ReadFull(r, a.pdu)
	return a, err
}

// bytes is the frame on the wire.
func (a adu) bytes() []byte {
	out := binary.BigEndian.AppendUint16(nil, a.transaction)
	out = append(out, 0, 0)
	out = binary.BigEndian.AppendUint16(out, uint16(len(a.pdu)+1))
	return append(append(out, a.unit), a.pdu...)
}
