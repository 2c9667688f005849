package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/firstcheck"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// quantityFlag reads "3.290 V" as a quantity in base units.
type quantityFlag struct {
	value int64
	dim   profiles.Dimension
	text  string
}

func (q *quantityFlag) String() string { return q.text }
func (q *quantityFlag) Type() string   { return "QUANTITY" }
func (q *quantityFlag) Set(s string) (err error) {
	q.value, err = profiles.ParseQuantity(s, q.dim)
	q.text = s
	return err
}

// accuracyFlag reads "0.05 % + 2 mV", of a voltage unless told otherwise.
type accuracyFlag struct {
	drivers.Accuracy
	dim  profiles.Dimension
	text string
}

func (f *accuracyFlag) String() string { return f.text }
func (f *accuracyFlag) Type() string   { return "ACCURACY" }
func (f *accuracyFlag) Set(s string) (err error) {
	f.Accuracy, err = profiles.ParseAccuracy(s, cmp.Or(f.dim, profiles.DimVoltage))
	f.text = s
	return err
}

func (f *accuracyFlag) proto() *rigwardenv1.MeterAccuracy {
	return &rigwardenv1.MeterAccuracy{GainPpm: f.GainPPM, OffsetUv: f.Offset}
}

// usualMeter is what is taken where nobody says how exact the hand meter is.
const usualMeter = "0.5 % + 20 mV"

type checkFlags struct {
	total, cell, within, delivered quantityFlag
	meter                          accuracyFlag
	groups, run                    string
	at                             []string
}

func (a *app) moduleCheckCmd() *cobra.Command {
	f := &checkFlags{}
	f.total.dim, f.cell.dim, f.within.dim, f.delivered.dim = profiles.DimVoltage, profiles.DimVoltage, profiles.DimVoltage, profiles.DimRatio
	c := &cobra.Command{
		Use:   "check SERIAL",
		Short: "Check a module before it is trusted: by hand meter, or by a run of the profile first-checks",
		Long: `Check a module before anybody trusts it, and keep what was found with it.

Right after welding, with the cell monitor not yet plugged in: give what a hand
meter reads across the terminals, and what one loose cell of the lot reads (or
the state of charge at which the cells came, or every group in a file). A group
that is missing or near 0 V costs one group's voltage, a reversed one costs two.

With the monitor plugged in: run the profile first-checks, which rests and then
pulses gently, and give that run. It is judged whether every channel is there,
positive and single, whether the taps add up to what the meter reads, whether
temperatures agree, and whether every channel answers to the current. Which
physical cell a channel sits at is proven only where --at names what a hand meter
reads at one cell that stands apart from its siblings.

Without flags: the checks that were made. The module is live at any time:
insulated gloves and tools, and only qualified persons.`,
		Example: `  rigwarden module check KW-07 --total "78.96 V" --cell "3.290 V" --within "5 mV"
  rigwarden module check KW-07 --total "78.96 V" --groups readings.txt --meter "0.05 % + 2 mV"
  rigwarden module check KW-07 --run r000004 --at "12=3.251 V"
  rigwarden module check KW-07`,
		Args: cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			switch {
			case f.run != "":
				return a.checkRun(cmd.Context(), s, args[0], f)
			case cmd.Flags().Changed("total"):
				return a.checkByHand(cmd.Context(), s, args[0], f)
			}
			return a.listChecks(cmd.Context(), s, args[0])
		}),
	}
	fl := c.Flags()
	fl.Var(&f.total, "total", "what a hand meter reads across the terminals, red lead on the positive one")
	fl.Var(&f.cell, "cell", "what a loose cell of the same lot reads")
	fl.Var(&f.within, "within", `by how much cells of the lot differ (with --cell; default "5 mV")`)
	fl.Var(&f.delivered, "delivered", `state of charge at which the cells came, such as "30 %"`)
	fl.StringVar(&f.groups, "groups", "", "file with a reading a line, every group from the negative end")
	fl.Var(&f.meter, "meter", `the hand meter's accuracy (default "`+usualMeter+`")`)
	fl.StringVar(&f.run, "run", "", "judge this run of the profile first-checks")
	fl.StringArrayVar(&f.at, "at", nil, `what a hand meter reads at a cell during that run's rest, such as "12=3.251 V"`)
	c.MarkFlagsMutuallyExclusive("cell", "delivered")
	c.MarkFlagsMutuallyExclusive("run", "total")
	a.addWhere(c)
	a.addWho(c)
	return c
}

func (f *checkFlags) accuracy() (accuracyFlag, error) {
	m := f.meter
	if m.text == "" {
		return m, m.Set(usualMeter)
	}
	return m, nil
}

func (a *app) checkByHand(ctx context.Context, s *session, serial string, f *checkFlags) error {
	acc, err := f.accuracy()
	if err != nil {
		return err
	}
	h := &rigwardenv1.HandReadings{TotalUv: f.total.value, Accuracy: acc.proto(), ExpectedUv: f.cell.value, ExpectedWithinUv: f.within.value, DeliveredPpm: uint32(f.delivered.value)}
	if f.cell.value != 0 && f.within.text == "" {
		h.ExpectedWithinUv = 5000
	}
	if f.groups != "" {
		if h.GroupsUv, err = readGroups(f.groups); err != nil {
			return err
		}
	}
	r, err := s.checks.Make(ctx, &rigwardenv1.MakeCheckRequest{Serial: serial, Who: a.who, Method: &rigwardenv1.MakeCheckRequest_Hand{Hand: h}})
	if err != nil {
		return err
	}
	return a.reportCheck(serial, r.GetCheck())
}

// readGroups reads one voltage a line; "#" begins a remark.
func readGroups(path string) (list []int64, err error) {
	f, err := readFile(path)
	if err != nil {
		return nil, err
	}
	var wrong []error
	n := 0
	for line := range strings.Lines(string(f.GetContent())) {
		n++
		text, _, _ := strings.Cut(line, "#")
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		v, err := profiles.ParseQuantity(text, profiles.DimVoltage)
		if err != nil {
			wrong = append(wrong, fmt.Errorf("%s:%d:%d: %w", path, n, strings.Index(line, text)+1, err))
			continue
		}
		list = append(list, v)
	}
	if err := errors.Join(wrong...); err != nil {
		return nil, usageError{err}
	}
	return list, nil
}

func (a *app) listChecks(ctx context.Context, s *session, serial string) error {
	r, err := s.checks.List(ctx, &rigwardenv1.ListChecksRequest{Serial: serial})
	if err != nil {
		return err
	}
	if a.json {
		return a.printJSON(r)
	}
	if len(r.GetChecks()) == 0 {
		fmt.Fprintf(a.out, "%s was never checked; begin with a hand meter: rigwarden module check %s --total ... --cell ...\n", serial, serial)
		return nil
	}
	for i, c := range r.GetChecks() {
		if i > 0 {
			fmt.Fprintln(a.out)
		}
		a.tellCheck(serial, c)
	}
	return nil
}

// reportCheck tells one check, and ends with a code that says whether all is good.
func (a *app) reportCheck(serial string, c *rigwardenv1.Check) error {
	if a.json {
		if err := a.printJSON(c); err != nil {
			return err
		}
	} else {
		a.tellCheck(serial, c)
	}
	if firstcheck.Grade(c.GetGrade()) != firstcheck.Good {
		return ending{exitNotPassed}
	}
	return nil
}

// gradeWords are what a person sees of a grade.
var gradeWords = map[firstcheck.Grade]string{
	firstcheck.Good: "GOOD", firstcheck.Unproven: "UNPROVEN", firstcheck.Stop: "STOP", firstcheck.Quarantine: "QUARANTINE", firstcheck.Danger: "DANGER",
}

func (a *app) tellCheck(serial string, c *rigwardenv1.Check) {
	of := ""
	if c.GetRun() != "" {
		of = " of run " + c.GetRun()
	}
	fmt.Fprintf(a.out, "%s, %s%s, %s UTC by %s: %s\n", serial, c.GetMethod(), of, day(c.GetAtUs()), dash(c.GetWho()), gradeWords[firstcheck.Grade(c.GetGrade())])
	if !c.GetCurrent() {
		fmt.Fprintln(a.out, "  made with another file of this module: it says nothing of the present one")
	}
	for _, l := range wrap("measured: "+c.GetInput(), screen-2) {
		fmt.Fprintln(a.out, "  "+l)
	}
	for _, f := range c.GetFindings() {
		fmt.Fprintln(a.out)
		for _, l := range wrap(gradeWords[firstcheck.Grade(f.GetGrade())]+": "+f.GetWhat()+".", screen-2) {
			fmt.Fprintln(a.out, "  "+l)
		}
		for _, l := range wrap(f.GetDo(), screen-4) {
			fmt.Fprintln(a.out, "    "+l)
		}
	}
}

// parseAt reads "12=3.251 V" as a cell, from 0, and a voltage.
func parseAt(list []string) (map[int]drivers.Microvolts, error) {
	out := map[int]drivers.Microvolts{}
	for _, s := range list {
		cell, text, ok := strings.Cut(s, "=")
		n, err := strconv.Atoi(strings.TrimSpace(cell))
		if !ok || err != nil || n < 1 {
			return nil, usagef("--at %s: cell and voltage, such as 12=3.251 V, would be right", s)
		}
		v, err := profiles.ParseQuantity(strings.TrimSpace(text), profiles.DimVoltage)
		if err != nil {
			return nil, usagef("--at %s: %w", s, err)
		}
		out[n-1] = drivers.Microvolts(v)
	}
	return out, nil
}

// checkRun judges the frames of a run: the taps while nothing flowed since its
// begin, and every edge of current.
func (a *app) checkRun(ctx context.Context, s *session, serial string, f *checkFlags) error {
	byHand, err := parseAt(f.at)
	if err != nil {
		return err
	}
	acc, err := f.accuracy()
	if err != nil {
		return err
	}
	file, err := s.modules.Get(ctx, &rigwardenv1.GetModuleRequest{Serial: serial})
	if err != nil {
		return err
	}
	mod, ps := profiles.ParseModule(serial+".yaml", file.GetFile().GetContent())
	if len(ps) > 0 {
		return profiles.Error(ps)
	}
	taps, pulse, err := judgeChecks(ctx, s, f.run, mod, func(r *firstcheck.Rest) { r.ByHand, r.HandAccuracy = byHand, acc.Accuracy })
	if err != nil {
		return err
	}
	out := &rigwardenv1.ListChecksResponse{}
	for _, m := range []struct {
		method, input string
		list          []firstcheck.Finding
	}{{"taps", "taps, meter and temperatures at rest", taps}, {"pulse", "every channel's answer to the pulses", pulse}} {
		r, err := s.checks.Make(ctx, &rigwardenv1.MakeCheckRequest{Serial: serial, Who: a.who, Method: &rigwardenv1.MakeCheckRequest_Run{
			Run: &rigwardenv1.RunFindings{Run: f.run, Method: m.method, Input: m.input, Findings: service.FindingsToProto(m.list)}}})
		if err != nil {
			return err
		}
		out.Checks = append(out.Checks, r.GetCheck())
		if !a.json {
			a.tellCheck(serial, r.GetCheck())
		}
	}
	if a.json {
		if err := a.printJSON(out); err != nil {
			return err
		}
	}
	for _, c := range out.GetChecks() {
		if firstcheck.Grade(c.GetGrade()) != firstcheck.Good {
			return ending{exitNotPassed}
		}
	}
	return nil
}

// judgeChecks reads a run's frames past both judges.
func judgeChecks(ctx context.Context, s *session, run string, mod *profiles.Module, with func(*firstcheck.Rest)) (taps, pulse []firstcheck.Finding, err error) {
	r, err := service.Open(ctx, s.runs, run)
	if err != nil {
		return nil, nil, err
	}
	defer r.Close()
	article := service.CheckedArticle(mod)
	rest, err := firstcheck.NewRest(article, &r.Plan.Layout)
	if err != nil {
		return nil, nil, usageError{err}
	}
	rest.TempBand, rest.NearZero = r.Plan.Ready.TempBand, r.Plan.Limits.NearZero
	with(rest)
	response, err := firstcheck.NewResponse(article, &r.Plan.Layout)
	if err != nil {
		return nil, nil, usageError{err}
	}
	flowed := false
	at := r.Plan.Layout.Find(drivers.ModuleCurrent)
	scale := r.Plan.Layout.Channels[at].Scale
	for {
		it, err := r.Next()
		if errors.Is(err, io.EOF) {
			return rest.Findings(), response.Findings(), nil
		}
		if err != nil {
			return nil, nil, err
		}
		if it.Frame == nil {
			continue
		}
		if c := it.Frame.Counts[at]; c != drivers.NoReading && drivers.Microamps(max(scale.Value(c), -scale.Value(c))) > rest.NearZero {
			flowed = true
		}
		if !flowed { // only what stood at rest since the run began
			rest.Frame(it.Frame)
		}
		response.Frame(it.Frame)
	}
}
