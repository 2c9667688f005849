package record

import (
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// Headline is what a reader sees first, and on every page.
type Headline struct {
	// Word is PASS, or what stands in its place.
	Word string
	// Passed is true for a module that passed, and for nothing else: every doubt
	// makes it false.
	Passed bool
	// Simulated says that no real module was measured.
	Simulated bool
	// Why tells what stands against a pass.
	Why []string
}

// Findings are what a headline depends on.
type Findings struct {
	Verdict qualify.Decision // empty where the run was never judged
	// Reasons are the verdict's sentences.
	Reasons []string
	// Outcome is how the run ended; Done that it ended as planned.
	Outcome string
	Done    bool
	// Broken tells why the record does not follow from its data; empty where it
	// does.
	Broken []string
	// Later tells what happened to the module after this run that the record
	// does not cover: a trip, a failed check.
	Later     []string
	Simulated bool
}

// Decide makes the headline: a pass only where nothing at all stands against it.
func Decide(f Findings) Headline {
	h := Headline{Simulated: f.Simulated}
	switch {
	case len(f.Broken) > 0:
		h.Word = "NOT VALID"
		h.Why = append([]string{"This record does not follow from its data."}, f.Broken...)
	case f.Verdict == "":
		h.Word, h.Why = "NOT PASSED: UNPROVEN", []string{"The run was never judged."}
	case f.Verdict == qualify.ConditionalPass:
		h.Word, h.Why = "CONDITIONAL PASS", append([]string{"Within the limits by less than the uncertainty: not a pass."}, f.Reasons...)
	case f.Verdict != qualify.Pass:
		h.Word, h.Why = "NOT PASSED: "+strings.ToUpper(string(f.Verdict)), f.Reasons
	default:
		h.Word, h.Passed = "PASS", true
	}
	if !f.Done && len(f.Broken) == 0 {
		if h.Passed {
			h.Word = "NOT PASSED"
		}
		h.Passed = false
		h.Why = append([]string{"The run did not end as planned: " + f.Outcome + "."}, h.Why...)
	}
	if len(f.Later) > 0 {
		if h.Passed {
			h.Word = "HELD BACK"
		}
		h.Passed = false
		h.Why = append(h.Why, f.Later...)
	}
	return h
}
