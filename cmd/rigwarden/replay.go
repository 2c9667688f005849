package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/service"
)

func (a *app) runReplayCmd() *cobra.Command {
	c := &cobra.Command{
		Use:   "replay RUN",
		Short: "Feed a recorded run through the machine again and compare",
		Long: `Feed the frames and events of a recorded run, with the plan stored beside them,
through today's machine and compare what it decides with what was recorded. A
newer machine may decide otherwise: differences are listed, and the exit code is
3, but the record is not thereby wrong.`,
		Example: "  rigwarden run replay r000001 --store rig.db",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			r, err := service.Open(cmd.Context(), s.runs, args[0])
			if err != nil {
				return err
			}
			defer r.Close()
			rep, err := bench.Replay(r.Plan, r.Lines(), r.Frames())
			if err != nil {
				return fmt.Errorf("replay of %s: %w", args[0], err)
			}
			if a.json {
				if err := a.printJSON(rep); err != nil {
					return err
				}
			} else {
				a.printReplay(args[0], rep)
			}
			if rep.Differing > 0 {
				return ending{exitNotPassed}
			}
			return nil
		}),
	}
	a.addWhere(c)
	return c
}

// replayShown bounds how many differences are printed.
const replayShown = 20

func (a *app) printReplay(id string, r *bench.Report) {
	fmt.Fprintf(a.out, "%s: %d frames and %d events gave %d actions\n", id, r.Frames, r.Events, r.Actions)
	if r.Open {
		fmt.Fprintln(a.out, "the record breaks off before the run's end")
	}
	if r.Differing == 0 {
		fmt.Fprintln(a.out, "every action is the recorded one")
		return
	}
	fmt.Fprintf(a.out, "%d inputs are answered otherwise than recorded\n", r.Differing)
	for i, d := range r.Differences {
		if i == replayShown {
			fmt.Fprintf(a.out, "and %d more\n", r.Differing-replayShown)
			break
		}
		fmt.Fprintf(a.out, "%d  %s UTC\n", d.Seq, instant(int64(d.At)))
		for _, l := range d.Then {
			fmt.Fprintf(a.out, "  recorded: %s\n", l)
		}
		for _, l := range d.Now {
			fmt.Fprintf(a.out, "  today:    %s\n", l)
		}
	}
}
