package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/service"
)

func (a *app) runJudgeCmd() *cobra.Command {
	c := &cobra.Command{
		Use:   "judge RUN",
		Short: "Compute a finished run's figures and verdict",
		Long: `Read a finished run, compute its figures with their uncertainties, judge them by
the criteria stored with the run and hand both back, once. serve starts this by
itself for each finished run. With --store nothing is handed back.`,
		Example: "  rigwarden run judge r000001\n  rigwarden run judge r000001 --store rig.db --json",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			j, err := service.Judge(cmd.Context(), s.runs, args[0])
			if err != nil {
				return err
			}
			if a.store == "" {
				if err := j.HandBack(cmd.Context(), s.runs, args[0]); err != nil {
					return err
				}
			}
			r, err := a.read(cmd.Context(), s, args[0])
			if err != nil {
				return err
			}
			r.Figures, r.Verdict = j.Figures, j.Verdict
			r.run.Verdict = service.VerdictToProto(string(j.Verdict.Decision))
			r.Run = jsonOf(r.run)
			if a.json {
				if err := a.printJSON(r); err != nil {
					return err
				}
				return r.exit()
			}
			fmt.Fprintf(a.out, "%s: digest of what was read %s\n\n", args[0], j.Digest)
			a.printFigures(r.Figures)
			a.printVerdict(r)
			return r.exit()
		}),
	}
	a.addWhere(c)
	return c
}
