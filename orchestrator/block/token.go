package block

import (
	"fmt"
	"math/bits"
)

// Tokens. A folded residual becomes one byte for the entropy coder: itself under
// 64, else its length in bits and the two bits after the leading one, with the
// rest kept as plain extra bits.

const (
	plainTokens = 64
	firstLength = 7 // bits of the first residual with extra bits
	lastToken   = plainTokens + (32-firstLength)*4 + 3
)

// token returns the token of u and how many of u's low bits are extra.
func token(u uint32) (t uint8, extra uint) {
	if u < plainTokens {
		return uint8(u), 0
	}
	n := uint(bits.Len32(u))
	return uint8(plainTokens + (n-firstLength)*4 + uint(u>>(n-3)&3)), n - 3
}

// residual returns the residual that the token stands for with its extra bits
// zero, and their number. t is at most lastToken.
func residual(t uint8) (u uint32, extra uint) {
	if t < plainTokens {
		return uint32(t), 0
	}
	extra = uint(t-plainTokens)/4 + firstLength - 3
	return (4 + uint32(t-plainTokens)&3) << extra, extra
}

// bitWriter packs bits, the lowest first.
type bitWriter struct {
	out  []byte
	word uint64
	n    uint
}

func (w *bitWriter) reset(out []byte) { *w = bitWriter{out: out} }

// write appends the low n bits of v, n at most 32.
func (w *bitWriter) write(v uint32, n uint) {
	w.word |= uint64(v) & (1<<n - 1) << w.n
	w.n += n
	for w.n >= 8 {
		w.out = append(w.out, byte(w.word))
		w.word >>= 8
		w.n -= 8
	}
}

// close writes the last, partly filled byte and returns everything.
func (w *bitWriter) close() []byte {
	if w.n > 0 {
		w.out = append(w.out, byte(w.word))
	}
	w.word, w.n = 0, 0
	return w.out
}

// bitReader reads what a bitWriter wrote.
type bitReader struct {
	in   []byte
	word uint64
	n    uint
}

// read returns the next n bits, n at most 32.
func (r *bitReader) read(n uint) (uint32, error) {
	for r.n < n {
		if len(r.in) == 0 {
			return 0, fmt.Errorf("%w: extra bits run out", ErrCorrupt)
		}
		r.word |= uint64(r.in[0]) << r.n
		r.in = r.in[1:]
		r.n += 8
	}
	v := uint32(r.word & (1<<n - 1))
	r.word >>= n
	r.n -= n
	return v, nil
}

// done reports bits left over.
func (r *bitReader) done() error {
	if len(r.in) > 0 || r.word != 0 {
		return fmt.Errorf("%w: extra bits left over", ErrCorrupt)
	}
	return nil
}
