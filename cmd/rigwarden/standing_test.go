package main

import (
	"testing"

	"github.com/stretchr/testify/assert"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func TestWhereAModuleStands(t *testing.T) {
	check := func(method, grade string) *rigwardenv1.Check {
		return &rigwardenv1.Check{AtUs: 2, Method: method, Grade: grade, Current: true}
	}
	run := func(id string, o rigwardenv1.Outcome, v rigwardenv1.Verdict) *rigwardenv1.Run {
		return &rigwardenv1.Run{Id: id, Profile: "qualify", Outcome: o, Verdict: v, EndedUs: 3, Reason: "cell_07"}
	}
	const (
		running     = rigwardenv1.Outcome_OUTCOME_RUNNING
		done        = rigwardenv1.Outcome_OUTCOME_DONE
		stopped     = rigwardenv1.Outcome_OUTCOME_STOPPED
		refused     = rigwardenv1.Outcome_OUTCOME_REFUSED
		tripped     = rigwardenv1.Outcome_OUTCOME_TRIPPED
		interrupted = rigwardenv1.Outcome_OUTCOME_INTERRUPTED
		unproven    = rigwardenv1.Verdict_VERDICT_UNPROVEN
		pass        = rigwardenv1.Verdict_VERDICT_PASS
		almost      = rigwardenv1.Verdict_VERDICT_CONDITIONAL_PASS
		almostNot   = rigwardenv1.Verdict_VERDICT_CONDITIONAL_FAIL
		fail        = rigwardenv1.Verdict_VERDICT_FAIL
	)
	type checks = []*rigwardenv1.Check
	type runs = []*rigwardenv1.Run // the newest first
	for _, c := range []struct {
		name   string
		checks checks
		runs   runs
		stage  stage
		why    string
	}{
		{"new", nil, nil, stageRegistered, "by technician"},
		{"insulation alone is no first check", checks{check("insulation", "good")}, nil, stageRegistered, "by technician"},
		{"checked by hand", checks{check("hand", "good"), check("insulation", "good")}, nil, stageChecked, "good by hand, insulation"},
		{"one check cannot tell", checks{check("hand", "good"), check("taps", "unproven")}, nil, stageRegistered, "by technician"},
		{"a check says stop", checks{check("hand", "good"), check("taps", "stop")}, nil, stageHeld, "first check (taps): stop"},
		{"quarantine beats a pass", checks{check("hand", "quarantine")}, runs{run("r1", done, pass)}, stageHeld, "first check (hand): quarantine"},
		{"pass", nil, runs{run("r1", done, pass)}, stageQualified, "r1, qualify: pass"},
		{"conditional pass", nil, runs{run("r1", done, almost)}, stageQualified, "r1, qualify: conditional pass"},
		{"conditional fail", nil, runs{run("r1", done, almostNot)}, stageHeld, "r1, qualify: conditional fail"},
		{"fail after a pass", nil, runs{run("r2", done, fail), run("r1", done, pass)}, stageHeld, "r2, qualify: fail"},
		{"pass after a fail", nil, runs{run("r2", done, pass), run("r1", done, fail)}, stageQualified, "r2, qualify: pass"},
		{"a trip after a pass", nil, runs{run("r2", tripped, unproven), run("r1", done, pass)}, stageHeld, "r2 tripped: cell_07"},
		{"a run after the trip ended well", nil, runs{run("r3", done, unproven), run("r2", tripped, unproven), run("r1", done, pass)}, stageQualified, "r1, qualify: pass"},
		{"interrupted", nil, runs{run("r1", interrupted, unproven)}, stageHeld, "r1 interrupted: cell_07"},
		{"stopped by a person", nil, runs{run("r1", stopped, unproven)}, stageRegistered, "by technician"},
		{"refused, nothing was energised", nil, runs{run("r2", refused, unproven), run("r1", done, pass)}, stageQualified, "r1, qualify: pass"},
		{"under way", nil, runs{run("r2", running, unproven), run("r1", done, pass)}, stageQualified, "r1, qualify: pass"},
	} {
		st := stand(&rigwardenv1.Module{Serial: "KW-01", RegisteredUs: 1, RegisteredBy: "technician"}, c.checks, c.runs)
		assert.Equal(t, c.stage, st.Stage, c.name)
		assert.Equal(t, c.why, st.Why, c.name)
	}
}

// A check of another file's module says nothing, and of each method the latest
// counts.
func TestLatestChecks(t *testing.T) {
	all := []*rigwardenv1.Check{
		{Method: "hand", Grade: "stop", Current: true},
		{Method: "taps", Grade: "good", Current: true},
		{Method: "hand", Grade: "good", Current: true},
		{Method: "taps", Grade: "danger", Current: false},
	}
	got := latestChecks(all)
	assert.Len(t, got, 1)
	assert.Equal(t, "good", got[0].GetGrade())
	assert.Equal(t, "hand", got[0].GetMethod())
}

func TestWhichRunARecordTakes(t *testing.T) {
	runs := []*rigwardenv1.Run{
		{Id: "r000005", Outcome: rigwardenv1.Outcome_OUTCOME_RUNNING, Verdict: rigwardenv1.Verdict_VERDICT_UNPROVEN},
		{Id: "r000004", Outcome: rigwardenv1.Outcome_OUTCOME_TRIPPED, Verdict: rigwardenv1.Verdict_VERDICT_UNPROVEN},
		{Id: "r000003", Outcome: rigwardenv1.Outcome_OUTCOME_DONE, Verdict: rigwardenv1.Verdict_VERDICT_PASS},
		{Id: "r000002", Outcome: rigwardenv1.Outcome_OUTCOME_DONE, Verdict: rigwardenv1.Verdict_VERDICT_FAIL},
	}
	r, err := chooseRun("KW-01", runs, "")
	assert.NoError(t, err)
	assert.Equal(t, "r000003", r.GetId())
	// What the record does not cover stands against it.
	assert.Equal(t, []string{"A later run, r000004, was tripped: this record does not cover what happened there."}, runsSince(runs, r))
	r, err = chooseRun("KW-01", runs, "r000002")
	assert.NoError(t, err)
	assert.Equal(t, "r000002", r.GetId())
	_, err = chooseRun("KW-01", runs, "r000009")
	assert.Equal(t, exitRefused, exitOf(err))
	_, err = chooseRun("KW-01", runs[:1], "")
	assert.Equal(t, exitRefused, exitOf(err))
}
