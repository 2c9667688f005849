package store

import (
	"bytes"
	"fmt"
	"strconv"
	"sync"

	"github.com/klauspost/compress/zstd"

	"github.com/rigwarden/rigwarden/drivers"
)

// Texts and lines are packed: one byte says how, the rest is the text.
const (
	packedPlain = 0
	packedZstd  = 1
	// packLeast is the shortest text worth packing.
	packLeast = 256
	// textMost bounds what an unpacked text may take.
	textMost = 64 << 20
)

var zstdWriter = sync.OnceValue(func() *zstd.Encoder {
	w, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<18))
	if err != nil {
		panic("zstd encoder: " + err.Error()) // constant options
	}
	return w
})

var zstdReader = sync.OnceValue(func() *zstd.Decoder {
	r, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(textMost))
	if err != nil {
		panic("zstd decoder: " + err.Error()) // constant options
	}
	return r
})

func packText(text []byte) []byte {
	if len(text) >= packLeast {
		if b := zstdWriter().EncodeAll(text, []byte{packedZstd}); len(b) <= len(text) {
			return b
		}
	}
	return append([]byte{packedPlain}, text...)
}

func unpackText(b []byte) ([]byte, error) {
	if len(b) == 0 {
		return nil, fmt.Errorf("%w: empty text", ErrDamaged)
	}
	switch b[0] {
	case packedPlain:
		return b[1:], nil
	case packedZstd:
		text, err := zstdReader().DecodeAll(b[1:], nil)
		if err != nil {
			return nil, fmt.Errorf("%w: text: %w", ErrDamaged, err)
		}
		return text, nil
	}
	return nil, fmt.Errorf("%w: text of unknown kind %d", ErrDamaged, b[0])
}

// appendLine appends one stored line: sequence number, instant and the line
// itself, separated by spaces and ended by a line break.
func appendLine(b []byte, seq uint64, at drivers.Instant, line string) []byte {
	b = strconv.AppendUint(b, seq, 10)
	b = append(b, ' ')
	b = strconv.AppendInt(b, int64(at), 10)
	b = append(b, ' ')
	b = append(b, line...)
	return append(b, '\n')
}

// nextLine splits the first line off.
func nextLine(text []byte) (e Event, rest []byte, err error) {
	row, rest, ok := bytes.Cut(text, []byte{'\n'})
	seq, row, ok1 := bytes.Cut(row, []byte{' '})
	at, line, ok2 := bytes.Cut(row, []byte{' '})
	if !ok || !ok1 || !ok2 {
		return Event{}, nil, fmt.Errorf("%w: a stored line is cut short", ErrDamaged)
	}
	e.Seq, err = strconv.ParseUint(string(seq), 10, 64)
	if err == nil {
		var us int64
		us, err = strconv.ParseInt(string(at), 10, 64)
		e.At = drivers.Instant(us)
	}
	if err != nil {
		return Event{}, nil, fmt.Errorf("%w: a stored line begins with %q", ErrDamaged, row)
	}
	e.Line = string(line)
	return e, rest, nil
}
