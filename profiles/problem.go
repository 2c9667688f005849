package profiles

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

// report collects problems.
type report struct{ problems []Problem }

func (r *report) add(at Pos, what, right string) {
	r.problems = append(r.problems, Problem{at.File, at.Line, at.Col, what, right})
}

func (r *report) addf(at Pos, right, format string, args ...any) {
	r.add(at, fmt.Sprintf(format, args...), right)
}

// sorted returns the problems in the order of the files, each said once.
func (r *report) sorted() []Problem {
	slices.SortStableFunc(r.problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
	})
	return slices.Compact(r.problems)
}
