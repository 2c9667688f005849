package qualify_test

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/profiles"
)

func atLeast(figure string, limit int64, text string) profiles.Requirement {
	return profiles.Requirement{Figure: figure, AtLeast: true, Limit: limit, Text: text}
}

func atMost(figure string, limit int64, text string) profiles.Requirement {
	return profiles.Requirement{Figure: figure, Limit: limit, Text: text}
}

func rule(r profiles.DecisionRule, band profiles.Ppm, require ...profiles.Requirement) *profiles.Criteria {
	return &profiles.Criteria{Name: "pilot-boat", Rule: r, GuardBand: band, Require: require}
}

func given(name, unit string, value, u float64) qualify.Figure {
	return qualify.Figure{Name: name, Unit: unit, Value: value, U: 2 * u, K: 2, Status: qualify.OK}
}

const (
	ampereHour = 3_600_000_000_000
	milliohm   = 1000
)

// Numbers computed for ILAC-G8:09/2019 clause 4.2: capacity at least 39.0 Ah,
// measured 39.30 with u = 0.18; resistance at most 1.60 mOhm, measured 1.55
// with u = 0.02.
func TestVerdictOfTheRuleBook(t *testing.T) {
	f := &qualify.Figures{Figures: []qualify.Figure{
		given(qualify.Capacity, "Ah", 39.30, 0.18),
		given("module_resistance_10s", "mOhm", 1.55, 0.02),
	}}
	capacity := atLeast(qualify.Capacity, 39*ampereHour, "39 Ah")
	resistance := atMost("module_resistance_10s", 1600, "1.6 mOhm")

	v := qualify.Judge(rule(profiles.RuleConditional, 1_000_000, capacity, resistance), f)
	require.Len(t, v.Judgements, 2)
	j := v.Judgements[0]
	assert.Equal(t, qualify.ConditionalPass, j.Decision)
	assert.InDelta(t, 0.952210, j.Conformity, 5e-7)
	assert.InDelta(t, 39.36, j.Accept, 1e-9)
	j = v.Judgements[1]
	assert.Equal(t, qualify.Pass, j.Decision)
	assert.InDelta(t, 0.993790, j.Conformity, 5e-7)
	assert.InDelta(t, 1.56, j.Accept, 1e-9)
	assert.Equal(t, qualify.ConditionalPass, v.Decision)
	assert.Equal(t, []string{"capacity 39.30 +/- 0.36 Ah against at least 39 Ah: conditional pass, probability of conformity 95.22 %; within the limit by less than its uncertainty, so it may be outside: 4.78 %"}, v.Reasons)
	assert.InDelta(t, 0.047790, v.Judgements[0].FalseAccept, 5e-7)
	assert.Zero(t, v.Judgements[0].FalseReject)

	// A guard band of 1.645 u = 0.8225 U passes it: acceptance limit 39.2961.
	v = qualify.Judge(rule(profiles.RuleConditional, 822_500, capacity), f)
	assert.Equal(t, qualify.Pass, v.Decision)
	assert.InDelta(t, 39.2961, v.Judgements[0].Accept, 1e-9)
	assert.InDelta(t, 1-0.950015, v.Judgements[0].RuleRisk, 1e-6) // w = 1.645 u
	// The binary rule knows no condition; the simple one no guard band.
	assert.Equal(t, qualify.Fail, qualify.Judge(rule(profiles.RuleBinary, 1_000_000, capacity), f).Decision)
	assert.Equal(t, qualify.Pass, qualify.Judge(rule(profiles.RuleSimple, 0, capacity), f).Decision)
}

// The four answers lie where ILAC-G8 clause 4.2.3 draws the lines; the
// probabilities at w = U = 2u are those of the normal distribution (computed).
func TestVerdictAcrossTheLimit(t *testing.T) {
	c := rule(profiles.RuleConditional, 1_000_000, atMost("resistance_spread", 50_000, "5 %"))
	for _, x := range []struct {
		value, conformity float64
		want              qualify.Decision
	}{
		{3.9, 0.986097, qualify.Pass}, {4.0, 0.977250, qualify.Pass}, {4.5, 0.841345, qualify.ConditionalPass},
		{5.0, 0.5, qualify.ConditionalPass}, {5.01, 0.492022, qualify.ConditionalFail},
		{6.0, 0.022750, qualify.ConditionalFail}, {6.1, 0.013903, qualify.Fail},
	} {
		v := qualify.Judge(c, &qualify.Figures{Figures: []qualify.Figure{given("resistance_spread", "%", x.value, 0.5)}})
		assert.Equal(t, x.want, v.Decision, "%g %%", x.value)
		assert.InDelta(t, x.conformity, v.Judgements[0].Conformity, 5e-7, "%g %%", x.value)
	}
}

// JCGM 106:2012 7.3, the Zener diode (example from memory, number computed).
func TestConformityOfTheZenerDiode(t *testing.T) {
	c := rule(profiles.RuleSimple, 0, atMost(qualify.RestVoltage, -5_400_000, "-5.4 V"))
	v := qualify.Judge(c, &qualify.Figures{Figures: []qualify.Figure{given(qualify.RestVoltage, "V", -5.47, 0.05)}})
	assert.InDelta(t, 0.919243, v.Judgements[0].Conformity, 5e-7)
}

func TestVerdictTakesTheWorstCell(t *testing.T) {
	f := &qualify.Figures{}
	for i, r := range []float64{1.50, 1.52, 1.66, 1.49} {
		g := given("resistance_10s", "mOhm", r, 0.01)
		g.Cell = i + 1
		f.Figures = append(f.Figures, g)
	}
	c := rule(profiles.RuleConditional, 1_000_000, atMost("resistance_10s", 1600, "1.6 mOhm"))
	v := qualify.Judge(c, f)
	assert.Equal(t, qualify.Fail, v.Decision)
	assert.Equal(t, 3, v.Judgements[0].Cell)
	// Where all pass with certainty, the one nearest to the limit is named.
	wide := qualify.Judge(rule(profiles.RuleConditional, 1_000_000, atMost("resistance_10s", 9000, "9 mOhm")), f)
	assert.Equal(t, qualify.Pass, wide.Decision)
	assert.Equal(t, 3, wide.Judgements[0].Cell)
	assert.Contains(t, v.Reasons[0], "resistance_10s of cell 3 1.660 +/- 0.020 mOhm against at most 1.6 mOhm: fail")
}

// Missing data never passes, and does not hide a failure either.
func TestVerdictWithoutProof(t *testing.T) {
	missing := qualify.Figure{Name: qualify.Capacity, Unit: "Ah", Value: 41, U: 0.1, K: 2, Status: qualify.Unproven, Reason: "paused"}
	received := given(qualify.CapacityReceived, "Ah", 41, 0.1)
	received.Unjudged = true
	f := &qualify.Figures{Figures: []qualify.Figure{missing, received, given(qualify.TemperatureRise, "K", 12, 0.2)}}
	capacity := atLeast(qualify.Capacity, 39*ampereHour, "39 Ah")

	v := qualify.Judge(rule(profiles.RuleConditional, 1_000_000, capacity), f)
	assert.Equal(t, qualify.NotProven, v.Decision)
	assert.Equal(t, []string{"capacity: at least 39 Ah is unproven: paused"}, v.Reasons)
	assert.Zero(t, v.Judgements[0].Conformity)

	v = qualify.Judge(rule(profiles.RuleSimple, 0, atLeast(qualify.CapacityReceived, 39*ampereHour, "39 Ah")), f)
	assert.Equal(t, qualify.NotProven, v.Decision)

	v = qualify.Judge(rule(profiles.RuleSimple, 0, atMost("self_discharge", 1000, "1 mA")), f)
	assert.Equal(t, qualify.NotProven, v.Decision)
	assert.Equal(t, []string{"self_discharge: the run has no such figure; at most 1 mA is unproven"}, v.Reasons)

	v = qualify.Judge(rule(profiles.RuleConditional, 1_000_000, capacity, atMost(qualify.TemperatureRise, 10_000, "10 K")), f)
	assert.Equal(t, qualify.Fail, v.Decision)
	assert.Len(t, v.Reasons, 2)

	v = qualify.Judge(rule(profiles.RuleSimple, 0), f)
	assert.Equal(t, qualify.NotProven, v.Decision)
	text, err := json.Marshal(v)
	require.NoError(t, err)
	assert.NotContains(t, string(text), "null")
}

// ILAC-G8:09/2019, as quoted: with w = U the rule passes a value outside the
// limit with less than 2.5 %, simple acceptance with up to 50 %.
func TestRiskOfTheRule(t *testing.T) {
	f := &qualify.Figures{Figures: []qualify.Figure{given(qualify.Capacity, "Ah", 39.40, 0.18)}}
	capacity := atLeast(qualify.Capacity, 39*ampereHour, "39 Ah")
	j := qualify.Judge(rule(profiles.RuleConditional, 1_000_000, capacity), f).Judgements[0]
	assert.InDelta(t, 1-0.977250, j.RuleRisk, 5e-7)
	j = qualify.Judge(rule(profiles.RuleSimple, 0, capacity), f).Judgements[0]
	assert.InDelta(t, 0.5, j.RuleRisk, 1e-12)
	// w = u: 0.841345 (computed).
	j = qualify.Judge(rule(profiles.RuleBinary, 500_000, capacity), f).Judgements[0]
	assert.InDelta(t, 1-0.841345, j.RuleRisk, 5e-7)
	j = qualify.Judge(rule(profiles.RuleBinary, 3_000_000, capacity), f).Judgements[0]
	assert.Equal(t, qualify.Fail, j.Decision)
	assert.Contains(t, j.Reason, "within the limit, but inside the guard band of 1.08 Ah that the rule demands")
	assert.InDelta(t, j.Conformity, j.FalseReject, 1e-12)
}

// A rectangular accuracy knows certainty: what lies further inside than its half
// width conforms surely, where a normal distribution of the same u would doubt.
func TestConformityFollowsTheDistribution(t *testing.T) {
	g := given(qualify.Capacity, "Ah", 39.25, 0)
	g.Spread = gum.Spread{Boxes: []float64{0.2}}
	g.U, g.K = g.Spread.Interval()
	f := &qualify.Figures{Figures: []qualify.Figure{g}}
	j := qualify.Judge(rule(profiles.RuleConditional, 1_000_000, atLeast(qualify.Capacity, 39*ampereHour, "39 Ah")), f).Judgements[0]
	assert.Equal(t, qualify.Pass, j.Decision)
	assert.Equal(t, 1.0, j.Conformity)
	f.Figures[0].Value = 39.1
	j = qualify.Judge(rule(profiles.RuleConditional, 1_000_000, atLeast(qualify.Capacity, 39*ampereHour, "39 Ah")), f).Judgements[0]
	assert.Equal(t, qualify.ConditionalPass, j.Decision)
	assert.InDelta(t, 0.75, j.Conformity, 1e-9)
	assert.InDelta(t, 0.25, j.FalseAccept, 1e-9)
}

// What is no number passes nothing and fails nothing.
func TestVerdictOfNoNumber(t *testing.T) {
	for _, x := range []float64{math.NaN(), math.Inf(1)} {
		g := given(qualify.Capacity, "Ah", x, 0.1)
		v := qualify.Judge(rule(profiles.RuleSimple, 0, atLeast(qualify.Capacity, 39*ampereHour, "39 Ah")), &qualify.Figures{Figures: []qualify.Figure{g}})
		assert.Equal(t, qualify.NotProven, v.Decision)
		_, err := json.Marshal(v)
		assert.NoError(t, err)
	}
}

// The global risks beside the specific one, of a population that the criteria state
// (JCGM 106:2012, 9.5): capacity at least 39 Ah of modules of 39 Ah, deviation 0.4
// Ah, measured with u = 0.3 Ah and accepted at the limit, has Sheppard's closed form.
func TestVerdictStatesGlobalRisks(t *testing.T) {
	f := &qualify.Figures{Figures: []qualify.Figure{given(qualify.Capacity, "Ah", 39.30, 0.3)}}
	q := atLeast(qualify.Capacity, 39*ampereHour, "39 Ah")
	q.Population = &profiles.Population{Mean: 39 * ampereHour, Deviation: 0.4 * ampereHour}
	j := qualify.Judge(rule(profiles.RuleSimple, 0, q), f).Judgements[0]
	want := 0.25 - math.Asin(0.4/0.5)/(2*math.Pi)
	require.NotNil(t, j.Global)
	assert.InDelta(t, want, j.Global.Consumer, 1e-7)
	assert.InDelta(t, want, j.Global.Producer, 1e-7)
	assert.InDelta(t, 0.5, j.Global.Outside, 1e-9)
	assert.Equal(t, &qualify.Population{Mean: 39, Deviation: 0.4}, j.Population)
	assert.Contains(t, j.Reason, "; of a population of 39, deviation 0.4 Ah, as the criteria state it, 50 % lie outside, 10 % would lie outside and pass, 10 % would lie within and not pass")
	assert.InDelta(t, 0.158655, j.FalseAccept, 5e-7, "the specific risk stands as it did") // 1 u

	// A guard band turns consumer's risk into producer's.
	guarded := qualify.Judge(rule(profiles.RuleConditional, 1_000_000, q), f).Judgements[0]
	assert.Less(t, guarded.Global.Consumer, j.Global.Consumer/10)
	assert.Greater(t, guarded.Global.Producer, 2*j.Global.Producer)
	// Without a stated population there is none.
	assert.Nil(t, qualify.Judge(rule(profiles.RuleSimple, 0, atLeast(qualify.Capacity, 39*ampereHour, "39 Ah")), f).Judgements[0].Global)
}

// Siblings stand for the population of cells, five at least.
func TestVerdictTakesSiblingsForThePopulation(t *testing.T) {
	f := &qualify.Figures{}
	for i, r := range []float64{1.50, 1.52, 1.56, 1.49, 1.53} {
		g := given("resistance_10s", "mOhm", r, 0.01)
		g.Cell = i + 1
		f.Figures = append(f.Figures, g)
	}
	q := atMost("resistance_10s", 1600, "1.6 mOhm")
	q.Population = &profiles.Population{Siblings: true}
	j := qualify.Judge(rule(profiles.RuleConditional, 1_000_000, q), f).Judgements[0]
	require.NotNil(t, j.Population)
	assert.Equal(t, 5, j.Population.Siblings)
	assert.InDelta(t, 1.52, j.Population.Mean, 1e-12)
	assert.InDelta(t, math.Sqrt(0.003/4), j.Population.Deviation, 1e-12)
	z := (1.6 - 1.52) / math.Sqrt(0.003/4)
	assert.InDelta(t, 0.5*math.Erfc(z/math.Sqrt2), j.Global.Outside, 1e-9)
	assert.Contains(t, j.Reason, "of 5 siblings")
	f.Figures = f.Figures[:4]
	j = qualify.Judge(rule(profiles.RuleConditional, 1_000_000, q), f).Judgements[0]
	assert.Nil(t, j.Global)
	assert.Contains(t, j.Reason, "; no global risk: 4 siblings are too few for a population")
}
