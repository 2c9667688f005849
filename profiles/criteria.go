package profiles

import "time"

// Criteria is a criteria file: what a module must meet, with the decision rule
// that was agreed before anything was measured.
type Criteria struct {
	Name   string
	Title  string
	Agreed Proof // when and by which role
	Rule   DecisionRule
	// GuardBand is the width w of the guard band relative to the expanded
	// uncertainty U (95 %); 1 000 000 for w = U. 0 under simple acceptance.
	GuardBand Ppm
	Require   []Requirement
	Digest    string
	File      string
}

// DecisionRule is a decision rule of ILAC-G8:09/2019, clause 4.2.
type DecisionRule string

// Decision rules.
const (
	// RuleSimple accepts at the tolerance limit itself (4.2.1).
	RuleSimple DecisionRule = "simple"
	// RuleBinary passes inside the guard band only and fails otherwise (4.2.2).
	RuleBinary DecisionRule = "guard_band"
	// RuleConditional adds conditional pass and conditional fail on either side
	// of the tolerance limit (4.2.3).
	RuleConditional DecisionRule = "guard_band_conditional"
)

// Requirement is one figure and the limit it has to meet.
type Requirement struct {
	Figure string
	// AtLeast says that Limit is a lower limit; otherwise it is an upper one.
	AtLeast bool
	// Limit is in the dimension's base unit (nC, uJ, uOhm, uV, mK, us, ppm).
	Limit     int64
	Dimension Dimension
	// Text is the limit as the file writes it: "39 Ah".
	Text string
	Pos  Pos
}

// ParseCriteria reads a criteria file; name appears in the problems.
func ParseCriteria(name string, src []byte) (*Criteria, []Problem) { return nil, nil }

var _ time.Time
