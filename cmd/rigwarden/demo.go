package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// cautions is the first screen. The voltage, energy, cold-charge and gas facts
// are those of the safety notes in the project's reference, which name ISO
// 6469-3 for the 60 V limit (from memory).
const cautions = `CAUTION  This demonstration moves numbers only. A real module of this size can kill.
  - Above 60 V d.c. touch is hazardous, and a battery cannot be switched off.
  - It holds kilowatt-hours: a short circuit melts tools. Never break current by hand.
  - Gas from a vented cell is toxic and explosive. Have fire detection and a way out.
  - No charge below 0 degC unless the cell maker's sheet allows it, and never charge a
    cell found under its lowest voltage.
  - Work is for qualified persons. The emergency stop is hard-wired; software is not one.
  Follow local law, codes and licensed practice; these notes replace no risk assessment.
`

// demoWhat is what a demonstration runs.
const (
	demoModule = "KW-01"
	demoWho    = "demo"
)

type demoFlags struct {
	inject []string
	seed   uint64
}

func (a *app) demoCmd() *cobra.Command {
	var d demoFlags
	c := &cobra.Command{
		Use:   "demo",
		Short: "Qualify a virtual module, from registration to verdict, in virtual time",
		Long: `Start an orchestrator on a private socket, register module KW-01, run the shipped
qualifying profile on a virtual bench in virtual time and judge the module: the
code that runs a real bench, driven by a client over gRPC. Ctrl-C stops the run,
safe and recorded.

Faults for --inject (more than one may be given; a fault may carry its own words,
as in --inject "tap-reads-low cell=7 after=2h"):
` + faultHelp(),
		Example: "  rigwarden demo\n  rigwarden demo --inject tap-reads-low\n  rigwarden demo --json --store demo.db",
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return a.demo(cmd.Context(), d) },
	}
	c.Flags().StringArrayVar(&d.inject, "inject", nil, "let this go wrong; see the list above")
	c.Flags().Uint64Var(&d.seed, "seed", 0, "draw another module and bench; 0 takes the bench file's")
	c.Flags().StringVar(&a.store, "store", "", "store file (default a new one in your state folder)")
	return c
}

func faultHelp() string {
	var b strings.Builder
	for _, f := range virtual.Faults() {
		for i, line := range wrap(f.Doc, screen-27) {
			name := f.Name
			if i > 0 {
				name = ""
			}
			fmt.Fprintf(&b, "  %-24s %s\n", name, line)
		}
	}
	return strings.TrimRight(b.String(), "\n")
}

// parseFaults reads what is to go wrong.
func parseFaults(texts []string) ([]virtual.Fault, error) {
	var out []virtual.Fault
	for _, t := range texts {
		f, err := virtual.ParseFault(t)
		if err != nil {
			return nil, usagef("--inject %q: %w", t, err)
		}
		out = append(out, f)
	}
	return out, nil
}

// demoStore is where the demonstration keeps its record.
func (a *app) demoStore() (string, error) {
	if a.store != "" {
		return a.store, nil
	}
	dir := os.Getenv("XDG_STATE_HOME")
	if dir == "" {
		home, err := os.UserHomeDir()
		if err != nil {
			return "", usagef("no state folder: %w; name a file with --store", err)
		}
		dir = filepath.Join(home, ".local", "state")
	}
	dir = filepath.Join(dir, "rigwarden")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", usagef("%w; name a file with --store", err)
	}
	return filepath.Join(dir, "demo-"+a.clock().UTC().Format("20060102-150405.000")+".db"), nil
}

func (a *app) demo(ctx context.Context, d demoFlags) error {
	faults, err := parseFaults(d.inject)
	if err != nil {
		return err
	}
	path, err := a.demoStore()
	if err != nil {
		return err
	}
	if !a.json {
		fmt.Fprint(a.out, cautions, "\n")
	}
	o, err := a.openDemo(path, faults, d.seed)
	if err != nil {
		return err
	}
	defer o.close()
	s, err := dial("unix:" + o.socket)
	if err != nil {
		return err
	}
	defer s.close()
	r, err := a.drive(ctx, s, o)
	if err != nil {
		return err
	}
	if t := r.Trip; t != nil {
		if span, ok := o.truth.zeroAfter(drivers.Instant(t.At)); ok {
			us := int64(span)
			t.TrueToZero = &us
		}
	}
	r.Store = path
	r.Further = further(path, r.run.GetId())
	if a.json {
		if err := a.printJSON(r); err != nil {
			return err
		}
		return r.exit()
	}
	a.printDemo(r)
	return r.exit()
}

// further are the three commands to look deeper.
func further(path, run string) []string {
	return []string{
		fmt.Sprintf("rigwarden run show %s --store %s", run, path),
		fmt.Sprintf("rigwarden run export %s --store %s --dir export", run, path),
		fmt.Sprintf("rigwarden run replay %s --store %s", run, path),
	}
}

// drive is the client's part: register, check first, start, watch, have it judged.
func (a *app) drive(ctx context.Context, s *session, o *orchestra) (*report, error) {
	file, err := s.profiles.Get(ctx, &rigwardenv1.GetProfileRequest{Library: rigwardenv1.Library_LIBRARY_MODULE, Name: demoModule})
	if err != nil {
		return nil, err
	}
	if _, err := s.modules.Register(ctx, &rigwardenv1.RegisterModuleRequest{File: file.GetFile(), Who: demoWho}); err != nil {
		return nil, err
	}
	if err := a.demoChecks(ctx, s, o.groups); err != nil {
		return nil, err
	}
	started, err := s.runs.Start(ctx, &rigwardenv1.StartRunRequest{Bench: o.bench, Module: demoModule, Who: demoWho})
	if err != nil {
		return nil, err
	}
	id := started.GetRun().GetId()
	if !a.json {
		fmt.Fprintf(a.out, "%s: %s for %s on bench %s, about %s of rig time\n\n", id, started.GetRun().GetProfile(),
			demoModule, o.bench, clockSpan(started.GetPreview().GetSpanUs()))
	}
	// The run is followed to its end even after Ctrl-C: it is stopped then, and
	// its end recorded.
	unwatch := context.AfterFunc(ctx, func() { stopRun(s, id) })
	defer unwatch()
	if _, err := a.follow(context.WithoutCancel(ctx), s, id); err != nil {
		return nil, err
	}
	j, err := service.Judge(context.WithoutCancel(ctx), s.runs, id)
	if err != nil {
		return nil, err
	}
	if err := j.HandBack(context.WithoutCancel(ctx), s.runs, id); err != nil {
		return nil, err
	}
	return a.read(context.WithoutCancel(ctx), s, id)
}

// stopTimeout bounds how long a stop may take to be accepted.
const stopTimeout = 10 * time.Second

func stopRun(s *session, id string) {
	ctx, cancel := context.WithTimeout(context.Background(), stopTimeout)
	defer cancel()
	// A run that ended by itself in this moment needs no stop.
	_, _ = s.runs.Command(ctx, &rigwardenv1.CommandRunRequest{Run: id, Verb: rigwardenv1.Verb_VERB_STOP, Who: demoWho, Reason: "interrupted"})
}

// printDemo is the last screen.
func (a *app) printDemo(r *report) {
	fmt.Fprintf(a.out, "\n%s ended after %s of rig time: %s\n\n", r.run.GetId(), clockSpan(r.run.GetEndedUs()-r.run.GetStartedUs()), endText(r))
	if r.Trip != nil {
		a.tell(r.Trip, r.run.GetId(), r.run.GetBench(), r.Store)
		fmt.Fprintln(a.out)
	} else {
		a.printFigures(r.Figures)
	}
	a.printVerdict(r)
	fmt.Fprintf(a.out, "\nEvery frame and event is in %s\nTo look further:\n", r.Store)
	for _, f := range r.Further {
		fmt.Fprintf(a.out, "  %s\n", f)
	}
}
