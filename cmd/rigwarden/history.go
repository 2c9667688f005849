package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/firstcheck"
	"github.com/rigwarden/rigwarden/orchestrator/record"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// checksTold are a module's first checks for its record, and what of them stands
// against it: of each method the latest counts.
func checksTold(ctx context.Context, s *session, serial string) (told []record.Check, against []string, err error) {
	r, err := s.checks.List(ctx, &rigwardenv1.ListChecksRequest{Serial: serial})
	if err != nil {
		return nil, nil, err
	}
	for _, c := range r.GetChecks() {
		var what []string
		for _, f := range c.GetFindings() {
			what = append(what, f.GetWhat())
		}
		if !c.GetCurrent() {
			what = append(what, "made with another file of this module")
		}
		told = append(told, record.Check{At: day(c.GetAtUs()), Method: c.GetMethod(), Who: dash(c.GetWho()), Grade: c.GetGrade(), What: strings.Join(what, "; ")})
	}
	for _, c := range latestChecks(r.GetChecks()) {
		if heldBy(c) {
			against = append(against, fmt.Sprintf("First check of %s (%s): %s", day(c.GetAtUs()), c.GetMethod(), c.GetGrade()))
		}
	}
	return told, against, nil
}

// latestChecks are the latest of each method that were made with the module's
// present file, in the order in which they were made.
func latestChecks(all []*rigwardenv1.Check) []*rigwardenv1.Check {
	var out []*rigwardenv1.Check
	for _, c := range all {
		out = slices.DeleteFunc(out, func(o *rigwardenv1.Check) bool { return o.GetMethod() == c.GetMethod() })
		if c.GetCurrent() {
			out = append(out, c)
		}
	}
	return out
}

// heldBy says that a check's grade keeps a module from going on.
func heldBy(c *rigwardenv1.Check) bool {
	switch firstcheck.Grade(c.GetGrade()) {
	case firstcheck.Stop, firstcheck.Quarantine, firstcheck.Danger:
		return true
	}
	return false
}

// runsSince tells what happened after a run that its record does not cover.
func runsSince(runs []*rigwardenv1.Run, covered *rigwardenv1.Run) []string {
	var out []string
	for _, r := range runs {
		if r.GetId() <= covered.GetId() {
			continue
		}
		switch {
		case r.GetOutcome() == rigwardenv1.Outcome_OUTCOME_TRIPPED, r.GetOutcome() == rigwardenv1.Outcome_OUTCOME_INTERRUPTED:
			out = append(out, fmt.Sprintf("A later run, %s, was %s: this record does not cover what happened there.", r.GetId(), word(r.GetOutcome())))
		case r.GetVerdict() == rigwardenv1.Verdict_VERDICT_FAIL, r.GetVerdict() == rigwardenv1.Verdict_VERDICT_CONDITIONAL_FAIL:
			out = append(out, fmt.Sprintf("A later run, %s, was judged: %s.", r.GetId(), word(r.GetVerdict())))
		}
	}
	return out
}

func historyTold(runs []*rigwardenv1.Run, covered *rigwardenv1.Run) []record.Run {
	var out []record.Run
	for _, r := range runs {
		note := ""
		if r.GetId() == covered.GetId() {
			note = "this record"
		}
		out = append(out, record.Run{ID: r.GetId(), Profile: r.GetProfile(), Started: day(r.GetStartedUs()), Ended: word(r.GetOutcome()), Verdict: word(r.GetVerdict()), Note: note})
	}
	return out
}
