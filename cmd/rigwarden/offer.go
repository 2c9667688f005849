package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// offerTimeout bounds how long a shell waits for what an orchestrator knows.
const offerTimeout = 2 * time.Second

// asked opens the session that the words so far name; nil where nobody answers:
// the shell then offers nothing, and no error disturbs the line being typed.
func (a *app) asked(cmd *cobra.Command) (context.Context, *session, func()) {
	ctx, cancel := context.WithTimeout(cmd.Context(), offerTimeout)
	s, err := a.open(ctx)
	if err != nil {
		cancel()
		return nil, nil, func() {}
	}
	return ctx, s, func() { s.close(); cancel() }
}

// offerModules completes the serials of registered modules, as many as most
// arguments; -1 for any number.
func (a *app) offerModules(most int) func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		ctx, s, done := a.asked(cmd)
		defer done()
		if s == nil || most >= 0 && len(args) >= most {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		all, _ := allModules(ctx, s)
		var out []string
		for _, m := range all {
			out = append(out, m.GetSerial())
		}
		return out, cobra.ShellCompDirectiveNoFileComp
	}
}

// offerRuns completes the latest runs, each with what it was.
func (a *app) offerRuns(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
	ctx, s, done := a.asked(cmd)
	defer done()
	if s == nil || len(args) > 0 {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	r, err := s.runs.List(ctx, &rigwardenv1.ListRunsRequest{})
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	var out []string
	for _, run := range r.GetRuns() {
		out = append(out, run.GetId()+"\t"+run.GetProfile()+" for "+run.GetModule()+", "+word(run.GetOutcome()))
	}
	return out, cobra.ShellCompDirectiveNoFileComp
}
