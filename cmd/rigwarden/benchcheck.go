package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/readiness"
	"github.com/rigwarden/rigwarden/drivers/scpi"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/profiles"
)

// checkCautions is what a person reads before connecting anything.
const checkCautions = `CAUTION  This reads instruments and sets their own limits; it switches nothing on and closes
nothing. It proves neither the wiring nor the emergency stop. Above 60 V d.c. touch is hazardous:
follow local law, codes and licensed practice.
`

func (a *app) benchCheckCmd() *cobra.Command {
	var prove bool
	var module string
	c := &cobra.Command{
		Use:   "check FILE",
		Short: "Connect to everything a bench file names, energise nothing, say what to fix",
		Long: `Connect to every instrument that a bench file names and print whether it is the
right one, what it reads, how fast its readings come, which limits it guards by
itself (set, and read back), and which protections exist in software only; then what
to put right. It energises nothing and closes nothing; it sets an instrument's own
limits only where its output is measured off and every contactor is measured open.

An orchestrator that serves the bench must be stopped first: two programs that speak
to an instrument keep its limit on silence from running out for each other.

With --prove it goes on, where nothing was to be put right, to prove what takes the
bench's energy off when every program is dead: supply and load are switched on at 0 A
behind open contactors and left alone until they must have switched off; then the
negative contactor alone is closed and the box left alone until it must have opened.

It ends with the independent protections that an unattended run demands and the bench
file does not declare: what each stands against, what to fit, how to prove it, and
what to write; with --module, for that module's voltage and limits. A run with
somebody beside it is told of them and may start.

Exit code 0 says that the bench is ready, 3 that something must be put right.`,
		Example: "  rigwarden bench check bench.yaml --module KW-01.yaml\n  rigwarden bench check practice-wires --json\n  rigwarden bench check bench.yaml --prove",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.benchCheck(cmd.Context(), args[0], module, prove)
		},
	}
	c.Flags().StringVar(&module, "module", "", "module file, or a shipped module's serial, that the protections must fit")
	c.Flags().BoolVar(&prove, "prove", false, "also prove the limits on silence: outputs on at 0 A, negative contactor closed alone")
	return c
}

// checked is the answer of `bench check --json`.
type checked struct {
	*readiness.Report
	Ready  bool    `json:"ready"`
	Guards []means `json:"guards"`
	// Demands are the protections that an unattended run demands; Unattended says
	// that the bench file declares each.
	Demands    []demand `json:"demands"`
	Unattended bool     `json:"unattended"`
	// Proofs are of limits on silence, where --prove was given.
	Proofs []silence `json:"proofs,omitempty"`
}

func (a *app) benchCheck(ctx context.Context, arg, module string, prove bool) error {
	f, err := readBench(arg)
	if err != nil {
		return err
	}
	demands, err := demandsOf(f, module)
	if err != nil {
		return err
	}
	if !a.json {
		fmt.Fprint(a.out, checkCautions, "\n")
	}
	r, err := a.look(ctx, f)
	if err != nil {
		return err
	}
	c := checked{Report: r, Ready: r.Ready(), Guards: meansOf(f, r), Demands: demands, Unattended: len(lacking(demands)) == 0}
	if prove && c.Ready {
		if c.Proofs, err = a.prove(ctx, f); err != nil {
			return err
		}
		for _, p := range c.Proofs {
			c.Ready = c.Ready && p.Proven
		}
	}
	if a.json {
		err = a.printJSON(c)
	} else {
		a.printChecked(f, &c)
	}
	if err == nil && !c.Ready {
		err = ending{exitNotPassed}
	}
	return err
}

// look opens the bench's instruments and looks at them.
func (a *app) look(ctx context.Context, f *benchFile) (*readiness.Report, error) {
	now := host.Clock(a.clock())
	if isVirtual(f.Bench) {
		b, err := virtual.New(virtualRig(f.Bench, nil, now()))
		if err != nil {
			return nil, usagef("%s: %w", f.name, err)
		}
		return readiness.Check(ctx, &f.Bench.Bench, virtual.NewRealtime(b, host.Clock(time.Now())).Set(), readiness.Options{}), nil
	}
	if err := f.problems(); err != nil {
		return nil, usagef("%s names files with mistakes:\n%w", f.name, err)
	}
	claimed, err := claimDevices(ctx, devicesOf(f.Bench), 0)
	if err != nil {
		return nil, err
	}
	defer claimed.release()
	in := openInstruments(ctx, opening{file: f, now: now})
	r := readiness.Check(ctx, &f.Bench.Bench, probed(in), readiness.Options{Missing: in.missing})
	if f.Insulation != nil {
		r.Findings = append(r.Findings, lookAtInsulation(ctx, f, in)...)
	}
	return r, in.shut()
}

// lookAtInsulation compares what the insulation monitor reads with what the
// bench file demands, for the article as it is measured or, without a meter,
// for the supply's range.
func lookAtInsulation(ctx context.Context, f *benchFile, in *instruments) []readiness.Finding {
	if err := in.insulated(ctx, f); err != nil {
		return []readiness.Finding{{Role: "insulation", What: err.Error(),
			Want: "find the fault with everything off and isolated; a reading that cannot be taken counts as one that failed"}}
	}
	return nil
}

// surveyed lets a readiness check see what an SCPI instrument says of itself.
type surveyed struct{ *scpi.Power }

// Probe tells what is unusual about the instrument.
func (s surveyed) Probe(ctx context.Context) ([]string, error) {
	v, err := s.Power.Probe(ctx)
	return notes(v, err)
}

type surveyedMeter struct{ *scpi.Meter }

// Probe tells what is unusual about the instrument.
func (s surveyedMeter) Probe(ctx context.Context) ([]string, error) {
	v, err := s.Meter.Probe(ctx)
	return notes(v, err)
}

// probed are the instruments as a readiness check sees them.
func probed(in *instruments) drivers.Set {
	s := in.set
	if p, ok := s.Supply.(*scpi.Power); ok {
		s.Supply = surveyed{p}
	}
	if p, ok := s.Load.(*scpi.Power); ok {
		s.Load = surveyed{p}
	}
	if m, ok := s.Meter.(*scpi.Meter); ok {
		s.Meter = surveyedMeter{m}
	}
	return s
}

func notes(v scpi.Survey, err error) ([]string, error) {
	out := v.Notes
	for _, e := range v.Errors {
		out = append(out, "waited in its error queue: "+e)
	}
	return out, err
}

// means is one thing that must not happen and what stands against it.
type means struct {
	Against  string   `json:"against"`
	Hardware []string `json:"hardware"`
	Software string   `json:"software"`
}

// meansOf says for each danger which means there are that need no software.
func meansOf(f *benchFile, r *readiness.Report) []means {
	p := &f.Protections
	list := []means{
		{Against: "module over voltage", Software: "guard"},
		{Against: "current over the limit", Software: "guard, tripwire"},
		{Against: "cell over voltage, too hot", Software: "guard, tripwire"},
		{Against: "cell under voltage", Software: "guard, tripwire"},
		{Against: "orchestrator or host dead", Software: "lease"},
		{Against: "fire", Software: "none"},
		{Against: "insulation lost", Software: "none"},
		{Against: "a person sees danger", Software: "stop: not an emergency stop"},
	}
	add := func(i int, format string, args ...any) {
		list[i].Hardware = append(list[i].Hardware, fmt.Sprintf(format, args...))
	}
	for _, in := range r.Instruments {
		if in.Armed == nil {
			continue
		}
		if in.Role == "supply" {
			add(0, "supply's own limit, %s", volts(int64(in.Armed.VoltageMax)))
		}
		add(1, "%s's own limit, %s", in.Role, amps(int64(in.Armed.CurrentMax)))
		if in.Armed.CommTimeout > 0 {
			add(4, "%s off after %s of silence (proved at arming)", in.Role, shortSpan(int64(in.Armed.CommTimeout)))
		}
	}
	if f.Box.Heartbeat > 0 {
		add(4, "box opens after %s without its heartbeat", shortSpan(int64(f.Box.Heartbeat)))
	}
	if p.Fuse != nil {
		add(1, "fuse %s, %s", amps(int64(p.Fuse.Rating)), proved(&p.Fuse.Proof))
	}
	if p.CellCutOff != nil {
		add(2, "cut-off at %s and %s, %s", volts(int64(p.CellCutOff.Voltage)), celsius(int64(p.CellCutOff.Temperature)), proved(&p.CellCutOff.Proof))
	}
	for i, proof := range map[int]*profiles.Proof{5: p.FireDetection, 6: p.InsulationMonitor, 7: p.EmergencyStop} {
		if proof != nil {
			add(i, "%s", proved(proof))
		}
	}
	for i := range list {
		if list[i].Hardware == nil {
			list[i].Hardware = []string{}
		}
	}
	return list
}

func proved(p *profiles.Proof) string {
	return "proved " + p.On.Format(time.DateOnly) + " by " + p.By
}

func (a *app) printChecked(f *benchFile, c *checked) {
	fmt.Fprintf(a.out, "bench %s, watched for %s\n\n", f.describe(), shortSpan(int64(c.Watched)))
	t := newTable("instrument", "answers", "reads", ">new", ">age", "own limits, read back")
	for _, in := range c.Instruments {
		answers, limits := "no", "-"
		switch {
		case in.Another:
			answers = "ANOTHER" // not the one that the bench file names
		case in.Answers:
			answers = "yes"
		}
		if in.Armed != nil {
			limits = fmt.Sprintf("%s, %s", volts(int64(in.Armed.VoltageMax)), amps(int64(in.Armed.CurrentMax)))
			if in.Armed.CommTimeout > 0 {
				limits += ", silence " + shortSpan(int64(in.Armed.CommTimeout))
			}
		}
		t.row(in.Role, answers, dash(in.Reads), fmt.Sprint(in.Readings), shortSpan(int64(in.Age)), limits)
	}
	t.print(a.out)
	fmt.Fprintln(a.out)
	t = newTable("instrument", "address", "it says it is", "declared")
	for _, in := range c.Instruments {
		id := strings.TrimSpace(strings.Join([]string{in.Identity.Maker, in.Identity.Model, in.Identity.Serial}, " "))
		t.row(in.Role, dash(in.Address), dash(id), in.Range)
	}
	t.print(a.out)
	for _, in := range c.Instruments {
		for _, n := range in.Notes {
			fmt.Fprintf(a.out, "  %s: %s\n", in.Role, n)
		}
	}
	fmt.Fprintln(a.out)
	t = newTable("against", "without software", "in software")
	for _, g := range c.Guards {
		hardware := g.Hardware
		if len(hardware) == 0 {
			hardware = []string{"NOTHING"}
		}
		for i, h := range hardware {
			if i == 0 {
				t.row(g.Against, h, g.Software)
			} else {
				t.row("", h, "")
			}
		}
	}
	t.print(a.out)
	a.printProofs(c.Proofs)
	a.printDemands(c.Demands)
	a.printFindings(c)
}

func (a *app) printFindings(c *checked) {
	for _, kind := range []struct {
		title  string
		advice bool
	}{{"put right", false}, {"advice", true}} {
		first := true
		for _, f := range c.Findings {
			if f.Advice != kind.advice {
				continue
			}
			if first {
				fmt.Fprintf(a.out, "\n%s:\n", kind.title)
				first = false
			}
			fmt.Fprintf(a.out, "  %s: %s\n    -> %s\n", f.Role, f.What, f.Want)
		}
	}
	switch {
	case c.Ready && c.Unattended:
		fmt.Fprintf(a.out, "\nbench %s is ready\n", c.Bench)
		return
	case c.Ready:
		fmt.Fprintf(a.out, "\nbench %s is ready for runs with somebody beside it, and for no others\n", c.Bench)
		return
	}
	fmt.Fprintf(a.out, "\nbench %s is NOT ready\n", c.Bench)
}
