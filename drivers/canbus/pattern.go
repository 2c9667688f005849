package canbus

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/profiles/tree"
)

// resolver finds the signals that a map names.
type resolver struct {
	r  *tree.Report
	db *database // nil: the DBC file was refused, nothing can be found
	// used is what each signal is taken for.
	used map[*signal]string
}

// one finds a signal by its name, or by its message's and its own.
func (v *resolver) one(name string, at tree.Pos) *signal {
	s, problem, right := v.find(name)
	if s == nil && problem != "" {
		v.r.Add(at, problem, right)
	}
	return s
}

func (v *resolver) find(name string) (s *signal, problem, right string) {
	if v.db == nil {
		return nil, "", ""
	}
	list := v.db.signals[name]
	if message, own, ok := strings.Cut(name, "."); ok {
		list = nil
		for _, g := range v.db.signals[own] {
			if g.of.name == message {
				list = append(list, g)
			}
		}
	}
	switch len(list) {
	case 1:
		return list[0], "", ""
	case 0:
		right = "names are as in the DBC file, with the same small and capital letters"
		if near := v.near(name); near != "" {
			right = fmt.Sprintf("did you mean %s?", near)
		}
		return nil, fmt.Sprintf("there is no signal %q in the DBC file", name), right
	}
	return nil, fmt.Sprintf("signal %s is in messages %s and %s: two signals for one place", name, list[0].of.name, list[1].of.name),
		"write " + list[0].full() + " or " + list[1].full()
}

// near is a signal's name that was probably meant.
func (v *resolver) near(name string) string {
	var near string
	for own := range v.db.signals {
		if strings.EqualFold(own, name) && (near == "" || own < near) {
			near = own
		}
	}
	return near
}

var placeholder = regexp.MustCompile(`\{n+\}`)

// expand returns the signals that a name stands for: one, or with {n} one for
// each number from first on. {nn} is a number of two digits, with a zero before.
func (v *resolver) expand(text string, at tree.Pos, first int) []*signal {
	mark := placeholder.FindString(text)
	if mark == "" {
		if strings.ContainsAny(text, "{}") {
			v.r.Addf(at, "write {n} where the number stands, {nn} for 01, 02, ...", "%q is no pattern", text)
			return nil
		}
		if s := v.one(text, at); s != nil {
			return []*signal{s}
		}
		return nil
	}
	if v.db == nil {
		return nil
	}
	if strings.ContainsAny(strings.ReplaceAll(text, mark, ""), "{}") {
		v.r.Addf(at, "write the same {n} everywhere", "%q has two kinds of numbers", text)
		return nil
	}
	width := len(mark) - 2
	with := func(n int) string {
		digits := strconv.Itoa(n)
		if width > 1 {
			digits = fmt.Sprintf("%0*d", width, n)
		}
		return strings.ReplaceAll(text, mark, digits)
	}
	numbers := v.numbers(text, mark, with)
	if len(numbers) == 0 {
		v.r.Addf(at, "the pattern's letters must be as in the DBC file", "no signal is called %s", with(first))
		return nil
	}
	if numbers[0] != first {
		right := fmt.Sprintf("say `first: %d` beside signals", numbers[0])
		v.r.Addf(at, right, "%s is missing; the first of %s is %s", with(first), text, with(numbers[0]))
		return nil
	}
	var list []*signal
	for i, n := range numbers {
		if n != first+i {
			v.r.Addf(at, "add it to the DBC file, or list the signals one by one", "%s is left out, though there is %s", with(first+i), with(n))
			return list
		}
		if s := v.one(with(n), at); s != nil {
			list = append(list, s)
		}
	}
	return list
}

// numbers returns, rising, the numbers for which the pattern names a signal.
func (v *resolver) numbers(text, mark string, with func(int) string) []int {
	before, after, _ := strings.Cut(text, mark)
	var list []int
	consider := func(name string) {
		digits, ok := strings.CutPrefix(name, before)
		if !ok {
			return
		}
		end := strings.IndexFunc(digits, func(r rune) bool { return r < '0' || r > '9' })
		if end >= 0 {
			digits = digits[:end]
		}
		// The digits may go on into the pattern's own text ("Cell{n}0_U").
		for ; len(digits) > 0 && len(digits) <= 6+len(after); digits = digits[:len(digits)-1] {
			if n, err := strconv.Atoi(digits); err == nil && n < 100_000 && with(n) == name {
				list = append(list, n)
				return
			}
		}
	}
	for name, where := range v.db.signals {
		if !strings.Contains(text, ".") {
			consider(name)
			continue
		}
		for _, s := range where {
			consider(s.full())
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// take notes what a signal is for, and reports a signal that has another use.
func (v *resolver) take(s *signal, at tree.Pos, what string) bool {
	if was, ok := v.used[s]; ok {
		v.r.Addf(at, "each signal is one thing", "signal %s cannot be %s: it is %s already", s.full(), what, was)
		return false
	}
	v.used[s] = what
	return true
}
