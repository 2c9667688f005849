package block

import (
	"encoding/binary"
	"fmt"
)

// input reads a block's numbers; after the first failure it returns zeros.
type input struct {
	b   []byte
	err error
}

func (in *input) fail(what string) {
	if in.err == nil {
		in.err = fmt.Errorf("%w: %s", ErrCorrupt, what)
	}
	in.b = nil
}

func (in *input) byte() byte {
	if len(in.b) == 0 {
		in.fail("ends early")
		return 0
	}
	v := in.b[0]
	in.b = in.b[1:]
	return v
}

func (in *input) uvarint() uint64 {
	v, n := binary.Uvarint(in.b)
	if n <= 0 {
		in.fail("bad number")
		return 0
	}
	in.b = in.b[n:]
	return v
}

func (in *input) varint() int64 {
	v, n := binary.Varint(in.b)
	if n <= 0 {
		in.fail("bad number")
		return 0
	}
	in.b = in.b[n:]
	return v
}

// bounded reads a number that must not exceed most.
func (in *input) bounded(most uint64) uint64 {
	v := in.uvarint()
	if v > most {
		in.fail(fmt.Sprintf("%d where at most %d is possible", v, most))
		return 0
	}
	return v
}

// bytes reads a length and as many bytes, without copying them.
func (in *input) bytes() []byte {
	n := in.uvarint()
	if n > uint64(len(in.b)) {
		in.fail("ends early")
	}
	if in.err != nil {
		return nil
	}
	v := in.b[:n]
	in.b = in.b[n:]
	return v
}
