package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/firstcheck"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// stage is how far a module has come.
type stage string

// Stages, in the order in which a module goes through them; held back may come
// at any time.
const (
	stageRegistered stage = "registered"
	stageChecked    stage = "first-checked"
	stageCharged    stage = "charged"
	stageQualified  stage = "qualified"
	stageHeld       stage = "held back"
)

var stages = []stage{stageRegistered, stageChecked, stageCharged, stageQualified, stageHeld}

// standing is where one module of a build stands.
type standing struct {
	Module string `json:"module"`
	Stage  stage  `json:"stage"`
	Since  int64  `json:"since_us"`
	Why    string `json:"why"`
	// Running names a run that is under way.
	Running string `json:"running,omitempty"`
}

// build is where all of them stand.
type build struct {
	Of      int           `json:"of"`
	Counts  map[stage]int `json:"counts"`
	Modules []standing    `json:"modules"`
}

func (a *app) progressCmd() *cobra.Command {
	var of int
	c := &cobra.Command{
		Use:   "progress",
		Short: "Show how far a build has come: each module, and what holds it back",
		Long: `Show where each registered module stands: registered; first-checked, where its
latest first checks are good; charged, where a run filled it; qualified, where the
latest verdict is a pass; held back, where a first check says stop, the latest
verdict is a fail, or its latest run tripped, failed or was interrupted.`,
		Example: "  rigwarden progress\n  rigwarden progress --of 24\n  rigwarden progress --store rig.db --json",
		Args:    cobra.NoArgs,
		RunE: a.on(func(cmd *cobra.Command, s *session, _ []string) error {
			if of < 0 {
				return usagef("--of %d; how many modules are to be built would be right", of)
			}
			b, err := standings(cmd.Context(), s, of)
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(b)
			}
			a.printBuild(b)
			return nil
		}),
	}
	c.Flags().IntVar(&of, "of", 0, "how many modules are to be built (default those registered)")
	a.addWhere(c)
	return c
}

// allModules are the registered modules by serial.
func allModules(ctx context.Context, s *session) ([]*rigwardenv1.Module, error) {
	var all []*rigwardenv1.Module
	for page := (&rigwardenv1.ListModulesRequest{Limit: 1000}); ; {
		r, err := s.modules.List(ctx, page)
		if err != nil {
			return nil, err
		}
		all = append(all, r.GetModules()...)
		if !r.GetMore() || len(r.GetModules()) == 0 {
			return all, nil
		}
		page.After = all[len(all)-1].GetSerial()
	}
}

func standings(ctx context.Context, s *session, of int) (*build, error) {
	all, err := allModules(ctx, s)
	if err != nil {
		return nil, err
	}
	b := &build{Of: max(of, len(all)), Counts: map[stage]int{}, Modules: []standing{}}
	for _, st := range stages {
		b.Counts[st] = 0
	}
	for _, m := range all {
		checks, err := s.checks.List(ctx, &rigwardenv1.ListChecksRequest{Serial: m.GetSerial()})
		if err != nil {
			return nil, err
		}
		runs, err := moduleRuns(ctx, s, m.GetSerial())
		if err != nil {
			return nil, err
		}
		st := stand(m, latestChecks(checks.GetChecks()), runs)
		if st.Stage == stageRegistered || st.Stage == stageChecked {
			if err := st.charged(ctx, s, runs); err != nil {
				return nil, err
			}
		}
		b.Counts[st.Stage]++
		b.Modules = append(b.Modules, st)
	}
	return b, nil
}

// stand says where a module stands by its latest checks and its runs, the newest
// first; whether a run charged it is for charged to say.
func stand(m *rigwardenv1.Module, checks []*rigwardenv1.Check, runs []*rigwardenv1.Run) standing {
	st := standing{Module: m.GetSerial(), Stage: stageRegistered, Since: m.GetRegisteredUs(), Why: "by " + dash(m.GetRegisteredBy())}
	st.checked(checks)
	var ended []*rigwardenv1.Run
	for _, r := range runs {
		if r.GetOutcome() == rigwardenv1.Outcome_OUTCOME_RUNNING {
			st.Running = r.GetId()
		} else if r.GetOutcome() != rigwardenv1.Outcome_OUTCOME_REFUSED { // nothing was energised then
			ended = append(ended, r)
		}
	}
	for _, r := range ended {
		if v := r.GetVerdict(); v != rigwardenv1.Verdict_VERDICT_UNPROVEN {
			next := stageQualified
			if v == rigwardenv1.Verdict_VERDICT_FAIL || v == rigwardenv1.Verdict_VERDICT_CONDITIONAL_FAIL {
				next = stageHeld
			}
			st.reach(next, r.GetEndedUs(), r.GetId()+", "+r.GetProfile()+": "+word(v))
			break
		}
	}
	if len(ended) > 0 {
		switch r := ended[0]; r.GetOutcome() {
		case rigwardenv1.Outcome_OUTCOME_TRIPPED, rigwardenv1.Outcome_OUTCOME_FAILED, rigwardenv1.Outcome_OUTCOME_INTERRUPTED:
			st.reach(stageHeld, r.GetEndedUs(), strings.TrimSuffix(r.GetId()+" "+word(r.GetOutcome())+": "+r.GetReason(), ": "))
		}
	}
	for _, c := range checks {
		if heldBy(c) {
			st.reach(stageHeld, c.GetAtUs(), "first check ("+c.GetMethod()+"): "+c.GetGrade())
		}
	}
	return st
}

// checked takes in the first checks: one of them has to be of the voltages.
func (st *standing) checked(checks []*rigwardenv1.Check) {
	good, proven := int64(0), true
	var methods []string
	for _, c := range checks {
		if firstcheck.Grade(c.GetGrade()) != firstcheck.Good {
			proven = false
			continue
		}
		methods = append(methods, c.GetMethod())
		if c.GetMethod() == "hand" || c.GetMethod() == "taps" {
			good = max(good, c.GetAtUs())
		}
	}
	if good > 0 && proven {
		st.reach(stageChecked, good, "good by "+strings.Join(methods, ", "))
	}
}

func (st *standing) reach(next stage, at int64, why string) {
	st.Stage, st.Since, st.Why = next, at, why
}

// charged looks for the newest run that filled the module: one with a charge
// that ended by its taper.
func (st *standing) charged(ctx context.Context, s *session, runs []*rigwardenv1.Run) error {
	for _, run := range runs {
		got, err := s.runs.Get(ctx, &rigwardenv1.GetRunRequest{Run: run.GetId()})
		if err != nil {
			return err
		}
		r := &report{run: run}
		if err := r.judged(got); err != nil {
			return err
		}
		if r.Figures == nil {
			continue
		}
		for _, step := range r.Figures.Steps {
			if step.Kind == "charge" && step.Status == qualify.OK && strings.HasPrefix(step.End, "taper") {
				st.reach(stageCharged, run.GetEndedUs(), run.GetId()+", "+run.GetProfile())
				return nil
			}
		}
	}
	return nil
}

func (a *app) printBuild(b *build) {
	var parts []string
	for _, st := range stages {
		parts = append(parts, fmt.Sprintf("%d %s", b.Counts[st], st))
	}
	text := fmt.Sprintf("%d of %d registered and %d qualified: %s.", len(b.Modules), b.Of, b.Counts[stageQualified], strings.Join(parts, ", "))
	for _, l := range wrap(text, narrow) {
		fmt.Fprintln(a.out, l)
	}
	if len(b.Modules) == 0 {
		fmt.Fprintln(a.out, "register one with: rigwarden module add FILE")
		return
	}
	fmt.Fprintln(a.out)
	width := len("module")
	for _, m := range b.Modules {
		width = max(width, len([]rune(m.Module)))
	}
	t := newTable("module", "stage", "since (UTC)", "why")
	for _, m := range b.Modules {
		why := m.Why
		if m.Running != "" {
			why = m.Running + " is under way; " + why
		}
		// Module, stage, since and the gaps between leave this for the reason.
		for i, l := range wrap(why, max(narrow-width-len(stageChecked)-16-6, 20)) {
			if i == 0 {
				t.row(m.Module, string(m.Stage), minute(m.Since), l)
			} else {
				t.row("", "", "", l)
			}
		}
	}
	t.print(a.out)
}

// minute is a point in time to the minute.
func minute(us int64) string {
	s := day(us)
	return s[:min(len(s), len("2006-01-02 15:04"))]
}
