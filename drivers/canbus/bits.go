package canbus

import "fmt"

// bits is where a value lies in a frame's eight bytes taken as one word: the
// first byte lowest for little-endian, highest for big-endian signals.
type bits struct {
	shift, size uint8
	need        uint8 // bytes a frame must have to hold all of it
	big, signed bool
}

// place finds a signal's bits. DBC numbers the bits of a frame byte by byte,
// the lowest bit of the first byte 0, of the second 8. The start bit is the
// lowest bit of a little-endian (Intel) signal and the highest of a big-endian
// (Motorola) one, which goes on with the next lower bit of the same byte and
// then the highest bit of the next byte.
func place(s *signal) (bits, error) {
	size := 8 * s.of.size
	switch {
	case s.size < 1 || s.size > 64:
		return bits{}, fmt.Errorf("signal %s has %d bits; 1 to 64 are possible", s.name, s.size)
	case s.start >= size:
		return bits{}, fmt.Errorf("signal %s begins at bit %d; message %s has %d bits", s.name, s.start, s.of.name, size)
	}
	b := bits{size: uint8(s.size), big: s.big, signed: s.signed}
	first := s.start // in the order in which the signal goes on
	if s.big {
		first = s.start/8*8 + 7 - s.start%8
	}
	end := first + s.size
	if end > size {
		return bits{}, fmt.Errorf("signal %s ends %d bits behind message %s, which has %d", s.name, end-size, s.of.name, size)
	}
	b.need = uint8((end + 7) / 8)
	b.shift = uint8(first)
	if s.big {
		b.shift = uint8(64 - end)
	}
	return b, nil
}

// word returns the raw value without a sign.
func (b bits) word(little, big uint64) uint64 {
	w := little
	if b.big {
		w = big
	}
	return w >> b.shift & (^uint64(0) >> (64 - b.size))
}

// raw returns the raw value with its sign. ok is false for an unsigned value
// that an int64 does not hold.
func (b bits) raw(little, big uint64) (v int64, ok bool) {
	w := b.word(little, big)
	if b.signed {
		up := 64 - b.size
		return int64(w<<up) >> up, true
	}
	return int64(w), int64(w) >= 0
}

// holds says whether v can be a raw value.
func (b bits) holds(v int64) bool {
	if b.signed {
		return v == v<<(64-b.size)>>(64-b.size)
	}
	return v >= 0 && uint64(v) <= ^uint64(0)>>(64-b.size)
}

// mask returns the frame's bits that the value occupies, in the little-endian
// numbering whatever the value's order.
func (b bits) mask() uint64 {
	m := ^uint64(0) >> (64 - b.size) << b.shift
	if b.big {
		m = swap(m)
	}
	return m
}

// put sets the value's bits of a frame.
func (b bits) put(data *[maxPayload]byte, v uint64) {
	m := ^uint64(0) >> (64 - b.size)
	v = v & m << b.shift
	m <<= b.shift
	for i := range data {
		at := 8 * i
		if b.big {
			at = 56 - at
		}
		data[i] = data[i]&^byte(m>>at) | byte(v>>at)
	}
}

func swap(w uint64) (r uint64) {
	for range 8 {
		r = r<<8 | w&0xFF
		w >>= 8
	}
	return r
}
