package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// report is everything a person wants to know of a run.
type report struct {
	Run     map[string]any   `json:"run"`
	Steps   []stepTold       `json:"steps"`
	Trip    *tripTold        `json:"trip"`
	Balance *balanceTold     `json:"balance,omitempty"`
	Figures *qualify.Figures `json:"figures"`
	Verdict *qualify.Verdict `json:"verdict"`
	// Store and Further are what demo adds: where it is and how to look at it.
	Store   string   `json:"store,omitempty"`
	Further []string `json:"further,omitempty"`

	// Simulated says that virtual instruments measured.
	Simulated bool `json:"simulated"`

	run *rigwardenv1.Run
}

// read collects a run's report from the service.
func (a *app) read(ctx context.Context, s *session, id string) (*report, error) {
	got, err := s.runs.Get(ctx, &rigwardenv1.GetRunRequest{Run: id})
	if err != nil {
		return nil, err
	}
	st := &story{}
	simulated := got.GetRun().GetVirtual()
	if plan, err := profiles.Decode(got.GetPlan()); err == nil {
		st.layout = &plan.Layout
		simulated = simulated || plan.Bench.Simulated()
	}
	events, err := s.runs.Events(ctx, &rigwardenv1.RunEventsRequest{Run: id})
	if err != nil {
		return nil, err
	}
	for {
		r, err := events.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		for _, l := range r.GetLines() {
			st.add(l)
			st.balance(l)
		}
	}
	out := &report{Run: jsonOf(got.GetRun()), Steps: st.Steps, Trip: st.Trip, Balance: st.Balance, Simulated: simulated, run: got.GetRun()}
	return out, out.judged(got)
}

// judged takes in what the judge handed back.
func (r *report) judged(got *rigwardenv1.GetRunResponse) error {
	if len(got.GetFigures()) == 0 {
		return nil
	}
	if err := json.Unmarshal(got.GetFigures(), &r.Figures); err != nil {
		return fmt.Errorf("figures of run %s: %w", r.run.GetId(), err)
	}
	if err := json.Unmarshal(got.GetReasons(), &r.Verdict); err != nil {
		return fmt.Errorf("verdict of run %s: %w", r.run.GetId(), err)
	}
	return nil
}

// exit is the exit code that a finished run deserves.
func (r *report) exit() error {
	switch {
	case r.run.GetOutcome() == rigwardenv1.Outcome_OUTCOME_TRIPPED:
		return ending{exitTripped}
	case r.run.GetOutcome() == rigwardenv1.Outcome_OUTCOME_REFUSED:
		return ending{exitRefused}
	case r.run.GetVerdict() == rigwardenv1.Verdict_VERDICT_PASS:
		return nil
	}
	return ending{exitNotPassed}
}

func (a *app) printReport(r *report) {
	took := "still under way"
	if r.run.GetEndedUs() > 0 {
		took = clockSpan(r.run.GetEndedUs() - r.run.GetStartedUs())
	}
	if r.Simulated {
		fmt.Fprintln(a.out, "SIMULATED: virtual instruments measured this; it says nothing of a real module.")
	}
	pairs(a.out,
		"run", r.run.GetId()+", "+r.run.GetProfile()+" for "+r.run.GetModule()+" on bench "+r.run.GetBench(),
		"started", instant(r.run.GetStartedUs())+" UTC by "+dash(r.run.GetWho()),
		"took", took,
		"frames", fmt.Sprint(r.run.GetFrames()),
		"ended", endText(r),
	)
	if len(r.Steps) > 0 {
		fmt.Fprintln(a.out)
		t := newTable(">at", "step", ">pass", ">took", ">charge", ">energy", "ended by")
		for _, s := range r.Steps {
			t.row(clockSpan(s.Began-r.run.GetStartedUs()), s.Label, fmt.Sprint(s.Pass), shortSpan(s.Span), ampHours(s.Charge), wattHours(s.Energy), s.End)
		}
		t.print(a.out)
	}
	if b := r.Balance; b != nil {
		fmt.Fprintf(a.out, "\nbalance at %s: %s\n", clockSpan(b.At-r.run.GetStartedUs()), b.sum())
		for _, l := range b.lines() {
			fmt.Fprintln(a.out, "  "+l)
		}
	}
	fmt.Fprintln(a.out)
	if r.Trip != nil {
		a.tell(r.Trip, r.run.GetId(), r.run.GetBench(), a.store)
		fmt.Fprintln(a.out)
	}
	a.printFigures(r.Figures)
	a.printVerdict(r)
}

// endText says how a run ended; a trip is told in full elsewhere.
func endText(r *report) string {
	if r.run.GetOutcome() == rigwardenv1.Outcome_OUTCOME_RUNNING {
		return "not yet"
	}
	if r.run.GetReason() == "" || r.Trip != nil {
		return word(r.run.GetOutcome())
	}
	return word(r.run.GetOutcome()) + ": " + r.run.GetReason()
}

// noteWidth leaves room for the other columns on a screen.
const noteWidth = 34

func (a *app) printFigures(f *qualify.Figures) {
	if f == nil || len(f.Figures) == 0 {
		return
	}
	t := newTable("figure", ">value", ">+/- (95 %)", "unit", "note")
	for _, r := range f.Table() {
		for i, note := range wrap(r.Note, noteWidth) {
			if i == 0 {
				t.row(r.Name, dash(r.Value), dash(r.Interval), r.Unit, note)
			} else {
				t.row("", "", "", "", note)
			}
		}
	}
	t.print(a.out)
	for _, o := range f.Odd {
		fmt.Fprintf(a.out, "odd: cell %d, %s %.4g %s where its siblings have %.4g (z %.1f): %s\n", o.Cell, o.Figure, o.Value, o.Unit, o.Median, o.Z, o.Hint)
	}
	for _, n := range f.Notes {
		fmt.Fprintf(a.out, "note: %s\n", n)
	}
	fmt.Fprintln(a.out)
}

func (a *app) printVerdict(r *report) {
	if r.run.GetOutcome() == rigwardenv1.Outcome_OUTCOME_RUNNING {
		fmt.Fprintln(a.out, "verdict: none yet, the run is under way")
		return
	}
	if r.Verdict == nil {
		fmt.Fprintf(a.out, "verdict: %s\n", strings.ToUpper(word(r.run.GetVerdict())))
		if r.run.GetEndedUs() > 0 {
			fmt.Fprintf(a.out, "  not judged yet: rigwarden run judge %s\n", r.run.GetId())
		}
		return
	}
	colour := red
	if r.Verdict.Decision == qualify.Pass {
		colour = green
	}
	fmt.Fprintf(a.out, "verdict: %s by the criteria %s\n", a.paint(colour, strings.ToUpper(string(r.Verdict.Decision))), dash(r.Verdict.Criteria))
	var kv []string
	for _, j := range r.Verdict.Judgements {
		kv = append(kv, "  "+string(j.Decision), j.Reason)
	}
	pairs(a.out, kv...)
	if todo := qualify.SetAside(r.run.GetModule(), "", r.Verdict.Decision); todo != "" {
		fmt.Fprintln(a.out, todo)
	}
}

// clip shortens a text that would break a table's line.
func clip(s string, n int) string {
	rs := []rune(s)
	if len(rs) <= n {
		return s
	}
	return string(rs[:n-3]) + "..."
}
