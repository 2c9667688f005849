package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func (a *app) runCmd() *cobra.Command {
	return group("run", "Start, steer and read runs",
		"  rigwarden run start --bench quay-1 --module KW-01\n  rigwarden run list",
		a.runStartCmd(), a.runWatchCmd(), a.runListCmd(), a.runShowCmd(),
		a.steerCmd("pause", rigwardenv1.Verb_VERB_PAUSE, "Pause a run: outputs off, contactors as they are"),
		a.steerCmd("resume", rigwardenv1.Verb_VERB_RESUME, "Resume a paused run"),
		a.steerCmd("stop", rigwardenv1.Verb_VERB_STOP, "Stop a run: zero current, then contactors open"),
		a.steerCmd("confirm", rigwardenv1.Verb_VERB_CONFIRM, "Answer a run that asks a person to do something"),
		a.steerCmd("acknowledge", rigwardenv1.Verb_VERB_ACKNOWLEDGE, "Clear the latch of a tripped run, with a reason"),
		a.runExportCmd(), a.runImportCmd(), a.runReplayCmd(), a.runJudgeCmd())
}

func (a *app) runStartCmd() *cobra.Command {
	var bench, module, profile, criteria string
	var watch bool
	var checked []string
	c := &cobra.Command{
		Use:   "start",
		Short: "Start a run on a bench",
		Long: `Start a run of a profile for a registered module on a bench. --profile and
--criteria take a path or the name of a shipped file. Everything is checked, and
the run is recorded, before anything energises.

A run that energises is refused before the module's first-voltage check is good,
and with nobody beside it over 60 V d.c. before its insulation check is; a module
in quarantine is energised by nobody. See rigwarden module check.

A real module with nobody beside it demands a proof of protections, no older than
30 days where the files do not say, and the safety checklist: start without
--checked tells its points.`,
		Example: "  rigwarden run start --bench quay-1 --module KW-01\n  rigwarden run start --bench b1 --module KW-02 --profile mine.yaml --watch",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			req := &rigwardenv1.StartRunRequest{Bench: bench, Module: module, Who: a.who, Checked: checked}
			var err error
			if req.Profile, err = sourceOf(profile); err != nil {
				return err
			}
			if req.Criteria, err = sourceOf(criteria); err != nil {
				return err
			}
			s, err := a.open(cmd.Context())
			if err != nil {
				return err
			}
			defer s.close()
			r, err := s.runs.Start(cmd.Context(), req)
			if err != nil {
				return err
			}
			if watch {
				return a.watchRun(cmd.Context(), s, r.GetRun().GetId())
			}
			if a.json {
				return a.printJSON(r)
			}
			fmt.Fprintf(a.out, "%s started: %s for %s on bench %s, about %s\n", r.GetRun().GetId(),
				r.GetRun().GetProfile(), r.GetRun().GetModule(), r.GetRun().GetBench(), clockSpan(r.GetPreview().GetSpanUs()))
			fmt.Fprintf(a.out, "watch it: rigwarden run watch %s\nstop it:  rigwarden run stop %s\n", r.GetRun().GetId(), r.GetRun().GetId())
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&bench, "bench", "", "bench to run on (required)")
	f.StringVar(&module, "module", "", "serial of the registered module (required)")
	f.StringVar(&profile, "profile", "", "profile file or name (default \"qualify\")")
	f.StringVar(&criteria, "criteria", "", "criteria file or name (default the shipped ones)")
	addChecked(c, &checked)
	f.BoolVar(&watch, "watch", false, "stay and watch; Ctrl-C ends the watching, never the run")
	for _, n := range []string{"bench", "module"} {
		if err := c.MarkFlagRequired(n); err != nil {
			panic(err)
		}
	}
	a.addWhere(c)
	a.addWho(c)
	return c
}

// addChecked adds the flag by which a person answers for the safety checklist.
func addChecked(c *cobra.Command, to *[]string) {
	c.Flags().StringSliceVar(to, "checked", nil, "points of the safety checklist that you looked at, with commas between")
}

func (a *app) runWatchCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "watch RUN",
		Short:   "Watch a run to its end and tell how it ended",
		Long:    "Watch a run to its end and tell how it ended. Ctrl-C ends the watching, never\nthe run.",
		Example: "  rigwarden run watch r000001",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			return a.watchRun(cmd.Context(), s, args[0])
		}),
	}
	a.addWhere(c)
	return c
}

func (a *app) runListCmd() *cobra.Command {
	var module, bench string
	var limit uint32
	c := &cobra.Command{
		Use:     "list",
		Short:   "List runs, the newest first",
		Example: "  rigwarden run list\n  rigwarden run list --store rig.db --module KW-01 --json",
		Args:    cobra.NoArgs,
		RunE: a.on(func(cmd *cobra.Command, s *session, _ []string) error {
			r, err := s.runs.List(cmd.Context(), &rigwardenv1.ListRunsRequest{Module: module, Bench: bench, Limit: limit})
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(r)
			}
			if len(r.GetRuns()) == 0 {
				fmt.Fprintln(a.out, "no runs")
				return nil
			}
			t := newTable("run", "module", "profile", "bench", "started (UTC)", ">took", "ended", "verdict")
			for _, run := range r.GetRuns() {
				took := "-"
				if run.GetEndedUs() > 0 {
					took = clockSpan(run.GetEndedUs() - run.GetStartedUs())
				}
				verdict := word(run.GetVerdict())
				if run.GetOutcome() == rigwardenv1.Outcome_OUTCOME_RUNNING {
					verdict = "-" // nothing can be said before its end
				}
				t.row(run.GetId(), run.GetModule(), run.GetProfile(), run.GetBench(), day(run.GetStartedUs()), took, word(run.GetOutcome()), verdict)
			}
			t.print(a.out)
			if r.GetMore() {
				fmt.Fprintln(a.out, "there are more; see --limit")
			}
			return nil
		}),
	}
	c.Flags().StringVar(&module, "module", "", "only runs of this module")
	c.Flags().StringVar(&bench, "bench", "", "only runs on this bench")
	c.Flags().Uint32Var(&limit, "limit", 50, "at most this many, up to 1000")
	a.addWhere(c)
	return c
}

func (a *app) runShowCmd() *cobra.Command {
	var events bool
	c := &cobra.Command{
		Use:     "show RUN",
		Short:   "Show a run: its steps, figures and verdict",
		Example: "  rigwarden run show r000001 --store rig.db\n  rigwarden run show r000001 --events",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			if events && !a.json {
				return a.printEvents(cmd, s, args[0])
			}
			t, err := a.read(cmd.Context(), s, args[0])
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(t)
			}
			a.printReport(t)
			return nil
		}),
	}
	c.Flags().BoolVar(&events, "events", false, "print every recorded line instead")
	a.addWhere(c)
	return c
}

// printEvents prints the recorded lines as they are, with their instants.
func (a *app) printEvents(cmd *cobra.Command, s *session, id string) error {
	st, err := s.runs.Events(cmd.Context(), &rigwardenv1.RunEventsRequest{Run: id})
	if err != nil {
		return err
	}
	for {
		r, err := st.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		for _, l := range r.GetLines() {
			fmt.Fprintf(a.out, "%8d  %s  %s\n", l.GetSeq(), instant(l.GetAtUs()), l.GetLine())
		}
	}
}

// steerCmd makes a command that passes a person's word to a run.
func (a *app) steerCmd(name string, verb rigwardenv1.Verb, short string) *cobra.Command {
	var reason string
	c := &cobra.Command{
		Use: name + " RUN", Short: short,
		Example: "  rigwarden run " + name + " r000001",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			if _, err := s.runs.Command(cmd.Context(), &rigwardenv1.CommandRunRequest{Run: args[0], Verb: verb, Who: a.who, Reason: reason}); err != nil {
				return err
			}
			if a.json {
				return a.printJSON(map[string]any{"run": args[0], "command": name, "accepted": true})
			}
			fmt.Fprintf(a.out, "%s: %s accepted\n", args[0], name)
			return nil
		}),
	}
	c.Flags().StringVar(&reason, "reason", "", "why, for the record")
	if verb == rigwardenv1.Verb_VERB_ACKNOWLEDGE {
		c.Example = "  rigwarden run acknowledge r000001 --reason \"tap 7 re-crimped, read back by meter\""
		if err := c.MarkFlagRequired("reason"); err != nil {
			panic(err)
		}
	}
	a.addWhere(c)
	a.addWho(c)
	return c
}
