package qualify

import (
	"slices"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/sibling"
)

// compared are the figures by which modules are ranked, as far as they have them.
func compared(runs []*Figures) []string {
	names := []string{Capacity, Energy, CoulombicEfficiency, EnergyEfficiency, ResistanceSpread, JointExcess, SelfDischarge}
	for _, r := range runs {
		for _, f := range r.Figures {
			if f.Cell == 0 && f.Unit == "mOhm" && f.Temperature != nil && !slices.Contains(names, f.Name) {
				names = append(names, f.Name)
			}
		}
	}
	return names
}

// Compare ranks modules, one set of figures each, by every figure that at least
// one of them proves. Modules of one bench share its instruments' errors, which
// cancel in what they differ by.
func Compare(runs []*Figures) []*sibling.Ranking {
	var out []*sibling.Ranking
	for _, name := range compared(runs) {
		var ones []sibling.One
		unit, proven := "", false
		for _, r := range runs {
			o := sibling.One{Name: r.Module, Bench: r.Bench, Missing: "the run has no such figure"}
			if f, ok := r.Find(name); ok {
				o = f.one(r)
				unit, proven = f.Unit, proven || o.Missing == ""
			}
			ones = append(ones, o)
		}
		if proven {
			out = append(out, sibling.Compare(name, unit, better(name), ones))
		}
	}
	return out
}

// better says which way a compared figure is better: what a module holds and
// returns, more; what it loses, and what its joints and cells differ by, less.
func better(name string) sibling.Better {
	switch name {
	case Capacity, Energy, CoulombicEfficiency, EnergyEfficiency:
		return sibling.Higher
	}
	return sibling.Lower
}

func (g Figure) one(r *Figures) sibling.One {
	o := sibling.One{Name: r.Module, Value: g.Value, Spread: g.errors(), Bench: r.Bench, Temperature: g.Temperature, Shared: map[string]float64{}}
	if g.Status != OK || g.NoValue {
		o.Missing = "unproven: " + g.Reason
	}
	for _, p := range g.Budget {
		if p.Shared {
			o.Shared[p.Source] = p.U
		}
	}
	return o
}
