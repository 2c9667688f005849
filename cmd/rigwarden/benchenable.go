package main

import (
	"fmt"
	"net"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// benchEnableCmd gives what a client elsewhere cannot give itself.
func (a *app) benchEnableCmd() *cobra.Command {
	var span string
	c := &cobra.Command{
		Use:   "enable BENCH",
		Short: "Let one command from elsewhere energise a bench, for a short time",
		Long: `Let one command from elsewhere energise a bench, for a short time: whoever gives
it has looked at the bench. Starting and resuming runs, acknowledging a trip,
answering a question, going on with a queue and changing one that goes need a local
enable. Commands over
the orchestrator's own socket, by its own user on its own machine, are given there
and need nothing more; those over a port (serve --listen HOST:PORT) need this one,
which is refused over a port itself. Stop and pause never need any.`,
		Example: "  rigwarden bench enable quay-1\n  rigwarden bench enable quay-1 --for \"2 min\" --who \"test engineer\"",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			q := &rigwardenv1.EnableBenchRequest{Bench: args[0], Who: a.who}
			if span != "" {
				v, err := profiles.ParseQuantity(span, profiles.DimTime)
				if err != nil {
					return usagef("--for: %w", err)
				}
				q.ForUs = v
			}
			r, err := s.benches.Enable(cmd.Context(), q)
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(r)
			}
			fmt.Fprintf(a.out, "%s: one command from elsewhere may energise, until %s UTC\n", args[0], day(r.GetUntilUs()))
			return nil
		}),
	}
	c.Flags().StringVar(&span, "for", "", "how long it holds, at most 1 h (default \"10 min\")")
	a.addWhere(c)
	a.addWho(c)
	return c
}

// listenLocal opens the socket of this user alone beside a port: what energises
// comes over it, or is enabled over it. Nil where the address is one already.
func listenLocal(address, local string) (net.Listener, string, error) {
	if strings.HasPrefix(address, "unix:") {
		if local != "" {
			return nil, "", usagef("--local %s: --listen %s is such a socket already; one of them would be right", local, address)
		}
		return nil, "", nil
	}
	if local == "" {
		local = "unix:" + defaultSocket()
	}
	path, ok := strings.CutPrefix(local, "unix:")
	if !ok {
		return nil, "", usagef("--local %s is no socket of this machine; unix:/path/to/socket would be right", local)
	}
	l, err := listenUnix(path)
	return l, local, err
}
