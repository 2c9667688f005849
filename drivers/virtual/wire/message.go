package wire

import "strings"

// A program message (IEEE 488.2, clause 7) is split here into its units; what
// they mean is the tree's business. The split is pure.

// unit is one program message unit: a header and its parameters.
type unit struct {
	header   string // as sent, without the query mark
	text     string // the whole unit as sent
	common   bool   // begins with an asterisk
	absolute bool   // begins with a colon: from the root
	query    bool
	params   []param
}

// paramKind is the kind of a parameter (IEEE 488.2, 7.7).
type paramKind uint8

const (
	characterData paramKind = iota
	numericData
	stringData
	blockData
	expressionData
)

// param is one parameter as sent.
type param struct {
	kind   paramKind
	text   string // of a number: without its suffix; of a string: without quotes
	suffix string // upper case
}

// Bounds of what the instruments take.
const (
	mnemonicMax = 12  // IEEE 488.2, 7.6.1.4.1: a program mnemonic has at most twelve characters
	digitsMax   = 255 // SCPI-1999 vol. 2, 21.8.9: -124, mantissa over 255 digits
	exponentMax = 32000
	paramsMax   = 16
)

// lexer walks over one program message.
type lexer struct {
	s string
	i int
}

// parse splits a message without its terminator. On an error it returns the units
// that stand before it: they were heard.
func parse(message string) ([]unit, *scpiError) {
	var list []unit
	x := &lexer{s: message}
	for {
		x.space()
		if x.end() {
			return list, nil
		}
		if x.take(';') { // an empty unit means nothing
			continue
		}
		from := x.i
		u, err := x.unit()
		if err != nil {
			return list, err
		}
		u.text = strings.TrimRight(x.s[from:x.i], " ")
		x.space()
		if !x.end() && !x.take(';') {
			return list, fault(-103)
		}
		list = append(list, u)
	}
}

func (x *lexer) end() bool { return x.i >= len(x.s) }

func (x *lexer) peek() byte {
	if x.end() {
		return 0
	}
	return x.s[x.i]
}

func (x *lexer) take(c byte) bool {
	if x.end() || x.s[x.i] != c {
		return false
	}
	x.i++
	return true
}

// space skips white space: 0 to 32 without the line feed, which ends a message
// (IEEE 488.2, 7.4.1.2).
func (x *lexer) space() bool {
	from := x.i
	for !x.end() && x.s[x.i] <= ' ' {
		x.i++
	}
	return x.i > from
}

func (x *lexer) run(ok func(byte) bool) string {
	from := x.i
	for !x.end() && ok(x.s[x.i]) {
		x.i++
	}
	return x.s[from:x.i]
}

func alpha(c byte) bool { return c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' }
func digit(c byte) bool { return c >= '0' && c <= '9' }
func word(c byte) bool  { return alpha(c) || digit(c) || c == '_' }

// unit reads a header and its parameters.
func (x *lexer) unit() (unit, *scpiError) {
	var u unit
	if u.common = x.take('*'); !u.common {
		u.absolute = x.take(':')
	}
	from := x.i
	for {
		if c := x.peek(); !alpha(c) {
			if c >= 0x80 || c < ' ' && !x.end() {
				return u, fault(-101)
			}
			return u, fault(-102)
		}
		if len(x.run(word)) > mnemonicMax {
			return u, fault(-112)
		}
		if u.common || !x.take(':') {
			break
		}
	}
	u.header = x.s[from:x.i]
	u.query = x.take('?')
	if x.end() || x.peek() == ';' {
		return u, nil
	}
	if !x.space() {
		if c := x.peek(); c >= 0x80 {
			return u, fault(-101)
		}
		return u, fault(-111)
	}
	return u, x.parameters(&u)
}

func (x *lexer) parameters(u *unit) *scpiError {
	if x.end() || x.peek() == ';' {
		return nil
	}
	for {
		p, err := x.param()
		if err != nil {
			return err
		}
		if len(u.params) == paramsMax {
			return fault(-223)
		}
		u.params = append(u.params, p)
		x.space()
		if !x.take(',') {
			return nil
		}
		x.space()
	}
}

func (x *lexer) param() (param, *scpiError) {
	switch c := x.peek(); {
	case x.end():
		return param{}, fault(-102)
	case alpha(c):
		return param{kind: characterData, text: x.run(word)}, nil
	case digit(c), c == '+', c == '-', c == '.':
		return x.number()
	case c == '"', c == '\'':
		return x.quoted(c)
	case c == '(':
		return x.expression()
	case c == '#':
		x.run(func(c byte) bool { return c != ';' && c != ',' && c > ' ' })
		return param{kind: blockData}, nil
	case c == ',' || c == ';':
		return param{}, fault(-102)
	}
	return param{}, fault(-101)
}

// number reads decimal numeric program data: 1, +1.5, .5, 1 E-3, with a suffix
// that may stand apart.
func (x *lexer) number() (param, *scpiError) {
	var b strings.Builder
	if c := x.peek(); c == '+' || c == '-' {
		b.WriteByte(c)
		x.i++
	}
	whole := x.run(digit)
	b.WriteString(whole)
	digits := len(whole)
	if x.take('.') {
		part := x.run(digit)
		b.WriteString("." + part)
		digits += len(part)
	}
	switch {
	case digits == 0:
		return param{}, fault(-121)
	case digits > digitsMax:
		return param{}, fault(-124)
	}
	if err := x.exponent(&b); err != nil {
		return param{}, err
	}
	p := param{kind: numericData, text: b.String()}
	if c := x.peek(); digit(c) || c == '.' || c == '_' {
		return param{}, fault(-121)
	}
	mark := x.i
	x.space()
	if !alpha(x.peek()) {
		x.i = mark
		return p, nil
	}
	p.suffix = strings.ToUpper(x.run(func(c byte) bool { return word(c) || c == '/' || c == '.' || c == '-' }))
	if len(p.suffix) > mnemonicMax {
		return param{}, fault(-134)
	}
	return p, nil
}

// exponent reads E and its digits, where they are: an E that no number follows
// begins a suffix.
func (x *lexer) exponent(b *strings.Builder) *scpiError {
	mark := x.i
	x.space()
	if !x.take('E') && !x.take('e') {
		x.i = mark
		return nil
	}
	x.space()
	sign := ""
	if c := x.peek(); c == '+' || c == '-' {
		sign = string(c)
		x.i++
	}
	digits := x.run(digit)
	if digits == "" {
		x.i = mark
		return nil
	}
	digits = strings.TrimLeft(digits, "0")
	n := 0
	for _, d := range digits {
		if n = 10*n + int(d-'0'); n > exponentMax {
			return fault(-123)
		}
	}
	b.WriteString("E" + sign + "0" + digits)
	return nil
}

// quoted reads string program data; the quote inside is doubled.
func (x *lexer) quoted(quote byte) (param, *scpiError) {
	x.i++
	var b strings.Builder
	for !x.end() {
		c := x.s[x.i]
		x.i++
		if c != quote {
			b.WriteByte(c)
			continue
		}
		if !x.take(quote) {
			return param{kind: stringData, text: b.String()}, nil
		}
		b.WriteByte(quote)
	}
	return param{}, fault(-151)
}

func (x *lexer) expression() (param, *scpiError) {
	depth := 0
	for from := x.i; !x.end(); x.i++ {
		switch x.s[x.i] {
		case '(':
			depth++
		case ')':
			if depth--; depth == 0 {
				x.i++
				return param{kind: expressionData, text: x.s[from:x.i]}, nil
			}
		}
	}
	return param{}, fault(-171)
}
