package store

import (
	"encoding/binary"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// piece is what became durable of one run in one commit, before its chunk is
// sealed: some frames and lines.
type piece struct {
	chunk  uint32
	frame0 uint64
	frames uint32
	line0  uint64
	lines  uint32
	// firstAt and lastAt are the earliest and the latest frame.
	firstAt, lastAt drivers.Instant
	block           []byte // frame block, empty without frames
	text            []byte // packed lines, empty without lines
}

// A piece as stored: version byte, then numbers big-endian, the block's length,
// the block, the lines.
const (
	pieceVersion = 1
	pieceHeader  = 1 + 4 + 8 + 4 + 8 + 4 + 8 + 8 + 4
)

func (p *piece) append(b []byte) []byte {
	b = append(b, pieceVersion)
	b = binary.BigEndian.AppendUint32(b, p.chunk)
	b = binary.BigEndian.AppendUint64(b, p.frame0)
	b = binary.BigEndian.AppendUint32(b, p.frames)
	b = binary.BigEndian.AppendUint64(b, p.line0)
	b = binary.BigEndian.AppendUint32(b, p.lines)
	b = binary.BigEndian.AppendUint64(b, uint64(p.firstAt))
	b = binary.BigEndian.AppendUint64(b, uint64(p.lastAt))
	b = binary.BigEndian.AppendUint32(b, uint32(len(p.block)))
	b = append(b, p.block...)
	return append(b, p.text...)
}

// parsePiece reads a piece; its bytes stay v's.
func parsePiece(v []byte) (p piece, err error) {
	if len(v) < pieceHeader || v[0] != pieceVersion {
		return p, fmt.Errorf("%w: piece of %d bytes, version %d", ErrDamaged, len(v), first(v))
	}
	p.chunk = binary.BigEndian.Uint32(v[1:])
	p.frame0 = binary.BigEndian.Uint64(v[5:])
	p.frames = binary.BigEndian.Uint32(v[13:])
	p.line0 = binary.BigEndian.Uint64(v[17:])
	p.lines = binary.BigEndian.Uint32(v[25:])
	p.firstAt = drivers.Instant(binary.BigEndian.Uint64(v[29:]))
	p.lastAt = drivers.Instant(binary.BigEndian.Uint64(v[37:]))
	size := binary.BigEndian.Uint32(v[45:])
	v = v[pieceHeader:]
	if uint64(size) > uint64(len(v)) {
		return p, fmt.Errorf("%w: piece ends early", ErrDamaged)
	}
	p.block, p.text = v[:size:size], v[size:]
	return p, nil
}
