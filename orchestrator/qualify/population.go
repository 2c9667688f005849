package qualify

import (
	"fmt"

	"gonum.org/v1/gonum/stat/distuv"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
	"github.com/rigwarden/rigwarden/profiles"
)

// Population is the normal distribution that true values are taken to have before
// one is measured, in the figure's unit.
type Population struct {
	Mean      float64 `json:"mean"`
	Deviation float64 `json:"deviation"`
	// Siblings is how many siblings it was taken from, 0 where the criteria state
	// it.
	Siblings int `json:"siblings,omitempty"`
}

// siblingsLeast are too few siblings to stand for a population (common practice,
// no source).
const siblingsLeast = 5

// populationOf is what the criteria declare, or what the siblings of the run show:
// their scatter as it was measured, errors and all, which makes it no narrower
// than the truth. Nil, with the reason, where that says nothing.
func populationOf(q *profiles.Requirement, unit string, candidates []Figure) (*Population, string) {
	if !q.Population.Siblings {
		mean, known := limitIn(unit, q.Population.Mean)
		differs := unit
		if unit == "degC" {
			differs = "K"
		}
		sd, same := limitIn(differs, q.Population.Deviation)
		if !known || !same {
			return nil, "its population is in another unit"
		}
		return &Population{Mean: mean, Deviation: sd}, ""
	}
	var x []float64
	for _, g := range candidates {
		if g.Cell > 0 && g.Status == OK && !g.NoValue {
			x = append(x, g.Value)
		}
	}
	if len(x) < siblingsLeast {
		return nil, fmt.Sprintf("%d siblings are too few for a population", len(x))
	}
	mean, sd := sample.MeanSD(x)
	if !(sd > 0) {
		return nil, "its siblings do not differ"
	}
	return &Population{Mean: mean, Deviation: sd, Siblings: len(x)}, ""
}

// risk adds the global risks, and says them in words.
func (j *Judgement) risk(q *profiles.Requirement, candidates []Figure) {
	var e gum.Spread
	for _, g := range candidates {
		if g.Cell == j.Cell {
			e = g.errors()
		}
	}
	p, why := populationOf(q, j.Unit, candidates)
	if p == nil {
		j.Reason += "; no global risk: " + why
		return
	}
	r := gum.GlobalRisks(distuv.Normal{Mu: p.Mean, Sigma: p.Deviation}, e, j.Limit, j.Accept, j.AtLeast)
	j.Population, j.Global = p, &r
	of := "as the criteria state it"
	if p.Siblings > 0 {
		of = fmt.Sprintf("of %d siblings", p.Siblings)
	}
	j.Reason += fmt.Sprintf("; of a population of %.4g, deviation %.2g %s, %s, %s %% lie outside, %s %% would lie outside and pass, %s %% would lie within and not pass",
		p.Mean, p.Deviation, j.Unit, of, share(r.Outside), share(r.Consumer), share(r.Producer))
}

// share is a probability in percent to two digits, and never none at all.
func share(p float64) string {
	if p < 1e-6 {
		return "under 0.0001"
	}
	return fmt.Sprintf("%.2g", 100*p)
}
