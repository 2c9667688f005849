package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func (a *app) benchCmd() *cobra.Command {
	return group("bench", "Check a bench; list, show and watch those of an orchestrator",
		"  rigwarden bench check bench.yaml\n  rigwarden bench list\n  rigwarden bench watch quay-1",
		a.benchCheckCmd(), a.benchProveCmd(), a.benchListCmd(), a.benchShowCmd(), a.benchWatchCmd(), a.benchEnableCmd())
}

func (a *app) benchListCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "list",
		Short:   "List benches and what each is doing",
		Example: "  rigwarden bench list\n  rigwarden bench list --server unix:/run/rigwarden.sock --json",
		Args:    cobra.NoArgs,
		RunE: a.on(func(cmd *cobra.Command, s *session, _ []string) error {
			r, err := s.benches.List(cmd.Context(), &rigwardenv1.ListBenchesRequest{})
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(r)
			}
			if len(r.GetBenches()) == 0 {
				fmt.Fprintln(a.out, "no benches here; an orchestrator gets them by: rigwarden serve --bench FILE")
				return nil
			}
			t := newTable("bench", "doing", "run", "module", "step", ">left", ">voltage", ">current")
			for _, b := range r.GetBenches() {
				t.row(b.GetBench(), word(b.GetPhase()), dash(b.GetRun()), dash(b.GetModule()), dash(b.GetStep()),
					clockSpan(b.GetRunLeftUs()), maybe(b.VoltageUv, volts), maybe(b.CurrentUa, amps))
			}
			t.print(a.out)
			for _, b := range r.GetBenches() {
				if b.GetLatched() != "" {
					fmt.Fprintf(a.out, "%s is latched: %s\n", b.GetBench(), b.GetLatched())
				}
			}
			return nil
		}),
	}
	a.addWhere(c)
	return c
}

func (a *app) benchShowCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "show BENCH",
		Short:   "Show one bench: its state, readings, instruments, and what takes its energy off",
		Example: "  rigwarden bench show quay-1",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			r, err := s.benches.Get(cmd.Context(), &rigwardenv1.GetBenchRequest{Bench: args[0]})
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(r)
			}
			a.printStatus(r.GetStatus())
			if len(r.GetInstruments()) > 0 {
				fmt.Fprintln(a.out)
				t := newTable("instrument", "driver", "address")
				for _, i := range r.GetInstruments() {
					t.row(i.GetRole(), i.GetDriver(), dash(i.GetAddress()))
				}
				t.print(a.out)
			}
			a.printSafety(r.GetSafety())
			return nil
		}),
	}
	a.addWhere(c)
	return c
}

func (a *app) printStatus(b *rigwardenv1.BenchStatus) {
	pairs(a.out,
		"bench", b.GetBench(),
		"doing", word(b.GetPhase()),
		"run", dash(b.GetRun()),
		"module", dash(b.GetModule()),
		"step", dash(b.GetStep())+" "+b.GetStage(),
		"in step, left", clockSpan(b.GetStepSpanUs())+", "+clockSpan(b.GetStepLeftUs()),
		"voltage", maybe(b.VoltageUv, volts),
		"current", maybe(b.CurrentUa, amps),
		"lease", shortSpan(b.GetLeaseUs()),
	)
	if b.GetLatched() != "" {
		pairs(a.out, "latched", b.GetLatched())
	}
	if len(b.GetCells()) == 0 {
		return
	}
	fmt.Fprintln(a.out)
	a.printReadings("cell", b.GetCells(), volts)
	a.printReadings("temperature", b.GetTemperatures(), celsius)
}

// printReadings prints every channel, six to a line; a bleeding cell is marked
// with "b".
func (a *app) printReadings(name string, rs []*rigwardenv1.Reading, f func(int64) string) {
	for i, r := range rs {
		if i%6 == 0 {
			if i > 0 {
				fmt.Fprintln(a.out)
			}
			fmt.Fprintf(a.out, "%-12s", fmt.Sprintf("%s %d", name, i+1))
		}
		mark := " "
		if r.GetBleeding() {
			mark = "b"
		}
		fmt.Fprintf(a.out, "%13s%s", maybe(r.Value, f), mark)
	}
	fmt.Fprintln(a.out)
}

func (a *app) benchWatchCmd() *cobra.Command {
	c := &cobra.Command{
		Use:   "watch BENCH",
		Short: "Watch a bench until interrupted",
		Long: `Watch a bench until interrupted with Ctrl-C, which stops the watching and never
the run. With --json a single object, the latest status, is printed at once.`,
		Example: "  rigwarden bench watch quay-1\n  rigwarden bench watch quay-1 --json",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			period := 200 * time.Millisecond
			if !a.terminal() {
				period = time.Second
			}
			st, err := s.benches.Watch(cmd.Context(), &rigwardenv1.WatchBenchRequest{Bench: args[0], PeriodUs: period.Microseconds()})
			if err != nil {
				return err
			}
			p := a.newProgress()
			defer p.done()
			for {
				r, err := st.Recv()
				switch {
				case errors.Is(err, io.EOF), err != nil && cmd.Context().Err() != nil:
					return nil
				case err != nil:
					return err
				case a.json:
					return a.printJSON(r)
				}
				p.status(r.GetStatus())
			}
		}),
	}
	a.addWhere(c)
	return c
}
