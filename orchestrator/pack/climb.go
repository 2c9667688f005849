package pack

import (
	"cmp"
	"math/rand/v2"
	"slices"
)

// climb looks for a good arrangement of many modules: several sensible beginnings,
// each improved by exchanging two modules as long as that helps, then shaken a
// little and improved again.
type climb struct {
	m     *model
	sets  [][]int
	spare []int
	list  []set
	now   yield
	left  int // exchanges that may still be tried
}

// exchangesMost bounds the work: a second or so for hundreds of modules.
const exchangesMost = 1_000_000

// seek returns the best arrangement found. The seed decides what is shaken.
func (m *model) seek(seed uint64) (yield, [][]int) {
	r := rand.New(rand.NewPCG(seed, 0))
	c := &climb{m: m, left: exchangesMost}
	var best yield
	var found [][]int
	keep := func() {
		if found == nil || c.now.better(best) {
			best, found = c.now, copied(c.sets)
		}
	}
	for _, begin := range m.beginnings() {
		c.begin(begin)
		c.improve()
		keep()
	}
	// Few modules need few trials; an unchanged best after as many shakes as there
	// are modules, and some, is taken for the best.
	for idle := 0; c.left > 0 && idle < 60+2*len(m.charge); idle++ {
		c.adopt(found)
		c.shake(r)
		c.improve()
		if c.now.better(best) {
			idle = 0
		}
		keep()
	}
	return best, found
}

func copied(sets [][]int) [][]int {
	out := make([][]int, len(sets))
	for i := range sets {
		out[i] = slices.Clone(sets[i])
	}
	return out
}

// beginnings are orders of all candidates, the spare ones last: by capacity, in
// blocks of equals; and the best of them dealt to and fro by what evens out, so
// that each set gets its share.
func (m *model) beginnings() [][]int {
	count, size := m.layout.sets()
	order := make([]int, len(m.charge))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(m.charge[b], m.charge[a]) })
	out := [][]int{order}
	for _, by := range [][]float64{m.ohms, m.charge} {
		chosen := slices.Clone(order[:count*size])
		slices.SortStableFunc(chosen, func(a, b int) int { return cmp.Compare(by[b], by[a]) })
		dealt := make([]int, len(chosen))
		for k, i := range chosen {
			round, at := k/count, k%count
			if round%2 == 1 {
				at = count - 1 - at
			}
			dealt[at*size+round] = i
		}
		out = append(out, append(dealt, order[count*size:]...))
	}
	// Blocks by how long a module lasts under an equal voltage.
	block := slices.Clone(order[:count*size])
	slices.SortStableFunc(block, func(a, b int) int {
		return cmp.Compare(m.charge[b]*m.ohms[b], m.charge[a]*m.ohms[a])
	})
	return append(out, append(block, order[count*size:]...))
}

func (c *climb) begin(order []int) {
	count, size := c.m.layout.sets()
	c.sets = nil
	for k := range count {
		c.sets = append(c.sets, slices.Clone(order[k*size:(k+1)*size]))
	}
	c.spare = slices.Clone(order[count*size:])
	c.refresh()
}

// adopt goes back to an arrangement.
func (c *climb) adopt(sets [][]int) {
	used := make([]bool, len(c.m.charge))
	c.sets = copied(sets)
	for _, s := range sets {
		for _, i := range s {
			used[i] = true
		}
	}
	c.spare = c.spare[:0]
	for i, u := range used {
		if !u {
			c.spare = append(c.spare, i)
		}
	}
	c.refresh()
}

func (c *climb) refresh() {
	c.list = make([]set, len(c.sets))
	for k := range c.sets {
		c.list[k] = c.m.set(k, c.sets[k])
	}
	c.now = c.m.join(c.list)
}

// spareSet stands for the modules left over.
const spareSet = -1

func (c *climb) at(s, k int) *int {
	if s == spareSet {
		return &c.spare[k]
	}
	return &c.sets[s][k]
}

// exchange swaps two modules and returns the yield; done again it undoes itself.
func (c *climb) exchange(s1, k1, s2, k2 int) yield {
	a, b := c.at(s1, k1), c.at(s2, k2)
	*a, *b = *b, *a
	for _, s := range []int{s1, s2} {
		if s != spareSet {
			c.list[s] = c.m.set(s, c.sets[s])
		}
	}
	return c.m.join(c.list)
}

// improve makes exchanges until none helps: first with the set that limits all,
// then any.
func (c *climb) improve() {
	for c.left > 0 && (c.improveSet(c.now.limiting) || c.improveAny()) {
	}
}

func (c *climb) improveAny() bool {
	for s := range c.sets {
		if s != c.now.limiting && c.improveSet(s) {
			return true
		}
	}
	return false
}

// improveSet makes the best exchange between one set's modules and all others.
func (c *climb) improveSet(s int) bool {
	best := c.now
	var move [3]int
	found := false
	for k := range c.sets[s] {
		c.others(s, func(s2, k2 int) {
			y := c.exchange(s, k, s2, k2)
			c.exchange(s, k, s2, k2)
			c.left--
			if y.better(best) {
				best, move, found = y, [3]int{k, s2, k2}, true
			}
		})
	}
	if found {
		c.now = c.exchange(s, move[0], move[1], move[2])
	}
	return found
}

// others calls fn for each module that may be exchanged with one of set s: in
// other sets, left over, and in the same one where its places differ.
func (c *climb) others(s int, fn func(s2, k2 int)) {
	for s2 := range c.sets {
		if s2 == s && !(c.m.layout.ParallelFirst && c.m.layout.labelled()) {
			continue
		}
		for k2 := range c.sets[s2] {
			fn(s2, k2)
		}
	}
	for k2 := range c.spare {
		fn(spareSet, k2)
	}
}

// shake exchanges a few modules at random.
func (c *climb) shake(r *rand.Rand) {
	n := len(c.sets)*len(c.sets[0]) + len(c.spare)
	place := func() (s, k int) {
		k = r.IntN(n)
		if size := len(c.sets[0]); k < n-len(c.spare) {
			return k / size, k % size
		}
		return spareSet, k - (n - len(c.spare))
	}
	for range 2 + r.IntN(3) {
		s1, k1 := place()
		s2, k2 := place()
		if s1 == spareSet && s2 == spareSet {
			continue
		}
		c.now = c.exchange(s1, k1, s2, k2)
	}
}
