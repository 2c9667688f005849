package main

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// alert prints what a person must know; it must not block for long.
func (a *app) alert(n bench.Alert) {
	fmt.Fprintf(a.out, "%s: %s: %s\n", n.Bench, n.Severity, n.Text)
}

// printBench prints a bench and what takes its energy off, and how fast.
func (a *app) printBench(ctx context.Context, f *benchFile, b service.Bench) {
	fmt.Fprintf(a.out, "bench %s\n", f.describe())
	t, ok := b.(interface {
		Safety(context.Context) (bench.Safety, bool, error)
	})
	if !ok {
		fmt.Fprintln(a.out, "  simulated in its own time: nothing real is touched")
		return
	}
	s, ok, err := t.Safety(ctx)
	if err != nil || !ok {
		fmt.Fprintln(a.out, "  its host does not tell what takes its energy off; rigwarden bench show asks again")
		return
	}
	a.printSafety(service.SafetyToProto(&s))
}

// printSafety prints how the lease comes about, the worst time from each fault
// to zero current, and which silence limits were seen to work.
func (a *app) printSafety(s *rigwardenv1.Safety) {
	if s == nil {
		return
	}
	fmt.Fprintf(a.out, "\nlease %s; at least three frames of %s and the scheduling delay of %s (99.9 %%)\n",
		shortSpan(s.GetLeaseUs()), shortSpan(s.GetPeriodUs()), shortSpan(s.GetSchedulingUs()))
	t := newTable("  if this breaks", "this switches off", ">within")
	for _, p := range s.GetPaths() {
		within := "never: not for unattended runs"
		if p.WorstUs != nil {
			within = shortSpan(p.GetWorstUs())
		}
		t.row("  "+p.GetFault(), p.GetActs(), within)
	}
	t.print(a.out)
	for _, p := range s.GetProofs() {
		if p.GetProven() {
			fmt.Fprintf(a.out, "  %s: off by itself after %s of silence, proved %s UTC (found off after %s)\n",
				p.GetRole(), shortSpan(p.GetTimeoutUs()), day(p.GetAtUs()), shortSpan(p.GetTookUs()))
			continue
		}
		fmt.Fprintf(a.out, "  %s: off by itself after %s of silence, unproven: %s\n", p.GetRole(), shortSpan(p.GetTimeoutUs()), p.GetWhy())
	}
}
