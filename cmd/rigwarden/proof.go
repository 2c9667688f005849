package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/proof"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func (a *app) proveCmd() *cobra.Command {
	var bench, module, profile string
	c := &cobra.Command{
		Use:   "prove [RUN]",
		Short: "Prove that each protection takes the current off in its time",
		Long: `Run the proof of a bench's protections with a module, and print it on one page; or,
with RUN, print the proof of a run that was made before.

Each row shifts one limit into the safe range and drives through it gently. The true
limits stay armed beside it: whatever trips them is a trip, latches, and fails the
proof. The page says for each row which limit, at which reading, the times to the off
command, to zero current and to open contactors against what is allowed, and what of
the way was exercised and what was not.

Somebody must be beside the bench: the emergency stop is pressed and released by hand,
and the run then waits for "rigwarden run confirm".

A proof belongs to one bench file and one module file. After a change of wiring or
firmware, or of either file, prove again. A bench or profile file that says
"proof_within: 30 d" has runs with nobody beside them refused without a proof no
older than that.

Exit code 0 says that every row passed, 3 that one failed or is missing, 4 that
something else tripped.`,
		Example: "  rigwarden prove --bench quay-1 --module KW-01\n  rigwarden prove r000004 --store rig.db --json",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if (len(args) == 1) == (bench != "" || module != "") || (bench == "") != (module == "") {
				return usagef("give --bench and --module to prove, or the RUN whose proof to print")
			}
			s, err := a.open(cmd.Context())
			if err != nil {
				return err
			}
			defer s.close()
			if len(args) == 1 {
				return a.showProof(cmd.Context(), s, args[0])
			}
			id, err := a.startAndFollow(cmd.Context(), s, bench, module, profile)
			if err != nil {
				return err
			}
			return a.showProof(cmd.Context(), s, id)
		},
	}
	f := c.Flags()
	f.StringVar(&bench, "bench", "", "bench to prove")
	f.StringVar(&module, "module", "", "serial of the registered module to prove it with")
	f.StringVar(&profile, "profile", "proof", "profile file or name")
	a.addWhere(c)
	a.addWho(c)
	return c
}

// startAndFollow starts a run and shows it to its end.
func (a *app) startAndFollow(ctx context.Context, s *session, bench, module, profile string) (id string, err error) {
	req := &rigwardenv1.StartRunRequest{Bench: bench, Module: module, Who: a.who}
	if req.Profile, err = sourceOf(profile); err != nil {
		return "", err
	}
	r, err := s.runs.Start(ctx, req)
	if err != nil {
		return "", err
	}
	id = r.GetRun().GetId()
	if _, err := a.follow(ctx, s, id); err != nil {
		if ctx.Err() != nil {
			fmt.Fprintf(a.err, "no longer watching; %s goes on\n", id)
			return "", ending{exitUnwatched}
		}
		return "", err
	}
	if !a.json {
		fmt.Fprintln(a.out)
	}
	return id, nil
}

// eachLine hands every recorded line of a run to fn.
func eachLine(ctx context.Context, s *session, id string, fn func(string)) error {
	events, err := s.runs.Events(ctx, &rigwardenv1.RunEventsRequest{Run: id})
	if err != nil {
		return err
	}
	for {
		part, err := events.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		for _, l := range part.GetLines() {
			fn(l.GetLine())
		}
	}
}

// showProof prints the proof of a run and ends with what it deserves.
func (a *app) showProof(ctx context.Context, s *session, id string) error {
	r, tripped, err := readProof(ctx, s, id)
	if err != nil {
		return err
	}
	if a.json {
		err = a.printJSON(r)
	} else {
		a.printProof(r)
	}
	switch {
	case err != nil:
		return err
	case r.Verdict == proof.Pass:
		return nil
	case tripped:
		return ending{exitTripped}
	}
	return ending{exitNotPassed}
}

// readProof collects a run's proof from the service.
func readProof(ctx context.Context, s *session, id string) (r *proof.Report, tripped bool, err error) {
	got, err := s.runs.Get(ctx, &rigwardenv1.GetRunRequest{Run: id})
	if err != nil {
		return nil, false, err
	}
	plan, err := profiles.Decode(got.GetPlan())
	if err != nil {
		return nil, false, fmt.Errorf("plan stored with run %s: %w", id, err)
	}
	reader := proof.NewReader(plan)
	if err := eachLine(ctx, s, id, reader.Line); err != nil {
		return nil, false, err
	}
	run := got.GetRun()
	outcome := outcomeOf(run)
	return reader.Report(proof.Run{
		ID: run.GetId(), Bench: run.GetBench(), Module: run.GetModule(), Profile: run.GetProfile(), PlanDigest: fmt.Sprintf("%x", sha256.Sum256(got.GetPlan())),
		Who: run.GetWho(), Start: drivers.Instant(run.GetStartedUs()), Outcome: outcome, Reason: run.GetReason(), Virtual: run.GetVirtual(),
	}), outcome == machine.OutcomeTripped, nil
}

func (a *app) printProof(r *proof.Report) {
	if r.Simulated {
		fmt.Fprintln(a.out, "SIMULATED: virtual instruments proved this; it says nothing of a real bench.")
	}
	pairs(a.out,
		"proof", "run "+r.Run+", "+r.Profile+" for "+r.Module+" on bench "+r.Bench,
		"made", instant(int64(r.At))+" UTC by "+dash(r.Who),
		"bench file", dash(r.BenchDigest),
		"module file", dash(r.ModuleDigest),
	)
	fmt.Fprintln(a.out)
	t := newTable("protection", ">limit", ">read", ">off", ">zero", ">open", ">allowed", "verdict")
	for i := range r.Rows {
		row := &r.Rows[i]
		unit := proofUnit(row.Protection)
		read := "-"
		if row.Channel != "" && unit != "us" {
			read = proofQuantity(row.Value, unit)
		}
		limit := "-"
		if row.What != "" && row.Limit != 0 {
			limit = proofQuantity(row.Limit, unit)
		}
		t.row(profiles.ProtectionWord(row.Protection), limit, read, since(row.ToOff), since(row.ToZero), since(row.ToOpen),
			fmt.Sprintf("%d/%d/%d", row.Off/drivers.Millisecond, row.Zero/drivers.Millisecond, row.Open/drivers.Millisecond), strings.ToUpper(string(row.Verdict)))
	}
	t.print(a.out)
	fmt.Fprint(a.out, "times in ms from the first reading beyond the limit, or from when data or lease were held back\n\n")
	t = newTable("protection", "exercised", "not exercised")
	var zero, open []string
	for i := range r.Rows {
		row := &r.Rows[i]
		t.row(profiles.ProtectionWord(row.Protection), dash(strings.Join(row.Links, " ")), dash(strings.Join(row.Untouched, " ")))
		zero, open = append(zero, dash(row.ZeroBy)), append(open, dash(row.OpenBy))
	}
	t.print(a.out)
	fmt.Fprintf(a.out, "no current seen by %s, open contactors by %s\n", seenBy(zero), seenBy(open))
	fmt.Fprintln(a.out)
	for _, p := range r.Missing {
		fmt.Fprintf(a.out, "no row was for %s\n", profiles.ProtectionWord(p))
	}
	if len(r.Untouched) > 0 {
		fmt.Fprintf(a.out, "exercised by no row: %s\n", strings.Join(r.Untouched, ", "))
	}
	for _, w := range r.Why {
		for _, l := range wrap(w, screen) {
			fmt.Fprintln(a.out, l)
		}
	}
	colour := red
	if r.Verdict == proof.Pass {
		colour = green
	}
	fmt.Fprintf(a.out, "verdict: %s\n", a.paint(colour, strings.ToUpper(string(r.Verdict))))
}

// seenBy lists the channels that showed something, other than the commanded ones.
func seenBy(channels []string) string {
	slices.Sort(channels)
	list := slices.DeleteFunc(slices.Compact(channels), func(c string) bool { return c == "-" })
	if len(list) == 0 {
		return "none but the commanded"
	}
	return strings.Join(list, ", ")
}

// since is a time in ms, or a dash where it was not seen.
func since(s drivers.Span) string {
	if s < 0 {
		return "-"
	}
	return fmt.Sprint(int64(s / drivers.Millisecond))
}

// proofUnit is the base unit of a protection's limit and reading.
func proofUnit(p machine.Protection) string {
	switch p {
	case machine.ProveCellHigh, machine.ProveCellLow:
		return "uV"
	case machine.ProveTempHigh, machine.ProveTempLow:
		return "mK"
	case machine.ProveChargeHigh, machine.ProveDischargeHigh:
		return "uA"
	}
	return "us"
}

func proofQuantity(v int64, unit string) string {
	if unit == "us" {
		return shortSpan(v)
	}
	return quantity(v, unit)
}
