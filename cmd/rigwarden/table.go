package main

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// table prints rows in aligned columns. A column whose heading starts with ">"
// is set to the right, as numbers are read.
type table struct {
	head  []string
	right []bool
	rows  [][]string
}

func newTable(head ...string) *table {
	t := &table{}
	for _, h := range head {
		name, right := strings.CutPrefix(h, ">")
		t.head = append(t.head, name)
		t.right = append(t.right, right)
	}
	return t
}

func (t *table) row(cells ...string) { t.rows = append(t.rows, cells) }

func (t *table) print(w io.Writer) {
	width := make([]int, len(t.head))
	for _, r := range append([][]string{t.head}, t.rows...) {
		for i, c := range r {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	for _, r := range append([][]string{t.head}, t.rows...) {
		var b strings.Builder
		for i, c := range r {
			if i > 0 {
				b.WriteString("  ")
			}
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if t.right[i] {
				b.WriteString(pad + c)
			} else {
				b.WriteString(c + pad)
			}
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
}

// screen is the width that wrapped text keeps to: the terminal's, within what is
// good to read. Where output goes elsewhere it is the greatest.
var screen = screenMost

const (
	screenLeast = 60
	screenMost  = 100
)

// fitScreen keeps text within the terminal's columns.
func fitScreen(columns int) { screen = min(max(columns, screenLeast), screenMost) }

// pairs prints names and values, a line each, the values aligned and wrapped.
func pairs(w io.Writer, kv ...string) { pairsAt(w, "", kv...) }

// pairsAt is pairs behind a margin.
func pairsAt(w io.Writer, margin string, kv ...string) {
	width := 0
	for i := 0; i < len(kv); i += 2 {
		width = max(width, utf8.RuneCountInString(kv[i]))
	}
	for i := 0; i+1 < len(kv); i += 2 {
		head := kv[i] + strings.Repeat(" ", width-utf8.RuneCountInString(kv[i])) + "  "
		for _, l := range wrap(kv[i+1], screen-len(margin)-width-2) {
			fmt.Fprintf(w, "%s%s%s\n", margin, head, l)
			head = strings.Repeat(" ", width+2)
		}
	}
}

// wrap breaks a text at spaces into lines of at most n runes, where its words
// allow; an empty text is one empty line.
func wrap(s string, n int) []string {
	var lines []string
	line := ""
	for word := range strings.FieldsSeq(s) {
		if line != "" && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > n {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(lines, line)
}
