package modbus

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/rigwarden/rigwarden/profiles/tree"
)

// table is one of the four kinds of things a device holds.
type table uint8

const (
	coil     table = iota // single bits, read and written
	discrete              // single bits, read only
	input                 // registers, read only
	holding               // registers, read and written
)

var tableNames = [...]string{"coil", "discrete", "input", "holding"}

// bits says whether the table holds single bits rather than registers.
func (t table) bits() bool { return t <= discrete }

// things names what the table holds, for messages.
func (t table) things() string {
	return [...]string{"coils", "discrete inputs", "input registers", "holding registers"}[t]
}

// form is how a value is laid into its registers.
type form uint8

const (
	formBit form = iota // a coil, a discrete input, or one bit of a register
	formU16
	formS16
	formU32
	formS32
	formFloat32
	formText
)

var formNames = map[string]form{
	"u16": formU16, "s16": formS16, "u32": formU32, "s32": formS32, "float32": formFloat32, "text": formText,
}

// point is one named value and where it stands.
type point struct {
	name  string
	table table
	at    uint16 // from 0, as on the wire
	form  form
	bit   int // of a register, 0 the least; -1: a coil or a discrete input
	// inverted: the bit is 0 where what the point is named for is so.
	inverted bool
	chars    int // of a text
	// lowWord and lowByte say what comes first.
	lowWord, lowByte bool

	// value = zero + raw*step, in the dimension's base unit.
	dim        tree.Dimension
	step, zero int64
	bounded    bool // lo and hi, both included, hold every real value
	lo, hi     int64
	invalid    []uint32 // raw codes that mean "no reading"
}

// size is how many registers (or bits) the point covers.
func (p *point) size() int {
	switch p.form {
	case formU32, formS32, formFloat32:
		return 2
	case formText:
		return (p.chars + 1) / 2
	}
	return 1
}

// place names the point for messages: what it is called and where it stands.
func (p *point) place() string {
	if p.form == formBit && p.bit >= 0 {
		return fmt.Sprintf("%s at %d bit %d", p.name, p.at, p.bit)
	}
	return fmt.Sprintf("%s at %d", p.name, p.at)
}

// word returns register i of the point with the high byte first.
func (p *point) word(words []uint16, i int) uint16 {
	w := words[i]
	if p.lowByte {
		w = w<<8 | w>>8
	}
	return w
}

// raw returns the point's bits as they mean a number, before its step.
func (p *point) raw(words []uint16) uint32 {
	w := uint32(p.word(words, 0))
	if p.size() < 2 {
		return w
	}
	v := uint32(p.word(words, 1))
	if p.lowWord {
		return v<<16 | w
	}
	return w<<16 | v
}

// flag returns a bit's meaning.
func (p *point) flag(words []uint16) bool {
	if p.bit < 0 {
		return words[0] != 0 != p.inverted
	}
	return p.word(words, 0)>>p.bit&1 != 0 != p.inverted
}

// quantity returns the value in the dimension's base unit; false: the device
// gives none, or one that cannot be (INV-02).
func (p *point) quantity(words []uint16) (int64, bool) {
	raw := p.raw(words)
	if slices.Contains(p.invalid, raw) {
		return 0, false
	}
	var n int64
	switch p.form {
	case formFloat32:
		// The product is exact for steps under 2^29; beyond that it errs by less
		// than the float's own last bit.
		f := math.Round(float64(math.Float32frombits(raw)) * float64(p.step))
		if !(f > -maxAmount && f < maxAmount) { // NaN too
			return 0, false
		}
		n = int64(f)
	case formS16:
		n = int64(int16(raw)) * p.step
	case formS32:
		n = int64(int32(raw)) * p.step
	default:
		n = int64(raw) * p.step
	}
	n += p.zero
	if p.bounded && (n < p.lo || n > p.hi) {
		return 0, false
	}
	return n, true
}

// maxAmount bounds every quantity, so that no sum of two overflows.
const maxAmount = 1 << 62

// text returns what stands in a text's registers up to the first zero, or a
// number as people write it. What is not printable ASCII becomes '?'.
func (p *point) text(words []uint16) string {
	if p.form != formText {
		n, _ := p.quantity(words)
		return strconv.FormatInt(n, 10)
	}
	out := make([]byte, 0, p.chars)
	for i := range p.chars {
		c := byte(p.word(words, i/2) >> (8 * (1 - i%2)))
		if c == 0 {
			break
		}
		if c < 0x20 || c > 0x7e {
			c = '?'
		}
		out = append(out, c)
	}
	// Devices pad with blanks as well as with zeros.
	for len(out) > 0 && out[len(out)-1] == ' ' {
		out = out[:len(out)-1]
	}
	return string(out)
}
