package bdf

import (
	"bufio"
	"bytes"
	"errors"
	"io"
)

// lineMax bounds a line; a longer one is left out.
const lineMax = 1 << 20

// lines hands out a file line by line. It is not encoding/csv on purpose: there
// a stray quote swallows the lines that follow, here it costs its own line, and
// the line numbers stay those of the file.
type lines struct {
	r      *bufio.Reader
	n      int // number of the latest line, from one
	fields [][]byte
}

func newLines(r io.Reader) *lines {
	return &lines{r: bufio.NewReaderSize(r, 1<<16)}
}

// next returns the next line without its ending; long says that it was too long
// and is cut. The bytes are valid until the next call.
func (l *lines) next() (line []byte, long bool, err error) {
	line, err = l.r.ReadSlice('\n')
	var whole []byte
	for errors.Is(err, bufio.ErrBufferFull) {
		if len(whole) < lineMax {
			whole = append(whole, line...)
		} else {
			long = true
		}
		line, err = l.r.ReadSlice('\n')
	}
	if whole != nil {
		if whole = append(whole, line...); len(whole) > lineMax {
			whole, long = whole[:lineMax], true
		}
		line = whole
	}
	if err != nil && (!errors.Is(err, io.EOF) || len(line) == 0) {
		return nil, false, err
	}
	l.n++
	line = bytes.TrimSuffix(bytes.TrimSuffix(line, []byte("\n")), []byte("\r"))
	if l.n == 1 {
		line = bytes.TrimPrefix(line, []byte("\ufeff"))
	}
	return line, long, nil
}

// split cuts a line at its commas, outside of quotes, and trims blanks and
// quotes. The fields share the line's bytes.
func (l *lines) split(line []byte) [][]byte {
	l.fields = l.fields[:0]
	start, quoted := 0, false
	for i := 0; i <= len(line); i++ {
		if i < len(line) {
			if line[i] == '"' {
				quoted = !quoted
			}
			if line[i] != ',' || quoted {
				continue
			}
		}
		f := bytes.TrimSpace(line[start:i])
		if n := len(f); n >= 2 && f[0] == '"' && f[n-1] == '"' {
			f = bytes.TrimSpace(f[1 : n-1])
		}
		l.fields = append(l.fields, f)
		start = i + 1
	}
	return l.fields
}
