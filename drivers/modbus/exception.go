package modbus

import (
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Exception is a device's refusal of one request (MODBUS Application Protocol
// V1.1b3, section 7).
type Exception struct {
	Function byte // that was refused
	Code     byte
}

// Codes of exceptions.
const (
	illegalFunction = 0x01
	illegalAddress  = 0x02
	illegalValue    = 0x03
	deviceFailure   = 0x04
	acknowledge     = 0x05
	deviceBusy      = 0x06
	negativeAck     = 0x07 // only in old texts
	memoryParity    = 0x08
	gatewayPath     = 0x0a
	gatewayTarget   = 0x0b
)

var meanings = map[byte]string{
	illegalFunction: "illegal function: the device does not know this kind of access",
	illegalAddress:  "illegal data address: there is no such register",
	illegalValue:    "illegal data value: the device does not take this request or value",
	deviceFailure:   "device failure: it could not do it",
	acknowledge:     "acknowledge: it has accepted and takes its time",
	deviceBusy:      "device busy: it asks to be asked again",
	negativeAck:     "negative acknowledge: it cannot do it",
	memoryParity:    "memory parity error: its memory is damaged",
	gatewayPath:     "gateway path unavailable: the gateway has no way to this unit",
	gatewayTarget:   "gateway target failed to respond: no such unit behind the gateway, or it is silent",
}

func (e *Exception) Error() string {
	meaning, ok := meanings[e.Code]
	if !ok {
		meaning = "a code that the standard does not have"
	}
	return fmt.Sprintf("exception %d, %s", e.Code, meaning)
}

// Unwrap says what the exception means to the callers of drivers: a gateway
// whose device is silent had no answer, any other exception is a refusal.
func (e *Exception) Unwrap() error {
	if e.Code == gatewayPath || e.Code == gatewayTarget {
		return drivers.ErrNoAnswer
	}
	return drivers.ErrRefused
}

// passing says that the same request may succeed a moment later.
func (e *Exception) passing() bool { return e.Code == acknowledge || e.Code == deviceBusy }

// refusal finds the exception in an error.
func refusal(err error) (*Exception, bool) {
	var x *Exception
	ok := errors.As(err, &x)
	return x, ok
}
