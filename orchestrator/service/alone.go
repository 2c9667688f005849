package service

import (
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// freshMost is how old a proof of protections may be on a bench with a real
// article where neither bench nor profile say (common practice, no source).
const freshMost = 30 * 24 * drivers.Hour

// alone says that a plan energises a real article with nobody beside it.
func alone(plan *machine.Plan, prof *profiles.Profile) bool {
	return !prof.Attended && energises(plan) && !plan.Bench.Simulated()
}

// proofWithin is how old a proof may be for a run; 0: none is demanded.
func proofWithin(plan *machine.Plan, prof *profiles.Profile, b *profiles.Bench) drivers.Span {
	if within := profiles.ProofWithin(prof, b); within != 0 || !alone(plan, prof) {
		return within
	}
	return freshMost
}

// lookedAt wants the whole checklist from whoever leaves a run alone, point by
// point, and returns what the record says of it. A virtual bench has nothing to
// look at.
func lookedAt(plan *machine.Plan, prof *profiles.Profile, b *profiles.Bench, mod *profiles.Module, checked []string) (string, error) {
	if !alone(plan, prof) {
		return "", nil
	}
	var keys []string
	var open []Problem
	for _, l := range b.Checklist(mod) {
		keys = append(keys, l.Key)
		if !slices.Contains(checked, l.Key) {
			open = append(open, Problem{What: l.Key, Want: l.What})
		}
	}
	for _, c := range checked {
		if !slices.Contains(keys, c) {
			return "", &Error{Kind: KindInvalid, What: "the checklist has no " + c, Want: "any of " + strings.Join(keys, ", ")}
		}
	}
	if len(open) > 0 {
		return "", &Error{
			Kind: KindRefused, What: "a run with nobody beside it demands the safety checklist, looked at at the bench today",
			Want: "look at each of these, then say so: --checked " + strings.Join(keys, ","), Problems: open,
		}
	}
	return "safety checklist: " + strings.Join(keys, ", "), nil
}
