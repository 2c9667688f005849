package qualify

// Decision is the outcome of a comparison with a limit, after ILAC-G8:09/2019
// clause 4.2.
type Decision string

// Decisions, the best first. Unproven ranks between a conditional fail and a
// fail: a figure is missing and nothing is known to be wrong.
const (
	Pass            Decision = "pass"
	ConditionalPass Decision = "conditional pass"
	ConditionalFail Decision = "conditional fail"
	NotProven       Decision = "unproven"
	Fail            Decision = "fail"
)

// Judgement is the decision on one criterion.
type Judgement struct {
	// Figure is the criterion's figure; Cell (from one) the worst cell where
	// the criterion is about cells.
	Figure   string   `json:"figure"`
	Cell     int      `json:"cell,omitempty"`
	Decision Decision `json:"decision"`
	Value    float64  `json:"value"`
	U        float64  `json:"U"`
	Unit     string   `json:"unit"`
	Limit    float64  `json:"limit"`
	// Upper says that the figure must be at or under Limit.
	Upper bool `json:"upper"`
	// Conformity is the probability that the true value conforms, from a normal
	// distribution (JCGM 106); 0 where unproven.
	Conformity float64 `json:"probability_of_conformity"`
	Reason     string  `json:"reason"`
}

// Verdict is the decision on a module: the worst of its criteria.
type Verdict struct {
	Decision   Decision    `json:"decision"`
	Criteria   string      `json:"criteria"`
	Judgements []Judgement `json:"judgements"`
	// Reasons are the sentences of every criterion that is not passed.
	Reasons []string `json:"reasons,omitempty"`
}
