package bdf

import (
	"fmt"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/sibling"
)

// Compare ranks files, one article each, as siblings: the charge of the last
// discharge between equal end states, the efficiencies of that pair, and the
// resistances of the first discharge that has one. Where all files are read with
// one declared accuracy and bench names their common instruments, what these have
// in common cancels; with an empty bench nothing does.
func Compare(reports []*Report, bench string) []*sibling.Ranking {
	var out []*sibling.Ranking
	rank := func(name, unit string, better sibling.Better, one func(*Report) sibling.One) {
		var ones []sibling.One
		proven := false
		for _, r := range reports {
			o := one(r)
			o.Name, o.Bench = r.File, bench
			ones, proven = append(ones, o), proven || o.Missing == ""
		}
		if proven {
			out = append(out, sibling.Compare(name, unit, better, ones))
		}
	}
	rank("discharge", "Ah", sibling.Higher, func(r *Report) sibling.One { return r.discharge() })
	rank("coulombic efficiency", "%", sibling.Higher, func(r *Report) sibling.One {
		return r.paired(func(p *Pair) (float64, float64) { return p.Coulombic, p.CoulombicU })
	})
	rank("energy efficiency", "%", sibling.Higher, func(r *Report) sibling.One {
		return r.paired(func(p *Pair) (float64, float64) { return p.Energy, p.EnergyU })
	})
	for k, at := range times {
		rank(fmt.Sprintf("resistance %g s", at), "mOhm", sibling.Lower, func(r *Report) sibling.One { return r.resistance(k) })
	}
	return out
}

// last is the last pair between equal end states, nil for none.
func (r *Report) last() *Pair {
	for i := len(r.Pairs) - 1; i >= 0; i-- {
		if r.Pairs[i].OK {
			return &r.Pairs[i]
		}
	}
	return nil
}

func (r *Report) paired(of func(*Pair) (value, u float64)) sibling.One {
	p := r.last()
	if p == nil {
		return sibling.One{Missing: "no charge and discharge between equal end states"}
	}
	v, u := of(p)
	return sibling.One{Value: v, Spread: normal(u)}
}

func (r *Report) discharge() sibling.One {
	p := r.last()
	if p == nil {
		return sibling.One{Missing: "no discharge between equal end states"}
	}
	o := sibling.One{}
	u := 0.0
	for i := range r.Steps {
		s := &r.Steps[i]
		for _, n := range p.Discharge {
			if s.Number == n {
				// Steps of one discharge share their instruments: their errors add.
				o.Value, u, o.Temperature = o.Value-s.Charge, u+s.ChargeU, s.Temperature
			}
		}
	}
	o.Spread = normal(u)
	return o
}

func (r *Report) resistance(k int) sibling.One {
	missing := "no discharge step"
	for i := range r.Steps {
		s := &r.Steps[i]
		if s.Kind != Discharge || k >= len(s.Resistances) {
			continue
		}
		x := s.Resistances[k]
		if x.OK {
			return sibling.One{Value: x.MilliOhm, Spread: x.spread, Shared: x.shared, Temperature: s.Temperature}
		}
		missing = x.Reason
	}
	return sibling.One{Missing: missing}
}
