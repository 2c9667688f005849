package canbus

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// Record is one frame of a recorded bus.
type Record struct {
	At    drivers.Instant
	Frame Frame
}

// maxLogLine bounds a line of a log: a CAN XL frame of 2048 bytes with a point
// after each fits.
const maxLogLine = 8192

// ParseCandump reads a log in the compact form of candump -l (can-utils):
//
//	(1700000000.123456) can0 123#1122334455667788
//
// with six digits or nine (nanoseconds) behind the point. An error names its
// line; reading goes on with the next. Empty lines are skipped.
func ParseCandump(r io.Reader) iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		in := bufio.NewReaderSize(r, maxLogLine)
		for line := 1; ; line++ {
			text, err := in.ReadSlice('\n')
			long := errors.Is(err, bufio.ErrBufferFull)
			for errors.Is(err, bufio.ErrBufferFull) {
				_, err = in.ReadSlice('\n')
			}
			if err != nil && !errors.Is(err, io.EOF) {
				yield(Record{}, fmt.Errorf("candump log, line %d: %w", line, err))
				return
			}
			last := err != nil
			var rec Record
			switch s := strings.TrimRight(string(text), "\r\n"); {
			case long:
				err = fmt.Errorf("more than %d characters", maxLogLine)
			case strings.TrimSpace(s) == "":
				if last {
					return
				}
				continue
			default:
				rec, err = parseLogLine(s)
			}
			if err != nil {
				rec, err = Record{}, fmt.Errorf("candump log, line %d: %w", line, err)
			}
			if !yield(rec, err) || last {
				return
			}
		}
	}
}

const logLike = "a line is (seconds.microseconds) interface frame"

func parseLogLine(s string) (r Record, err error) {
	words := strings.Fields(s)
	if n := len(words); n == 4 && (words[3] == "R" || words[3] == "T") {
		words = words[:3]
	}
	if len(words) != 3 {
		return r, fmt.Errorf("%q: %s", shorten(s), logLike)
	}
	if r.At, err = parseLogTime(words[0]); err != nil {
		return r, err
	}
	r.Frame, err = ParseFrame(words[2])
	return r, err
}

func parseLogTime(s string) (drivers.Instant, error) {
	whole, fraction, ok := strings.Cut(strings.TrimSuffix(strings.TrimPrefix(s, "("), ")"), ".")
	seconds, err := strconv.ParseUint(whole, 10, 63)
	part, err2 := strconv.ParseUint(fraction, 10, 63)
	switch {
	case !ok || s[0] != '(' || s[len(s)-1] != ')' || err != nil || err2 != nil:
		return 0, fmt.Errorf("time %q: %s", shorten(s), logLike)
	case len(fraction) == 9:
		part /= 1000
	case len(fraction) != 6:
		return 0, fmt.Errorf("time %q: six or nine digits stand behind the point", shorten(s))
	}
	if seconds > math.MaxInt64/uint64(drivers.Second)-1 {
		return 0, fmt.Errorf("time %q is too great", shorten(s))
	}
	return drivers.Instant(seconds*uint64(drivers.Second) + part), nil
}

func shorten(s string) string {
	if len(s) > 60 {
		return s[:60] + "..."
	}
	return s
}

// ParseFrame reads a frame as candump writes it: 123#1122 (standard
// identifier), 12345678#1122 (extended, or an error frame), 123#R4 (remote),
// 123##1112233 (FD), 45123#81:00:12345678#1122 (XL). Points may part bytes.
func ParseFrame(s string) (f Frame, err error) {
	id, rest, ok := strings.Cut(s, "#")
	if !ok {
		return f, fmt.Errorf("frame %q: an identifier and # are missing", shorten(s))
	}
	n, err := strconv.ParseUint(id, 16, 32)
	if err != nil || strings.ContainsAny(id, "+-_") {
		return f, fmt.Errorf("frame %q: identifier %q is not hexadecimal", shorten(s), shorten(id))
	}
	switch len(id) {
	case 3:
		if f.ID = uint32(n); f.ID > sffMask {
			return Frame{}, fmt.Errorf("frame %q: identifier %q has more than 11 bits", shorten(s), id)
		}
	case 5: // network and priority
		f.ID, f.Flags = uint32(n)&0xFFF, XL
		if f.ID > sffMask {
			return Frame{}, fmt.Errorf("frame %q: priority %q has more than 11 bits", shorten(s), id[2:])
		}
		err = f.parseXL(rest)
		return f.orError(s, err)
	case 8:
		f.ID = uint32(n) & effMask
		switch uint32(n) &^ effMask {
		case 0:
			f.Flags = Extended
		case errFlag:
			f.Flags = ErrorFrame
		default:
			return Frame{}, fmt.Errorf("frame %q: identifier %q has more than 29 bits", shorten(s), id)
		}
	default:
		return Frame{}, fmt.Errorf("frame %q: an identifier has 3 digits, or 8 if extended", shorten(s))
	}
	switch {
	case strings.HasPrefix(rest, "#"):
		err = f.parseFD(rest[1:])
	case strings.HasPrefix(rest, "R"):
		err = f.parseRemote(rest[1:])
	default:
		err = f.parseClassical(rest)
	}
	return f.orError(s, err)
}

func (f *Frame) orError(s string, err error) (Frame, error) {
	if err != nil {
		return Frame{}, fmt.Errorf("frame %q: %w", shorten(s), err)
	}
	return *f, nil
}

func (f *Frame) parseClassical(s string) error {
	s, code, raw := strings.Cut(s, "_")
	if err := f.parseData(s, maxPayload); err != nil {
		return err
	}
	if raw {
		return f.parseCode(code)
	}
	return nil
}

// parseCode reads a raw length code of 9 to F: eight bytes all the same.
func (f *Frame) parseCode(s string) error {
	v, err := strconv.ParseUint(s, 16, 8)
	if err != nil || len(s) != 1 || v < 9 || f.Len != maxPayload {
		return fmt.Errorf("length code %q: 9 to F may follow a frame of 8 bytes", shorten(s))
	}
	f.DLC = uint8(v)
	return nil
}

func (f *Frame) parseRemote(s string) error {
	f.Flags |= Remote
	if f.Flags&ErrorFrame != 0 {
		return errors.New("an error frame asks for no data")
	}
	s, code, raw := strings.Cut(s, "_")
	if s != "" {
		v, err := strconv.ParseUint(s, 10, 8)
		if err != nil || len(s) != 1 || v > maxPayload {
			return fmt.Errorf("a remote frame asks for 0 to 8 bytes, not %q", shorten(s))
		}
		f.Len = uint16(v)
	}
	if raw {
		return f.parseCode(code)
	}
	return nil
}

func (f *Frame) parseFD(s string) error {
	f.Flags |= FD
	if f.Flags&ErrorFrame != 0 {
		return errors.New("an error frame is no FD frame")
	}
	if s == "" {
		return errors.New("the FD flags are missing behind ##")
	}
	flags, err := strconv.ParseUint(s[:1], 16, 8)
	if err != nil {
		return fmt.Errorf("FD flags %q are not a hexadecimal digit", s[:1])
	}
	if flags&1 != 0 {
		f.Flags |= FDSwitched
	}
	if flags&2 != 0 {
		f.Flags |= FDPassive
	}
	return f.parseData(s[1:], 64)
}

// parseXL reads flags, type of service data unit and acceptance field, each of
// a fixed length, and the data.
func (f *Frame) parseXL(s string) error {
	head, data, ok := strings.Cut(s, "#")
	fields := strings.Split(head, ":")
	if !ok || len(fields) != 3 || len(fields[0]) != 2 || len(fields[1]) != 2 || len(fields[2]) != 8 {
		return errors.New("an XL frame is written NNPPP#flags:type:acceptance#data")
	}
	for _, part := range fields {
		if _, err := strconv.ParseUint(part, 16, 32); err != nil || strings.ContainsAny(part, "+-_") {
			return fmt.Errorf("XL field %q is not hexadecimal", part)
		}
	}
	if err := f.parseData(data, 2048); err != nil {
		return err
	}
	if f.Len == 0 {
		return errors.New("an XL frame has at least one byte")
	}
	return nil
}

// parseData reads hexadecimal bytes, points between them allowed.
func (f *Frame) parseData(s string, limit int) error {
	n := 0
	for len(s) > 0 {
		if n > 0 && s[0] == '.' {
			s = s[1:]
		}
		if len(s) < 2 {
			return fmt.Errorf("byte %d is cut in half", n+1)
		}
		hi, lo := hexDigit(s[0]), hexDigit(s[1])
		if hi > 15 || lo > 15 {
			return fmt.Errorf("byte %d, %q, is not hexadecimal", n+1, s[:2])
		}
		if n == limit {
			return fmt.Errorf("more than %d bytes", limit)
		}
		if n < maxPayload {
			f.Data[n] = hi<<4 | lo
		}
		n++
		s = s[2:]
	}
	f.Len = uint16(n)
	if f.Flags&FD != 0 && !fdLength(n) {
		return fmt.Errorf("an FD frame cannot have %d bytes", n)
	}
	return nil
}

// fdLength says whether an FD frame can have n bytes (ISO 11898-1, from
// memory).
func fdLength(n int) bool {
	switch n {
	case 12, 16, 20, 24, 32, 48, 64:
		return true
	}
	return n <= 8
}

func hexDigit(c byte) byte {
	switch {
	case c >= '0' && c <= '9':
		return c - '0'
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10
	}
	return 255
}

// String writes a frame as candump does; ParseFrame is its inverse for
// classical frames.
func (f *Frame) String() string {
	var id string
	switch {
	case f.Flags&ErrorFrame != 0:
		id = fmt.Sprintf("%08X#", f.ID|errFlag)
	case f.Flags&Extended != 0:
		id = fmt.Sprintf("%08X#", f.ID)
	default:
		id = fmt.Sprintf("%03X#", f.ID)
	}
	text := id
	if f.Flags&Remote != 0 {
		text += "R"
		if f.Len > 0 {
			text += strconv.Itoa(int(f.Len))
		}
	} else {
		text += fmt.Sprintf("%X", f.Data[:min(f.Len, maxPayload)])
	}
	if f.DLC > 0 {
		text += fmt.Sprintf("_%X", f.DLC)
	}
	return text
}

// String writes a record as a line of a candump log.
func (r Record) String() string {
	return fmt.Sprintf("(%010d.%06d) can0 %s", r.At/drivers.Instant(drivers.Second), r.At%drivers.Instant(drivers.Second), r.Frame.String())
}
