package pack

import (
	"cmp"
	"math"
	"slices"
)

// weakest finds, among the modules that are empty first in their sets, the one
// whose place would gain the most from a middling one: with the median capacity,
// resistance, self-discharge and voltage of all candidates.
func (m *model) weakest(list []Candidate, sets [][]int, now yield) Exchange {
	n := &numbers{}
	for _, q := range []struct{ from, to *[]float64 }{
		{&m.charge, &n.charge}, {&m.ohms, &n.ohms}, {&m.leak, &n.leak}, {&m.volts, &n.volts},
	} {
		*q.to = append(slices.Clone(*q.from), median(*q.from))
	}
	with := &model{m.layout, n, m.warm}
	best := Exchange{In: "a middling module"}
	for s := range sets {
		k := m.first(sets[s])
		i := sets[s][k]
		sets[s][k] = len(list)
		y := with.of(sets)
		sets[s][k] = i
		if gain := y.energy - now.energy; best.Out == "" || gain > best.Energy {
			best.Out, best.Energy, best.Charge = list[i].Name, gain, y.charge-now.charge
		}
	}
	return best
}

// first is the place of the module that is empty first in a set.
func (m *model) first(members []int) int {
	at, least := 0, math.Inf(1)
	for j, i := range members {
		lasts := m.charge[i] - m.leak[i]*m.layout.Standing/1000
		if m.layout.ParallelFirst {
			lasts = m.charge[i] * m.ohms[i] * m.warm[j]
		}
		if lasts < least {
			at, least = j, lasts
		}
	}
	return at
}

func median(list []float64) float64 {
	s := slices.Clone(list)
	slices.SortFunc(s, cmp.Compare)
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// swap finds the exchange of two modules, one of them perhaps left over, that helps
// most; nil where none helps.
func (m *model) swap(list []Candidate, sets [][]int, now yield) *Exchange {
	c := &climb{m: m}
	c.adopt(sets)
	var best *Exchange
	for s := range c.sets {
		for k := range c.sets[s] {
			c.others(s, func(s2, k2 int) {
				out, in := *c.at(s, k), *c.at(s2, k2)
				y := c.exchange(s, k, s2, k2)
				c.exchange(s, k, s2, k2)
				if gain := y.energy - now.energy; gain > 1e-9*now.energy && (best == nil || gain > best.Energy) {
					best = &Exchange{list[out].Name, list[in].Name, gain, y.charge - now.charge}
				}
			})
		}
	}
	return best
}
