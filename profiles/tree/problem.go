package tree

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Pos is a place in a file; lines and columns count from one. Line 0 stands for
// the file as a whole.
type Pos struct {
	File string
	Line int
	Col  int
}

func (p Pos) String() string {
	if p.Line == 0 {
		return p.File
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Col)
}

// Problem is one mistake: where it is, what is wrong, and what would be right.
type Problem struct {
	File      string
	Line, Col int
	What      string
	Right     string
}

// String is the problem's one line, "file:line:col: what; right".
func (p Problem) String() string {
	s := Pos{p.File, p.Line, p.Col}.String() + ": " + p.What
	if p.Right != "" {
		s += "; " + p.Right
	}
	return s
}

// Error makes a list of problems usable as an error; nil when there are none.
func Error(problems []Problem) error {
	if len(problems) == 0 {
		return nil
	}
	return problemList(problems)
}

type problemList []Problem

func (l problemList) Error() string {
	lines := make([]string, len(l))
	for i, p := range l {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// Report collects problems.
type Report struct{ Problems []Problem }

// Add notes a mistake: where, what is wrong, and what would be right.
func (r *Report) Add(at Pos, what, right string) {
	r.Problems = append(r.Problems, Problem{at.File, at.Line, at.Col, what, right})
}

// Addf is Add with a format for what is wrong.
func (r *Report) Addf(at Pos, right, format string, args ...any) {
	r.Add(at, fmt.Sprintf(format, args...), right)
}

// Sorted returns the problems in the order of the files, each said once.
func (r *Report) Sorted() []Problem {
	slices.SortStableFunc(r.Problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
	})
	return slices.Compact(r.Problems)
}
