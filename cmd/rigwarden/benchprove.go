package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
	"github.com/rigwarden/rigwarden/orchestrator/contactor"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func (a *app) benchProveCmd() *cobra.Command {
	var bench, module, profile string
	c := &cobra.Command{
		Use:   "prove [RUN]",
		Short: "Close and open the contactors, and report how they and the precharge behave",
		Long: `Close and open a bench's contactors on a module three times, and print a report that
can be filed; or, with RUN, print that of any run that closed them.

It tells for each closing: polarity, link and outputs beforehand, how the link behaves
with one pole closed, the measured time constant with its uncertainty against what
resistor, link and bleed of the bench file make of it, what the link lacked at the
end, and the energy that the resistor took; for each opening: the current, whether the
link came down, its own time constant, and when it is under 60 V. A time constant from
fewer than 10 link readings within three time constants is not measured.

A short, an open resistor, an early or late end of precharge, a welded contactor: each
trips, and the report says so. Stay beside the bench.

Exit code 0 says that everything is as the bench file says, 3 that something is not,
4 that the run tripped.`,
		Example: "  rigwarden bench prove --bench quay-1 --module KW-01\n  rigwarden bench prove r000002 --store rig.db",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if (len(args) == 1) == (bench != "" || module != "") || (bench == "") != (module == "") {
				return usagef("give --bench and --module to close contactors, or the RUN to report on")
			}
			s, err := a.open(cmd.Context())
			if err != nil {
				return err
			}
			defer s.close()
			if len(args) == 1 {
				return a.showContactors(cmd.Context(), s, args[0])
			}
			id, err := a.startAndFollow(cmd.Context(), s, bench, module, profile)
			if err != nil {
				return err
			}
			return a.showContactors(cmd.Context(), s, id)
		},
	}
	f := c.Flags()
	f.StringVar(&bench, "bench", "", "bench whose contactors to close")
	f.StringVar(&module, "module", "", "serial of the registered module on it")
	f.StringVar(&profile, "profile", "contactors", "profile file or name")
	a.addWhere(c)
	a.addWho(c)
	return c
}

// showContactors prints the contactor report of a run and ends with what it
// deserves.
func (a *app) showContactors(ctx context.Context, s *session, id string) error {
	r, err := readContactors(ctx, s, id)
	if err != nil {
		return err
	}
	if a.json {
		err = a.printJSON(r)
	} else {
		a.printContactors(r)
	}
	switch {
	case err != nil || r.Passed:
		return err
	case r.Trip != "":
		return ending{exitTripped}
	}
	return ending{exitNotPassed}
}

// readContactors collects a run's contactor report from the service.
func readContactors(ctx context.Context, s *session, id string) (*contactor.Report, error) {
	got, err := s.runs.Get(ctx, &rigwardenv1.GetRunRequest{Run: id})
	if err != nil {
		return nil, err
	}
	plan, err := profiles.Decode(got.GetPlan())
	if err != nil {
		return nil, fmt.Errorf("plan stored with run %s: %w", id, err)
	}
	if !contactor.Plans(plan) {
		return nil, usagef("run %s is of profile %s, which closes no contactor", id, plan.Profile)
	}
	reader := contactor.NewReader(plan)
	if err := eachLine(ctx, s, id, reader.Line); err != nil {
		return nil, err
	}
	frames, err := s.runs.Frames(ctx, &rigwardenv1.RunFramesRequest{Run: id})
	if err != nil {
		return nil, err
	}
	var dec block.Decoder
	var cols block.Columns
	var f drivers.Frame
	for {
		part, err := frames.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if err := dec.Decode(part.GetBlock(), &cols); err != nil {
			return nil, fmt.Errorf("frames of run %s: %w", id, err)
		}
		for i := range cols.Len() {
			cols.Frame(i, &f)
			reader.Frame(&f)
		}
	}
	run := got.GetRun()
	return reader.Report(contactor.Run{
		ID: run.GetId(), Bench: run.GetBench(), Module: run.GetModule(), Who: run.GetWho(), Start: drivers.Instant(run.GetStartedUs()),
		Outcome: outcomeOf(run), Reason: run.GetReason(), Virtual: run.GetVirtual(),
	}), nil
}

func outcomeOf(run *rigwardenv1.Run) machine.Outcome {
	if run.GetOutcome() == rigwardenv1.Outcome_OUTCOME_RUNNING {
		return ""
	}
	return machine.Outcome(word(run.GetOutcome()))
}

func (a *app) printContactors(r *contactor.Report) {
	if r.Simulated {
		fmt.Fprintln(a.out, "SIMULATED: virtual instruments measured this; it says nothing of a real bench.")
	}
	bleed := "none declared"
	if r.Bleed > 0 {
		bleed = fmt.Sprintf("%.4g kOhm", r.Bleed/1e3)
	}
	duty := "not declared: closings do not wait for the resistor"
	if r.MayTake > 0 {
		duty = fmt.Sprintf("may take %.4g J, and sheds it in %.4g s", r.MayTake, r.SheddingIn)
	}
	pairs(a.out,
		"contactors", "run "+r.Run+", bench "+r.Bench+" with module "+r.Module,
		"made", instant(int64(r.At))+" UTC by "+dash(r.Who),
		"bench file", fmt.Sprintf("resistor %.4g Ohm, link %.4g mF, bleed %s", r.Resistor, r.LinkF*1e3, bleed),
		"resistor", duty,
		"expected", fmt.Sprintf("%.1f ms within %.0f %%, the link at %.2f %% of the article", r.Expected*1e3, r.Tolerance*100, r.Final*100),
	)
	fmt.Fprintln(a.out)
	t := newTable("closing", ">article", ">link", "off", ">one pole", ">tau", ">from", ">took", ">residual", ">resistor")
	for i := range r.Closings {
		c := &r.Closings[i]
		tau, off := "not measured", "yes"
		if c.Tau > 0 {
			tau = fmt.Sprintf("%.1f +/- %.1f ms", c.Tau*1e3, c.Within*1e3)
		}
		if !c.Off || !c.Still {
			off = "NO"
		}
		t.row(fmt.Sprint(i+1), fmt.Sprintf("%.2f V", c.Article), fmt.Sprintf("%.2f V", c.Link), off, fmt.Sprintf("%+.2f V", c.NegativeRise),
			tau, fmt.Sprint(c.Readings), fmt.Sprintf("%.0f ms", c.Took*1e3), fmt.Sprintf("%.2f V", c.Residual), fmt.Sprintf("%.2f J", c.Energy))
	}
	t.print(a.out)
	fmt.Fprintln(a.out)
	t = newTable("opening", ">current", ">link after", ">was", ">its tau", ">under 60 V in")
	for i := range r.Openings {
		o := &r.Openings[i]
		tau, touch := "not measured", "-"
		if o.Tau > 0 {
			tau = fmt.Sprintf("%.1f s", o.Tau)
		}
		if o.Touch > 0 {
			touch = fmt.Sprintf("%.1f s", o.Touch)
		}
		t.row(fmt.Sprint(i+1), fmt.Sprintf("%.3f A", o.Current), fmt.Sprintf("%.1f s", o.After), fmt.Sprintf("%.2f V", o.Link), tau, touch)
	}
	t.print(a.out)
	fmt.Fprintln(a.out)
	for i := range r.Closings {
		if n := r.Closings[i].Note; n != "" {
			fmt.Fprintf(a.out, "closing %d: %s\n", i+1, n)
		}
	}
	for _, w := range r.Why {
		for _, l := range wrap(w, screen) {
			fmt.Fprintln(a.out, l)
		}
	}
	if r.Passed {
		fmt.Fprintln(a.out, a.paint(green, "as the bench file says"))
	} else {
		fmt.Fprintln(a.out, a.paint(red, "NOT as the bench file says"))
	}
}
