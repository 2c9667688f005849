package modbus

import (
	"encoding/binary"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Functions (MODBUS Application Protocol V1.1b3, section 6, from memory; the
// peers of the tests confirm them).
const (
	readCoils      byte = 1
	readDiscrete   byte = 2
	readHolding    byte = 3
	readInput      byte = 4
	writeCoil      byte = 5
	writeRegister  byte = 6
	writeCoils     byte = 15
	writeRegisters byte = 16

	exceptionFlag byte = 0x80
)

// Bounds of one request by the same section.
const (
	maxRegisters = 125
	maxBits      = 2000
	maxPDU       = 253
)

// request is one exchange: a read of count things, or a write of values.
type request struct {
	function byte
	at       uint16
	count    int
	values   []uint16 // coils: 0 is open
	// valid, where given, is asked when it is the request's turn on the wire;
	// on false it is not sent.
	valid func() bool
}

// reply is what came back for one request.
type reply struct {
	words []uint16 // one per register or bit read
	err   error    // an exception; a broken exchange is an error of the whole
}

func (r *request) writes() bool { return r.function > readInput }

// String names the request for messages.
func (r *request) String() string {
	what, verb := holding, "read"
	switch r.function {
	case readCoils, writeCoil, writeCoils:
		what = coil
	case readDiscrete:
		what = discrete
	case readInput:
		what = input
	}
	if r.writes() {
		verb = "write"
	}
	last := int(r.at) + r.count - 1
	if last == int(r.at) {
		things := what.things()
		return fmt.Sprintf("%s %s %d", verb, things[:len(things)-1], r.at)
	}
	return fmt.Sprintf("%s %s %d to %d", verb, what.things(), r.at, last)
}

// pdu is the request as the standard writes it, without framing.
func (r *request) pdu() []byte {
	b := []byte{r.function}
	b = binary.BigEndian.AppendUint16(b, r.at)
	switch r.function {
	case writeCoil:
		return append(b, coilByte(r.values[0]), 0)
	case writeRegister:
		return binary.BigEndian.AppendUint16(b, r.values[0])
	}
	b = binary.BigEndian.AppendUint16(b, uint16(r.count))
	switch r.function {
	case writeCoils:
		packed := make([]byte, (r.count+7)/8)
		for i, v := range r.values {
			if v != 0 {
				packed[i/8] |= 1 << (i % 8)
			}
		}
		b = append(append(b, byte(len(packed))), packed...)
	case writeRegisters:
		b = append(b, byte(2*r.count))
		for _, v := range r.values {
			b = binary.BigEndian.AppendUint16(b, v)
		}
	}
	return b
}

func coilByte(v uint16) byte {
	if v != 0 {
		return 0xff
	}
	return 0
}

// errReply marks a reply that does not fit its request: the exchange is broken,
// and whoever asked has no answer.
var errReply error = misfit{}

type misfit struct{}

func (misfit) Error() string { return "the reply does not fit the request" }
func (misfit) Unwrap() error { return drivers.ErrNoAnswer }

// parse reads the reply to r. An exception is part of the reply; any other
// misfit is errReply.
func (r *request) parse(pdu []byte) (reply, error) {
	switch {
	case len(pdu) < 2:
		return reply{}, fmt.Errorf("%w: it has %d bytes", errReply, len(pdu))
	case pdu[0] == r.function|exceptionFlag:
		if len(pdu) != 2 {
			return reply{}, fmt.Errorf("%w: an exception of %d bytes", errReply, len(pdu))
		}
		return reply{err: &Exception{Function: r.function, Code: pdu[1]}}, nil
	case pdu[0] != r.function:
		return reply{}, fmt.Errorf("%w: function %#x answers function %d", errReply, pdu[0], r.function)
	}
	if r.writes() {
		want := r.pdu()[:5]
		if string(pdu) != string(want) {
			return reply{}, fmt.Errorf("%w: % x echoes % x", errReply, pdu, want)
		}
		return reply{}, nil
	}
	want := 2 * r.count
	if r.function <= readDiscrete {
		want = (r.count + 7) / 8
	}
	if int(pdu[1]) != want || len(pdu) != 2+want {
		return reply{}, fmt.Errorf("%w: %d bytes of data, announced as %d; %d were asked for", errReply, len(pdu)-2, pdu[1], want)
	}
	words := make([]uint16, r.count)
	for i := range words {
		if r.function <= readDiscrete {
			words[i] = uint16(pdu[2+i/8] >> (i % 8) & 1)
		} else {
			words[i] = binary.BigEndian.Uint16(pdu[2+2*i:])
		}
	}
	return reply{words: words}, nil
}
