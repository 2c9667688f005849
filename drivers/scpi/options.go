package scpi

import (
	"context"
	"io"

	"github.com/rigwarden/rigwarden/drivers"
)

// Options say which instrument is driven and how it is reached.
type Options struct {
	// Role is "supply", "load" or "meter"; the dialect must be for it.
	Role string
	// Address is "tcp:host:port" or
	// "serial:/dev/x?baud=9600&data=8&parity=none&stop=1", where what follows
	// the question mark may be left out as far as it is as shown.
	Address string
	Dialect *Dialect
	// Expect is what the instrument must say of itself (ErrIdentity).
	Expect drivers.Identity
	// Now is the clock of back-off and of declared delays; nil: real time. It
	// must not go back.
	Now func() drivers.Instant
	// Dial replaces the connection that Address names; for tests.
	Dial func(context.Context) (io.ReadWriteCloser, error)
}
