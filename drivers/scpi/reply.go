package scpi

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// ErrReply: the instrument answered something that cannot be used: of the wrong
// type, unreadable, endless, another question's, or a quantity that cannot be.
var ErrReply = errors.New("unusable reply")

// Not a number and infinity as SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5, writes
// them in replies (as quoted in a BSD-licensed SCPI parser).
const (
	notANumber = 9.91e37
	infinity   = 9.9e37
)

// NR1, NR2 and NR3 of IEEE 488.2: integer, fixed point, exponent.
var numberForm = regexp.MustCompile(`^[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?$`)

func unusable(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrReply, fmt.Sprintf(format, args...))
}

// parseNumber reads a number; ok is false for "not a number".
func parseNumber(s, suffix string) (v float64, ok bool, err error) {
	t := strings.TrimSpace(s)
	if suffix != "" && len(t) > len(suffix) && strings.EqualFold(t[len(t)-len(suffix):], suffix) {
		t = strings.TrimSpace(t[:len(t)-len(suffix)])
	}
	if len(t) > 64 || !numberForm.MatchString(t) {
		return 0, false, unusable("no number")
	}
	v, err = strconv.ParseFloat(t, 64)
	switch {
	case err != nil:
		return 0, false, unusable("no number that can be")
	case v == notANumber:
		return 0, false, nil
	case math.Abs(v) == infinity:
		return 0, false, unusable("infinite: over the instrument's range")
	}
	return v, true, nil
}

// parseQuantity reads a number in units of mult as base units; drivers.NoReading
// has no meaning here, so ok says whether there is one.
func parseQuantity(s, suffix string, mult int64) (v int64, ok bool, err error) {
	x, ok, err := parseNumber(s, suffix)
	if err != nil || !ok {
		return 0, ok, err
	}
	x = math.Round(x * float64(mult))
	if !(math.Abs(x) <= 1e15) { // a gigavolt in uV
		return 0, false, unusable("no quantity that can be")
	}
	return int64(x), true, nil
}

// parseCount reads a measurement as counts of step.
func (r reading) parseCount(s string, step int64) (int32, error) {
	v, ok, err := parseQuantity(s, r.suffix, r.mult)
	if err != nil {
		return drivers.NoReading, err
	}
	if !ok {
		return drivers.NoReading, nil
	}
	if r.reversed {
		v = -v
	}
	n := math.Round(float64(v) / float64(max(step, 1)))
	if math.Abs(n) > math.MaxInt32 {
		return drivers.NoReading, unusable("over what a frame can carry in steps of %d", step)
	}
	return int32(n), nil
}

// parseBoolean reads a boolean: SCPI-1999 volume 1, 7.3, has a query always
// answer 1 or 0 (as quoted in a BSD-licensed SCPI parser).
func parseBoolean(s string) (int, error) {
	switch strings.TrimSpace(s) {
	case "0", "+0":
		return 0, nil
	case "1", "+1":
		return 1, nil
	}
	return 0, unusable("no boolean: 1 or 0 is right")
}

// parseRegister reads a register of up to 32 bits, as an integer or in one of
// the forms #H, #Q and #B of IEEE 488.2.
func parseRegister(s string) (uint32, error) {
	t, base := strings.TrimSpace(s), 10
	if len(t) > 2 && t[0] == '#' {
		switch t[1] {
		case 'H', 'h':
			base = 16
		case 'Q', 'q':
			base = 8
		case 'B', 'b':
			base = 2
		}
		if base != 10 {
			t = t[2:]
		}
	} else {
		t = strings.TrimPrefix(t, "+")
	}
	if t == "" || t[0] == '+' {
		return 0, unusable("no register")
	}
	v, err := strconv.ParseUint(t, base, 32)
	if err != nil {
		return 0, unusable("no register: a whole number is right")
	}
	return uint32(v), nil
}

// parse returns what the reply means.
func (s *state) parse(reply string) (flags, error) {
	if s.boolean {
		b, err := parseBoolean(reply)
		if err != nil {
			return 0, err
		}
		return s.when[b], nil
	}
	if s.words != nil {
		f, ok := s.words[strings.ToUpper(strings.Trim(strings.TrimSpace(reply), `"`))]
		if !ok {
			return 0, unusable("a word that the dialect does not list")
		}
		return f, nil
	}
	r, err := parseRegister(reply)
	if err != nil {
		return 0, err
	}
	var all flags
	for bit, f := range s.bits {
		if r>>bit&1 != 0 {
			all |= f
		}
	}
	return all, nil
}

// Entry is one entry of an instrument's error queue.
type Entry struct {
	Number int
	Text   string
}

func (e Entry) String() string { return fmt.Sprintf("%d,%q", e.Number, e.Text) }

// query says that the entry speaks of a question that was cut off, which our
// own halt does, and not of a setting: class -400 of SCPI-1999 21.8.13.
func (e Entry) query() bool { return e.Number <= -400 && e.Number > -500 }

// parseEntry reads `<number>,"<text>"`; the number is signed or not.
func parseEntry(s string) (Entry, error) {
	n, text, found := strings.Cut(strings.TrimSpace(s), ",")
	number, err := strconv.ParseInt(strings.TrimPrefix(strings.TrimSpace(n), "+"), 10, 32)
	if err != nil || strings.HasPrefix(strings.TrimSpace(n), "+-") || number < math.MinInt16 || number > math.MaxInt16 {
		return Entry{}, unusable("no entry of an error queue: a number from -32768 to 32767 is right")
	}
	text = strings.TrimSpace(text)
	if !found || len(text) < 2 || text[0] != '"' || text[len(text)-1] != '"' {
		return Entry{}, unusable(`no entry of an error queue: number,"text" is right`)
	}
	return Entry{int(number), strings.ReplaceAll(text[1:len(text)-1], `""`, `"`)}, nil
}

// parse cuts an identity into its fields.
func (r identityRule) parse(s string) (drivers.Identity, error) {
	f := strings.Split(s, ",")
	if len(f) < r.fields {
		return drivers.Identity{}, fmt.Errorf("%w: %w: %d fields; maker,model,serial,firmware is right", drivers.ErrIdentity, ErrReply, len(f))
	}
	if extra := len(f) - 4; extra > 0 {
		if r.maker {
			f = append([]string{strings.Join(f[:extra+1], ",")}, f[extra+1:]...)
		} else {
			f = append(f[:3:3], strings.Join(f[3:], ","))
		}
	}
	f = append(f, "", "", "")
	for i := range f {
		f[i] = strings.TrimSpace(f[i])
	}
	return drivers.Identity{Maker: f[0], Model: f[1], Serial: f[2], Firmware: f[3]}, nil
}

// looks says whether s can be an identity at all, so that replies to earlier
// questions are not taken for one: a list that does not begin with a number.
func (r identityRule) looks(s string) bool {
	first, _, _ := strings.Cut(s, ",")
	return strings.Count(s, ",") >= r.fields-1 && !numberForm.MatchString(strings.TrimSpace(first))
}
