package gum

import (
	"math"
	"slices"
)

// Prior is the distribution of the true values in a population, before one of them
// is measured.
type Prior interface {
	Prob(x float64) float64
	CDF(x float64) float64
	Quantile(p float64) float64
}

// Risks are the global risks of a decision rule over a population (JCGM 106:2012,
// 9.5): of all that are measured, the shares that do not conform and are accepted,
// that conform and are rejected, and that do not conform at all.
type Risks struct {
	Consumer float64 `json:"consumer"`
	Producer float64 `json:"producer"`
	Outside  float64 `json:"outside"`
}

// How finely the population is looked at: pieces between places where something
// changes, panels in each, and the share of it in either tail that is left out.
const (
	riskPanels = 400
	riskTail   = 1e-12
	// riskReach is how many standard uncertainties an error reaches from a limit.
	riskReach = 8
)

// GlobalRisks computes the risks of accepting what is measured within accept, where
// the true value is to be within limit: at most both, or at least where atLeast
// says so. The error is distributed as e tells, whatever the true value.
func GlobalRisks(p Prior, e Spread, limit, accept float64, atLeast bool) Risks {
	f := e.CDF
	if e.Rectangular() {
		f = e.tabulate().cdf // once, and not for each of some thousand values
	}
	// The error is symmetric: either side is the mirror of the other.
	accepted := func(x float64) float64 { return f(accept - x) }
	outside := 1 - p.CDF(limit)
	if atLeast {
		accepted = func(x float64) float64 { return f(x - accept) }
		outside = p.CDF(limit)
	}
	low, high := p.Quantile(riskTail), p.Quantile(1-riskTail)
	edges := []float64{low, high}
	for _, at := range []float64{limit, accept, accept - riskReach*e.U(), accept + riskReach*e.U()} {
		if at > low && at < high {
			edges = append(edges, at)
		}
	}
	slices.Sort(edges)
	out := Risks{Outside: outside}
	for i := 1; i < len(edges); i++ {
		a, b := edges[i-1], edges[i]
		if (a+b)/2 > limit == atLeast { // conforms
			out.Producer += simpson(a, b, func(x float64) float64 { return p.Prob(x) * (1 - accepted(x)) })
		} else {
			out.Consumer += simpson(a, b, func(x float64) float64 { return p.Prob(x) * accepted(x) })
		}
	}
	return out
}

// simpson integrates over one piece.
func simpson(a, b float64, f func(float64) float64) float64 {
	h := (b - a) / riskPanels
	if !(h > 0) {
		return 0
	}
	// The ends belong to this piece: what jumps there jumps between pieces.
	inset := math.Min(h, b-a) * 1e-9
	sum := f(a+inset) + f(b-inset)
	for i := 1; i < riskPanels; i++ {
		sum += float64(2+2*(i%2)) * f(a+float64(i)*h)
	}
	return sum * h / 3
}
