package qualify

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/profiles"
)

// Decision is the outcome of a comparison with a limit, after ILAC-G8:09/2019
// clause 4.2.
type Decision string

// Decisions.
const (
	Pass            Decision = "pass"
	ConditionalPass Decision = "conditional pass"
	ConditionalFail Decision = "conditional fail"
	NotProven       Decision = "unproven"
	Fail            Decision = "fail"
)

// rank orders decisions, the best first. Unproven ranks before fail: something
// is missing, and nothing is known to be wrong.
var rank = map[Decision]int{Pass: 0, ConditionalPass: 1, ConditionalFail: 2, NotProven: 3, Fail: 4}

// Judgement is the decision on one criterion.
type Judgement struct {
	// Figure is the criterion's figure; Cell (from one) the worst cell where
	// the criterion is about cells.
	Figure   string   `json:"figure"`
	Cell     int      `json:"cell,omitempty"`
	Decision Decision `json:"decision"`
	// Value and U are the figure's; NoValue says that there is none.
	Value   float64 `json:"value"`
	NoValue bool    `json:"no_value,omitempty"`
	U       float64 `json:"U"`
	Unit    string  `json:"unit"`
	Limit   float64 `json:"limit"`
	// AtLeast says that Limit is a lower limit; Accept is where a pass begins,
	// the guard band taken off.
	AtLeast bool    `json:"at_least"`
	Accept  float64 `json:"acceptance_limit"`
	// Conformity is the probability that the true value meets the limit, by the
	// distribution of the figure's error (JCGM 106:2012, 7); 0 where unproven.
	Conformity float64 `json:"probability_of_conformity"`
	// FalseAccept is the probability that the true value lies outside the limit
	// although the decision is a pass or a conditional pass; FalseReject that it
	// lies inside although the decision is a fail or a conditional fail (specific
	// risks of JCGM 106:2012, 9.3). Each is 0 under the other kind of decision.
	FalseAccept float64 `json:"probability_of_false_accept"`
	FalseReject float64 `json:"probability_of_false_reject"`
	// RuleRisk is the greatest probability with which the rule and this
	// uncertainty pass a value that lies outside the limit: one that lies at it.
	RuleRisk float64 `json:"greatest_false_accept_of_the_rule"`
	// Population and Global are there where the criteria say how true values are
	// distributed beforehand: the shares of such articles that the rule passes
	// although they lie outside, and does not pass although they lie inside
	// (global risks of JCGM 106:2012, 9.5), at this uncertainty.
	Population *Population `json:"population,omitempty"`
	Global     *gum.Risks  `json:"global_risks,omitempty"`
	Reason     string      `json:"reason"`

	inside float64 // distance inside the limit, in the figure's unit
}

// Verdict is the decision on a module: the worst of its criteria.
type Verdict struct {
	Decision Decision `json:"decision"`
	// Criteria and CriteriaDigest name the file that was agreed beforehand.
	Criteria       string      `json:"criteria"`
	CriteriaDigest string      `json:"criteria_digest"`
	Rule           string      `json:"rule"`
	Judgements     []Judgement `json:"judgements"`
	// Reasons are the sentences of every criterion that is not passed; of all
	// where all are.
	Reasons []string `json:"reasons"`
}

// Judge compares the figures with the criteria by the rule that was agreed. A
// criterion without a proven figure is unproven, and so are no criteria at all.
func Judge(c *profiles.Criteria, f *Figures) *Verdict {
	v := &Verdict{Decision: Pass, Criteria: c.Name, CriteriaDigest: c.Digest, Rule: string(c.Rule), Judgements: []Judgement{}}
	for i := range c.Require {
		j := judge(c, &c.Require[i], f)
		v.Judgements = append(v.Judgements, j)
		if rank[j.Decision] > rank[v.Decision] {
			v.Decision = j.Decision
		}
	}
	if len(v.Judgements) == 0 {
		v.Decision, v.Reasons = NotProven, []string{"the criteria demand nothing"}
		return v
	}
	for _, j := range v.Judgements {
		if v.Decision == Pass || j.Decision != Pass {
			v.Reasons = append(v.Reasons, j.Reason)
		}
	}
	return v
}

// judge decides one requirement; among cells the worst one counts.
func judge(c *profiles.Criteria, q *profiles.Requirement, f *Figures) Judgement {
	candidates := f.Cells(q.Figure)
	if g, ok := f.Find(q.Figure); ok {
		candidates = append(candidates, g)
	}
	if len(candidates) == 0 {
		return Judgement{
			Figure: q.Figure, Decision: NotProven, NoValue: true, AtLeast: q.AtLeast,
			Reason: fmt.Sprintf("%s: the run has no such figure; %s is unproven", q.Figure, limitText(q)),
		}
	}
	all := make([]Judgement, len(candidates))
	for i, g := range candidates {
		all[i] = decide(c, q, g)
	}
	worst := slices.MaxFunc(all, func(a, b Judgement) int {
		return cmp.Or(cmp.Compare(rank[a.Decision], rank[b.Decision]), cmp.Compare(b.Conformity, a.Conformity), cmp.Compare(b.inside, a.inside), cmp.Compare(b.Cell, a.Cell))
	})
	if q.Population != nil && worst.Decision != NotProven {
		worst.risk(q, candidates)
	}
	return worst
}

func decide(c *profiles.Criteria, q *profiles.Requirement, g Figure) Judgement {
	j := Judgement{Figure: q.Figure, Cell: g.Cell, Value: g.Value, NoValue: g.NoValue, U: g.U, Unit: g.Unit, AtLeast: q.AtLeast}
	name := q.Figure
	if g.Cell > 0 {
		name = fmt.Sprintf("%s of cell %d", q.Figure, g.Cell)
	}
	limit, ok := limitIn(g.Unit, q.Limit)
	switch {
	case !ok:
		j.Decision, j.Reason = NotProven, fmt.Sprintf("%s is in %s, which %s cannot be compared with", name, g.Unit, limitText(q))
		return j
	case g.Status == OK && (math.IsNaN(g.Value) || math.IsInf(g.Value, 0) || !(g.U >= 0) || math.IsInf(g.U, 0)):
		j.Value, j.U, j.NoValue, j.Limit, j.Accept = 0, 0, true, limit, limit
		j.Decision, j.Reason = NotProven, fmt.Sprintf("%s: %s is unproven: the figure is no number", name, limitText(q))
		return j
	case g.Status != OK || g.NoValue || g.Unjudged:
		j.Limit, j.Accept = limit, limit
		why := g.Reason
		if g.Unjudged {
			why = "the figure is never judged"
		}
		j.Decision, j.Reason = NotProven, fmt.Sprintf("%s: %s is unproven: %s", name, limitText(q), why)
		return j
	}
	w := 0.0
	if c.Rule != profiles.RuleSimple {
		w = g.U * float64(c.GuardBand) * 1e-6
	}
	// Distances inside the limit are positive, whichever side is allowed.
	inside, side := limit-g.Value, 1.0
	if q.AtLeast {
		inside, side = -inside, -1
	}
	j.Limit, j.Accept = limit, limit-side*w
	j.Decision, j.inside = classify(c.Rule, inside, w), inside
	e := g.errors()
	j.Conformity, j.RuleRisk = e.CDF(inside), e.CDF(-w)
	switch j.Decision {
	case Pass, ConditionalPass:
		j.FalseAccept = 1 - j.Conformity
	case ConditionalFail, Fail:
		j.FalseReject = j.Conformity
	}
	row := g.Row()
	interval := ""
	if row.Interval != "" {
		interval = " +/- " + row.Interval
	}
	j.Reason = fmt.Sprintf("%s %s%s %s against %s: %s, probability of conformity %.4g %%",
		name, row.Value, interval, g.Unit, limitText(q), j.Decision, 100*j.Conformity)
	switch {
	case j.Decision == Fail && inside >= 0:
		j.Reason += fmt.Sprintf("; within the limit, but inside the guard band of %.3g %s that the rule demands", w, g.Unit)
	case j.Decision == ConditionalPass:
		j.Reason += fmt.Sprintf("; within the limit by less than its uncertainty, so it may be outside: %.3g %%", 100*j.FalseAccept)
	case j.Decision == ConditionalFail:
		j.Reason += fmt.Sprintf("; outside the limit by less than its uncertainty, so it may be within: %.3g %%", 100*j.FalseReject)
	}
	return j
}

// errors is the distribution of the figure's error; a normal one where nothing
// but the interval is known.
func (g Figure) errors() gum.Spread {
	if g.Spread.U() > 0 || g.U <= 0 || g.K <= 0 {
		return g.Spread
	}
	return gum.Spread{Scale: g.U / g.K}
}

// classify is ILAC-G8:09/2019: 4.2.1 simple, 4.2.2 one guard band, 4.2.3 guard
// bands on either side. A value on an edge belongs to the better side.
func classify(rule profiles.DecisionRule, inside, w float64) Decision {
	switch {
	case inside >= w:
		return Pass
	case rule != profiles.RuleConditional:
		return Fail
	case inside >= 0:
		return ConditionalPass
	case inside >= -w:
		return ConditionalFail
	}
	return Fail
}

// limitIn turns a limit in base units into a figure's unit.
func limitIn(unit string, limit int64) (float64, bool) {
	x := float64(limit)
	switch unit {
	case "Ah":
		return x / 3.6e12, true
	case "Wh":
		return x / 3.6e9, true
	case "mOhm", "mV", "mA", "K", "W":
		return x / 1e3, true
	case "V", "A":
		return x / 1e6, true
	case "%":
		return x / 1e4, true
	case "degC":
		return x/1e3 - 273.15, true
	case "1":
		return x, true
	}
	return math.NaN(), false
}

func limitText(q *profiles.Requirement) string {
	if q.AtLeast {
		return "at least " + q.Text
	}
	return "at most " + q.Text
}
