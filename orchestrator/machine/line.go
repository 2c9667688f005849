package machine

import (
	"fmt"
	"strconv"
	"strings"
)

// Grammar is the version of the line grammar: a word, then key=value fields
// in a fixed order, zero values left out, text quoted as in Go. Readers refuse
// a newer one.
const Grammar = 1

// line prints or parses one line. Each event and action lists its fields once,
// in visit; the same list serves both directions, so they cannot disagree.
type line struct {
	parse bool
	out   []byte
	in    map[string]string
	err   error
}

type integer interface {
	~int | ~int64 | ~uint64 | ~uint8 | ~int32
}

func num[T integer](l *line, key string, p *T) {
	if !l.parse {
		if *p != 0 {
			l.key(key)
			if v := *p; v < 0 {
				l.out = strconv.AppendInt(l.out, int64(v), 10)
			} else {
				l.out = strconv.AppendUint(l.out, uint64(v), 10)
			}
		}
		return
	}
	s, ok := l.take(key)
	if !ok {
		return
	}
	if strings.HasPrefix(s, "-") {
		n, err := strconv.ParseInt(s, 10, 64)
		if *p = T(n); err != nil || int64(*p) != n {
			l.fail(key, s, "an integer that fits")
		}
		return
	}
	n, err := strconv.ParseUint(s, 10, 64)
	if *p = T(n); err != nil || *p < 0 || uint64(*p) != n {
		l.fail(key, s, "an integer that fits")
	}
}

func text[T ~string](l *line, key string, p *T) {
	if !l.parse {
		if *p != "" {
			l.key(key)
			l.out = strconv.AppendQuote(l.out, string(*p))
		}
		return
	}
	if s, ok := l.take(key); ok {
		u, err := strconv.Unquote(s)
		if err != nil {
			l.fail(key, s, "a quoted text")
		}
		*p = T(u)
	}
}

func boolean(l *line, key string, p *bool) {
	var n uint8
	if *p {
		n = 1
	}
	num(l, key, &n)
	*p = n == 1
	if n > 1 {
		l.fail(key, strconv.Itoa(int(n)), "1 or nothing")
	}
}

// list prints integers separated by commas.
func list[T ~int64 | ~int32](l *line, key string, p *[]T) {
	if !l.parse {
		if len(*p) == 0 {
			return
		}
		l.key(key)
		for i, v := range *p {
			if i > 0 {
				l.out = append(l.out, ',')
			}
			l.out = strconv.AppendInt(l.out, int64(v), 10)
		}
		return
	}
	s, ok := l.take(key)
	if !ok {
		return
	}
	parts := strings.Split(s, ",")
	*p = make([]T, len(parts))
	for i, part := range parts {
		n, err := strconv.ParseInt(part, 10, 64)
		if (*p)[i] = T(n); err != nil || int64((*p)[i]) != n {
			l.fail(key, part, "an integer that fits")
		}
	}
}

func (l *line) key(key string) {
	l.out = append(l.out, ' ')
	l.out = append(l.out, key...)
	l.out = append(l.out, '=')
}

func (l *line) take(key string) (string, bool) {
	s, ok := l.in[key]
	delete(l.in, key)
	return s, ok
}

func (l *line) fail(key, value, right string) {
	if l.err == nil {
		l.err = fmt.Errorf("%s=%s: expected %s", key, value, right)
	}
}

// printLine gives a word's line.
func printLine(word string, visit func(*line)) string {
	l := &line{out: append(make([]byte, 0, 96), word...)}
	visit(l)
	return string(l.out)
}

// split takes a line apart into its word and fields.
func split(s string) (string, *line, error) {
	word, rest, _ := strings.Cut(s, " ")
	l := &line{parse: true, in: map[string]string{}}
	for rest != "" {
		key, after, ok := strings.Cut(rest, "=")
		if !ok || key == "" || strings.ContainsAny(key, " \"") {
			return word, nil, fmt.Errorf("line %q: expected key=value at %q", s, rest)
		}
		value := after
		if strings.HasPrefix(after, `"`) {
			q, err := strconv.QuotedPrefix(after)
			if err != nil {
				return word, nil, fmt.Errorf("line %q: %s: unfinished quotation", s, key)
			}
			value = q
		} else if i := strings.IndexByte(after, ' '); i >= 0 {
			value = after[:i]
		}
		rest = after[len(value):]
		if rest != "" && rest[0] != ' ' {
			return word, nil, fmt.Errorf("line %q: %s: expected a space after the value", s, key)
		}
		rest = strings.TrimPrefix(rest, " ")
		if _, dup := l.in[key]; dup {
			return word, nil, fmt.Errorf("line %q: %s appears twice", s, key)
		}
		l.in[key] = value
	}
	return word, l, nil
}

// finish reports what visit could not read or did not know.
func (l *line) finish(s string) error {
	if l.err != nil {
		return fmt.Errorf("line %q: %w", s, l.err)
	}
	for key := range l.in {
		return fmt.Errorf("line %q: unknown field %s", s, key)
	}
	return nil
}
