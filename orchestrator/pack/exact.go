package pack

import (
	"cmp"
	"math"
	"slices"
)

// looksMost bounds the exact search, in modules looked at: what needs more is left
// to the climb, and the plan says so. Some 18 modules are planned exactly.
const looksMost = 60_000_000

// search looks at every arrangement that differs from the others, except where a
// bound shows that nothing better lies beyond.
type search struct {
	m     *model
	order []int // by falling capacity
	used  []bool
	// setsAlike and placesAlike: sets, or places within a set, may be exchanged
	// without a difference, so that only one order of them is looked at.
	setsAlike, placesAlike bool
	count, size            int
	top                    float64 // no set's voltage is greater, V

	now    [][]int // indices into order
	closed []set
	best   yield
	found  [][]int // of candidates
	left   int     // modules that may still be tried
}

// exact improves on what is known already. It returns false where it gave up.
func (m *model) exact(known yield, arrangement [][]int) (yield, [][]int, bool) {
	s := &search{m: m, used: make([]bool, len(m.charge)), best: known, found: arrangement, left: looksMost / len(m.charge)}
	s.count, s.size = m.layout.sets()
	s.setsAlike, s.placesAlike = true, true
	if m.layout.labelled() {
		s.setsAlike, s.placesAlike = m.layout.ParallelFirst, !m.layout.ParallelFirst
	}
	for i := range m.charge {
		s.order = append(s.order, i)
	}
	slices.SortStableFunc(s.order, func(a, b int) int { return cmp.Compare(m.charge[b], m.charge[a]) })
	volts := falling(m.volts)
	for k := range s.size {
		if s.top += volts[k]; m.layout.ParallelFirst {
			break
		}
	}
	for range s.count {
		s.now = append(s.now, make([]int, 0, s.size))
	}
	s.closed = make([]set, s.count)
	done := s.place(0, 0)
	return s.best, s.found, done
}

// place fills the next place of a set from order[from:] on.
func (s *search) place(at, from int) bool {
	if at == s.count {
		s.compare()
		return true
	}
	k := len(s.now[at])
	if k == s.size {
		return s.close(at)
	}
	for i := from; i < len(s.order); i++ {
		if s.used[i] {
			continue
		}
		if s.left--; s.left < 0 {
			return false
		}
		if k == 0 && s.setsAlike && s.free(i) < s.needed(at) {
			break // all that follow need a later module than this one
		}
		s.used[i] = true
		s.now[at] = append(s.now[at], i)
		next := 0
		if s.placesAlike {
			next = i + 1
		}
		ok := s.hopeless(at, i) || s.place(at, next)
		s.now[at] = s.now[at][:k]
		s.used[i] = false
		if !ok {
			return false
		}
	}
	return true
}

// free counts unused modules from i on, needed how many of them the order of what
// is alike still demands.
func (s *search) free(i int) int {
	n := 0
	for ; i < len(s.used); i++ {
		if !s.used[i] {
			n++
		}
	}
	return n
}

func (s *search) needed(at int) int {
	if s.placesAlike {
		return (s.count - at) * s.size
	}
	return s.count - at
}

// close goes on to the next set.
func (s *search) close(at int) bool {
	s.closed[at] = s.m.set(at, s.members(at))
	next := 0
	if s.setsAlike {
		next = s.now[at][0] + 1
	}
	if s.m.layout.ParallelFirst && s.bound(at+1, math.Inf(1)) <= s.best.energy {
		return true
	}
	return s.place(at+1, next)
}

func (s *search) members(at int) []int {
	out := make([]int, len(s.now[at]))
	for j, i := range s.now[at] {
		out[j] = s.order[i]
	}
	return out
}

// hopeless says that nothing better begins with the sets as they are, the latest
// module being i.
func (s *search) hopeless(at, i int) bool {
	if s.m.layout.ParallelFirst {
		return false
	}
	least := math.Inf(1)
	for _, j := range s.now[at] {
		least = min(least, s.m.charge[s.order[j]])
	}
	return s.bound(at, least) <= s.best.energy
}

// bound is an energy that the first sets closed, and one begun with the given least
// capacity, do not let any arrangement exceed.
//
// Strings: with p the least Q*R of those closed, they give at most p times their
// conductance, the others at most their charge, which sorted modules make greatest.
// Groups: the least of those closed limits all.
func (s *search) bound(closed int, begun float64) float64 {
	p, g, volts := math.Inf(1), 0.0, 0.0
	for _, c := range s.closed[:closed] {
		p = min(p, c.charge*c.ohms)
		g += 1 / c.ohms
		volts += c.volts
	}
	if s.m.layout.ParallelFirst {
		least := math.Inf(1)
		for _, c := range s.closed[:closed] {
			least = min(least, c.charge)
		}
		return least * (volts + float64(s.count-closed)*s.top)
	}
	charge := 0.0
	if closed > 0 {
		charge = p * g
	}
	charge += begun
	// The places that the begun set still needs are left out of the count, which only
	// makes the bound greater.
	rank, left := 0, s.count-closed-1
	for i := 0; i < len(s.order) && left > 0; i++ {
		if s.used[i] {
			continue
		}
		if rank++; rank%s.size == 0 {
			charge += s.m.charge[s.order[i]]
			left--
		}
	}
	return charge * s.top
}

// compare holds a whole arrangement against the best.
func (s *search) compare() {
	y := s.m.join(s.closed)
	if !y.better(s.best) {
		return
	}
	s.best = y
	s.found = make([][]int, s.count)
	for at := range s.now {
		s.found[at] = s.members(at)
	}
}
