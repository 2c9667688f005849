package pack

import "slices"

// ceiling is an energy that no arrangement exceeds, Wh. Strings: the charges of all
// strings together are at most the sum of the least capacities of the best modules
// sorted by capacity, since any other grouping has lesser least ones. Groups: the
// weakest of them has at most its share of the best modules' charge.
func (m *model) ceiling() float64 {
	count, size := m.layout.sets()
	charges, volts := falling(m.charge), falling(m.volts)
	charge, top := 0.0, 0.0
	if m.layout.ParallelFirst {
		for _, q := range charges[:count*size] {
			charge += q / float64(count)
		}
		for _, v := range volts[:count] {
			top += v
		}
		return charge * top
	}
	for k := range count {
		charge += charges[(k+1)*size-1]
	}
	for _, v := range volts[:size] {
		top += v
	}
	return charge * top
}

func falling(list []float64) []float64 {
	out := slices.Clone(list)
	slices.Sort(out)
	slices.Reverse(out)
	return out
}
