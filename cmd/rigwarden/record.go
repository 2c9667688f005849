package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/record"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

type recordFlags struct {
	run, out, paper string
}

func (a *app) recordCmd() *cobra.Command {
	var f recordFlags
	c := &cobra.Command{
		Use:   "record MODULE",
		Short: "Write a module's record: one page to print, sign and file",
		Long: `Write the record of a module as one self-contained HTML file, made to be printed:
identity and nameplate text, verdict with each criterion's measured value, its
uncertainty and limit, plots, events, instruments, digests, cautions, handling, a
line for a signature. Taken is the module's latest run with a verdict, or --run.

The run is verified first, as by rigwarden verify. A module that did not pass, a
record that does not follow from its data, a later trip and a virtual bench stand
on the first page and in the head of every page; the exit code is 3 then.`,
		Example: "  rigwarden record KW-01\n  rigwarden record KW-01 --store rig.db --paper Letter --out KW-01.html",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			return a.record(cmd.Context(), s, args[0], f)
		}),
	}
	c.ValidArgsFunction = a.offerModules(1)
	c.Flags().StringVar(&f.run, "run", "", "take this run of the module (default the latest with a verdict)")
	c.Flags().StringVar(&f.out, "out", "", "file to write, - for standard output (default MODULE-RUN.html)")
	c.Flags().StringVar(&f.paper, "paper", record.Papers[0], "paper to set it for: "+strings.Join(record.Papers, " or "))
	if err := c.RegisterFlagCompletionFunc("paper", cobra.FixedCompletions(record.Papers, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err)
	}
	a.addWhere(c)
	return c
}

func (a *app) record(ctx context.Context, s *session, serial string, f recordFlags) error {
	runs, err := moduleRuns(ctx, s, serial)
	if err != nil {
		return err
	}
	run, err := chooseRun(serial, runs, f.run)
	if err != nil {
		return err
	}
	v, err := verify(ctx, s, run.GetId())
	if err != nil {
		return err
	}
	r, err := a.compose(ctx, s, v, runs, f.paper)
	if err != nil {
		return err
	}
	var page bytes.Buffer
	if err := r.Write(&page); err != nil {
		return usageError{err}
	}
	if f.out == "" {
		f.out = serial + "-" + run.GetId() + ".html"
	}
	if f.out == "-" {
		_, err = a.out.Write(page.Bytes())
	} else {
		err = writeNew(f.out, page.Bytes())
	}
	if err != nil {
		return err
	}
	return a.tellRecord(r, run.GetId(), f.out)
}

// tellRecord says what was written.
func (a *app) tellRecord(r *record.Record, run, out string) error {
	switch {
	case a.json && out != "-":
		err := a.printJSON(map[string]any{"module": r.Serial, "run": run, "file": out, "verdict": r.Head.Word, "passed": r.Head.Passed, "simulated": r.Head.Simulated, "why": r.Head.Why})
		if err != nil {
			return err
		}
	case out != "-":
		fmt.Fprintf(a.out, "%s: record of %s by run %s: %s\n", out, r.Serial, run, r.Head.Word)
		for _, w := range r.Head.Why {
			for k, l := range wrap(w, screen-4) {
				fmt.Fprintf(a.out, "%s%s\n", []string{"  - ", "    "}[min(k, 1)], l)
			}
		}
		if r.Head.Simulated {
			fmt.Fprintln(a.out, "It was made on a virtual bench, and says so: it releases no real module.")
		}
	}
	if !r.Head.Passed {
		return ending{exitNotPassed}
	}
	return nil
}

// writeNew writes a file that is not there yet; it has its name only once it is
// whole.
func writeNew(path string, text []byte) error {
	if _, err := os.Stat(path); err == nil {
		return usagef("%s exists already; another --out would be right", path)
	}
	part := path + ".part"
	if err := os.WriteFile(part, text, 0o644); err != nil {
		return usagef("%w", err)
	}
	return os.Rename(part, path)
}

// moduleRuns are a module's runs, the newest first.
func moduleRuns(ctx context.Context, s *session, serial string) ([]*rigwardenv1.Run, error) {
	if _, err := s.modules.Get(ctx, &rigwardenv1.GetModuleRequest{Serial: serial}); err != nil {
		return nil, err
	}
	var all []*rigwardenv1.Run
	for page := (&rigwardenv1.ListRunsRequest{Module: serial, Limit: 1000}); ; {
		r, err := s.runs.List(ctx, page)
		if err != nil {
			return nil, err
		}
		all = append(all, r.GetRuns()...)
		if !r.GetMore() || len(r.GetRuns()) == 0 {
			return all, nil
		}
		page.Before = all[len(all)-1].GetId()
	}
}

// chooseRun is the run that a person named, or the latest that was judged and
// whose verdict is more than unproven, or the latest that has ended.
func chooseRun(serial string, runs []*rigwardenv1.Run, named string) (*rigwardenv1.Run, error) {
	var ended *rigwardenv1.Run
	for _, r := range runs {
		switch {
		case named != "":
			if r.GetId() == named {
				return r, nil
			}
		case r.GetOutcome() == rigwardenv1.Outcome_OUTCOME_RUNNING:
		case r.GetVerdict() != rigwardenv1.Verdict_VERDICT_UNPROVEN:
			return r, nil
		case ended == nil:
			ended = r
		}
	}
	switch {
	case named != "":
		return nil, &service.Error{Kind: service.KindNotFound, What: fmt.Sprintf("module %s has no run %q", serial, named), Want: "rigwarden run list --module " + serial + " tells its runs"}
	case ended == nil:
		return nil, &service.Error{Kind: service.KindRefused, What: "module " + serial + " has no run that has ended", Want: "start one with rigwarden run start"}
	}
	return ended, nil
}

// compose gathers what the record shows of one verified run.
func (a *app) compose(ctx context.Context, s *session, v *verified, runs []*rigwardenv1.Run, paper string) (*record.Record, error) {
	run := v.got.GetRun()
	if run == nil { // what vouches for the run is gone; there is nothing to show
		return nil, &service.Error{Kind: service.KindUnreadable, What: strings.Join(v.Problems, "; "), Want: "rigwarden verify " + v.Run + " tells what does not fit"}
	}
	plan, err := profiles.Decode(v.got.GetPlan())
	if err != nil {
		return nil, fmt.Errorf("plan stored with run %s: %w", v.Run, err)
	}
	src := &record.Source{
		Paper: paper, Plan: plan, Run: run.GetId(), Bench: run.GetBench(), Who: run.GetWho(),
		From: drivers.Instant(run.GetStartedUs()), To: drivers.Instant(max(run.GetEndedUs(), run.GetLastFrameUs())),
		Outcome: endWords(run), Done: run.GetOutcome() == rigwardenv1.Outcome_OUTCOME_DONE, Virtual: run.GetVirtual(),
		PlanDigest: run.GetPlan(), Digest: v.Digest, Head: v.Chain.Head,
		Made: "made " + a.clock().UTC().Format("2006-01-02 15:04") + " UTC by rigwarden " + version(),
	}
	if v.Intact {
		src.Notes = v.Problems
	} else {
		src.Broken = v.Problems
	}
	stored := &report{run: run}
	if err := stored.judged(v.got); err == nil {
		src.Figures, src.Verdict = stored.Figures, stored.Verdict
	}
	if c, ps := profiles.ParseCriteria("criteria", []byte(v.got.GetCriteria())); len(ps) == 0 {
		src.Criteria = c
	}
	if src.Module, err = moduleOf(ctx, s, plan); err != nil {
		return nil, err
	}
	if src.Checks, src.Later, err = checksTold(ctx, s, plan.Module); err != nil {
		return nil, err
	}
	src.Later = append(src.Later, runsSince(runs, run)...)
	src.Runs = historyTold(runs, run)
	if v.Chain.Problem == "" {
		if err := trace(ctx, s, src); err != nil {
			return nil, err
		}
	}
	return record.Compose(src), nil
}

func endWords(r *rigwardenv1.Run) string {
	if r.GetReason() == "" {
		return word(r.GetOutcome())
	}
	return word(r.GetOutcome()) + ", " + r.GetReason()
}

// moduleOf is the file that the plan was made from, nil where an older program
// registered one that this program cannot read.
func moduleOf(ctx context.Context, s *session, plan *machine.Plan) (*profiles.Module, error) {
	r, err := s.modules.Get(ctx, &rigwardenv1.GetModuleRequest{Serial: plan.Module, Digest: plan.ModuleDigest})
	if err != nil && service.FromStatus(err).Kind == service.KindNotFound {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	m, _ := profiles.ParseModule(r.GetFile().GetName(), r.GetFile().GetContent())
	return m, nil
}

// trace passes the run's frames and records to what draws and tells them.
func trace(ctx context.Context, s *session, src *record.Source) error {
	r, err := service.Open(ctx, s.runs, src.Run)
	if err != nil {
		return err
	}
	defer r.Close()
	sight := &record.Sight{From: src.From, To: src.To, TempMax: float64(src.Plan.Limits.TempDischargeMax-drivers.ZeroC) / 1e3}
	if src.Figures != nil {
		sight.Steps = src.Figures.Steps
	}
	if src.Verdict != nil {
		sight.Limit = resistanceLimit(src.Verdict)
	}
	tracer := sight.Tracer(&src.Plan.Layout, src.Plan.Bench.Monitor.Period)
	src.Journal = record.NewJournal(src.From)
	for {
		it, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if it.Frame != nil {
			tracer.Frame(it.Frame)
			continue
		}
		if act, err := machine.ParseAction(it.Line); err == nil {
			if rec, ok := act.(machine.Record); ok {
				src.Journal.Record(it.At, rec)
			}
		}
	}
	figures := src.Figures
	if figures == nil {
		figures = &qualify.Figures{}
	}
	src.Plots = sight.Plots(tracer, figures)
	return nil
}

// resistanceLimit is the upper limit of the cells' resistance, where the criteria
// have one for the time at which cells are drawn.
func resistanceLimit(v *qualify.Verdict) *float64 {
	for _, j := range v.Judgements {
		if j.Figure == qualify.ResistanceName(false, 10, false) && !j.AtLeast && j.Unit == "mOhm" {
			return &j.Limit
		}
	}
	return nil
}
