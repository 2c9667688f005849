package sibling

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// One is one article's figure.
type One struct {
	Name  string
	Value float64
	// Spread is the distribution of its error, in the figure's unit.
	Spread gum.Spread
	// Bench names the instruments it was measured with, and Shared are the signed
	// standard uncertainties, by source, that all figures of that bench have in
	// common.
	Bench  string
	Shared map[string]float64
	// Temperature in degC, nil where it does not matter.
	Temperature *float64
	// Missing says why there is no value, empty where there is one.
	Missing string
}

// Row is one article's place.
type Row struct {
	// Rank counts from one, the best value first; 0 where there is no value.
	Rank  int     `json:"rank,omitempty"`
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	U     float64 `json:"U"`
	// Off is the distance from the siblings' median, OffU the half width of its
	// interval: what all share by their bench cancels in it.
	Off  float64 `json:"off_median"`
	OffU float64 `json:"off_median_U"`
	// Z is the robust z-score. Apart says that Off is more than its uncertainty,
	// Fence that a Tukey fence lies between it and the others, Odd that it does
	// not belong to its siblings.
	Z      float64 `json:"z"`
	Apart  bool    `json:"apart,omitempty"`
	Fence  string  `json:"fence,omitempty"`
	Odd    bool    `json:"odd,omitempty"`
	Reason string  `json:"reason,omitempty"`
}

// Better says which way a figure is better.
type Better string

// Ways.
const (
	Higher Better = "higher"
	Lower  Better = "lower"
)

// Ranking is a comparison of one figure.
type Ranking struct {
	Figure string `json:"figure"`
	Unit   string `json:"unit"`
	// Better is the way in which the figure is better, by which the rows rank.
	Better Better  `json:"better"`
	Median float64 `json:"median"`
	Rule   string  `json:"rule"`
	Rows   []Row   `json:"rows"`
	// Refused says why the articles do not compare, empty where they do.
	Refused string   `json:"refused,omitempty"`
	Notes   []string `json:"notes,omitempty"`
	// Repeats tells, where every article was measured equally often, whether they
	// differ by more than one of them differs from itself.
	Repeats *gum.Groups `json:"repeats,omitempty"`
}

// Rules.
const (
	oddZ     = 3.5 // Iglewicz and Hoaglin's recommendation, from memory
	oddAlpha = 0.01
	least    = 5
	// warmest is how far the temperatures of siblings may lie apart, K (common
	// practice, no source).
	warmest = 3.0
)

// rule is the sentence that stands with every ranking.
const rule = "odd: robust z-score over 3.5, generalised ESD at 1 %, and further off than its uncertainty; fences after Tukey, quartiles by the (n+1)p rule"

// Compare ranks the articles by one figure, the best first.
func Compare(figure, unit string, better Better, ones []One) *Ranking {
	r := &Ranking{Figure: figure, Unit: unit, Better: better, Rule: rule, Median: math.NaN()}
	var have []One
	var cold, hot = math.Inf(1), math.Inf(-1)
	for _, o := range ones {
		if o.Missing == "" && !math.IsNaN(o.Value) && !math.IsInf(o.Value, 0) {
			have = append(have, o)
			if o.Temperature != nil {
				cold, hot = min(cold, *o.Temperature), max(hot, *o.Temperature)
			}
		}
	}
	if hot-cold > warmest {
		r.Refused = fmt.Sprintf("measured at %.1f to %.1f degC, over %.0f K apart; correct each to 25 degC by a declared coefficient first", cold, hot, warmest)
	}
	x := make([]float64, len(have))
	for i, o := range have {
		x[i] = o.Value
	}
	if len(x) > 0 {
		r.Median = sample.Median(x)
	}
	r.rows(ones, have, x)
	r.repeats(have)
	if math.IsNaN(r.Median) {
		r.Median, r.Refused = 0, "no article has the figure"
	}
	return r
}

func (r *Ranking) rows(ones, have []One, x []float64) {
	z := sample.RobustZ(x)
	accused := map[int]bool{}
	if len(x) >= least && r.Refused == "" {
		steps, n := sample.GESD(x, max(1, len(x)/4), oddAlpha)
		for _, s := range steps[:n] {
			accused[s.Index] = true
		}
	} else if r.Refused == "" {
		r.Notes = append(r.Notes, fmt.Sprintf("%d articles are too few to call one odd", len(x)))
	}
	fences := sample.Tukey(x)
	shared := sharedBy(have)
	for i, o := range have {
		row := Row{Name: o.Name, Value: o.Value, Off: o.Value - r.Median, Z: z[i]}
		row.U, _ = o.Spread.Interval()
		row.OffU = gum.Factor * own(o, shared)
		row.Apart = r.Refused == "" && math.Abs(row.Off) > row.OffU
		row.Odd = accused[i] && math.Abs(z[i]) > oddZ && row.Apart
		if r.Refused == "" && len(x) >= least {
			switch {
			case o.Value < fences.OuterLow || o.Value > fences.OuterHigh:
				row.Fence = "outer"
			case o.Value < fences.InnerLow || o.Value > fences.InnerHigh:
				row.Fence = "inner"
			}
		}
		r.Rows = append(r.Rows, row)
	}
	slices.SortStableFunc(r.Rows, func(a, b Row) int {
		if r.Better == Lower {
			a, b = b, a
		}
		return cmp.Compare(b.Value, a.Value)
	})
	for i := range r.Rows {
		r.Rows[i].Rank = i + 1
	}
	for _, o := range ones {
		if o.Missing != "" || math.IsNaN(o.Value) || math.IsInf(o.Value, 0) {
			r.Rows = append(r.Rows, Row{Name: o.Name, Reason: cmp.Or(o.Missing, "not a number")})
		}
	}
}

// sharedBy is the part of each source that all articles have in common: nothing
// where any two were measured on different benches.
func sharedBy(have []One) map[string]float64 {
	out := map[string]float64{}
	for i, o := range have {
		if o.Bench == "" || o.Bench != have[0].Bench {
			return nil
		}
		for s, u := range o.Shared {
			if i == 0 {
				out[s] = u
			}
		}
	}
	return out
}

// own is the standard uncertainty of an article's distance from its siblings,
// which lie at about the same value: the bench's own errors move all alike.
func own(o One, shared map[string]float64) float64 {
	u := o.Spread.U()
	rest := u * u
	for s, v := range o.Shared {
		if common, ok := shared[s]; ok {
			rest += (v-common)*(v-common) - v*v
		}
	}
	return math.Sqrt(max(rest, 0))
}

// repeats looks for an effect between articles of the same number of
// measurements each (GUM H.5).
func (r *Ranking) repeats(have []One) {
	by := map[string][]float64{}
	var order []string
	for _, o := range have {
		if by[o.Name] == nil {
			order = append(order, o.Name)
		}
		by[o.Name] = append(by[o.Name], o.Value)
	}
	var means, deviations []float64
	for _, name := range order {
		if len(by[name]) != len(by[order[0]]) {
			return
		}
		m, s := sample.MeanSD(by[name])
		means, deviations = append(means, m), append(deviations, s)
	}
	if len(order) == 0 {
		return
	}
	if g, err := gum.Analyse(means, deviations, len(by[order[0]])); err == nil {
		g.F = min(g.F, math.MaxFloat64) // repeats without any scatter
		r.Repeats = &g
	}
}

// OddOnes names the articles that do not belong, in the order of their rank.
func (r *Ranking) OddOnes() []string {
	var out []string
	for _, x := range r.Rows {
		if x.Odd && !slices.Contains(out, x.Name) {
			out = append(out, x.Name)
		}
	}
	return out
}
