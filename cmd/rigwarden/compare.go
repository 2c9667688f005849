package main

import (
	"context"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sibling"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// narrow is the width of the screens that people read beside others.
const narrow = 80

// compared is one module as it is compared.
type compared struct {
	Module  string `json:"module"`
	Run     string `json:"run"`
	Bench   string `json:"bench"`
	Verdict string `json:"verdict"`

	figures *qualify.Figures
}

// comparison is what compare prints.
type comparison struct {
	Modules  []compared         `json:"modules"`
	Left     []string           `json:"left_out"`
	Rankings []*sibling.Ranking `json:"rankings"`
	Odd      []oddModule        `json:"odd"`
}

// oddModule is a module that does not belong, with the figures that say so.
type oddModule struct {
	Module  string   `json:"module"`
	Figures []string `json:"figures"`
}

func (a *app) compareCmd() *cobra.Command {
	var only []string
	c := &cobra.Command{
		Use:   "compare [MODULE|RUN]...",
		Short: "Rank modules by their figures and name the odd one",
		Long: `Rank modules by every figure that at least one of them proves, the best first:
much capacity and efficiency, little resistance, leak and spread. With each stand
its uncertainty (95 %) and its distance from the median of all; what modules share
because one bench measured them cancels in that distance. A module is odd where
the robust z-score (over 3.5) and the generalised ESD test (at 1 %) both accuse it
and it lies further off than its own uncertainty; fewer than five are too few to
call one odd. Taken is each module's latest run with a verdict, or a run that is
named. Without arguments: all registered modules.`,
		Args:    cobra.ArbitraryArgs,
		Example: "  rigwarden compare KW-01 KW-02 KW-03 KW-04 KW-05\n  rigwarden compare --store rig.db --figure capacity\n  rigwarden compare KW-01 r000007 --json",
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			out, err := compareModules(cmd.Context(), s, args)
			if err != nil {
				return err
			}
			if err := out.keep(only); err != nil {
				return err
			}
			if a.json {
				return a.printJSON(out)
			}
			a.printComparison(out)
			return nil
		}),
	}
	c.Flags().StringArrayVar(&only, "figure", nil, "only this figure; may be given more than once")
	c.ValidArgsFunction = a.offerModules(-1)
	a.addWhere(c)
	return c
}

// isRun tells a run's identity from a serial.
var isRun = regexp.MustCompile(`^r[0-9]{6,}$`)

func compareModules(ctx context.Context, s *session, args []string) (*comparison, error) {
	out := &comparison{Modules: []compared{}, Left: []string{}, Rankings: []*sibling.Ranking{}, Odd: []oddModule{}}
	strict := len(args) > 0 // what a person named must be there
	if !strict {
		all, err := allModules(ctx, s)
		if err != nil {
			return nil, err
		}
		for _, m := range all {
			args = append(args, m.GetSerial())
		}
	}
	var figures []*qualify.Figures
	seen := map[string]bool{}
	for _, arg := range args {
		c, err := judgedRun(ctx, s, arg)
		if err != nil {
			if strict || service.FromStatus(err).Kind != service.KindRefused {
				return nil, err
			}
			out.Left = append(out.Left, service.FromStatus(err).What)
			continue
		}
		if seen[c.Run] {
			return nil, usagef("run %s is named twice; name each once", c.Run)
		}
		seen[c.Run] = true
		out.Modules = append(out.Modules, *c)
		figures = append(figures, c.figures)
	}
	out.Rankings = append(out.Rankings, qualify.Compare(figures)...)
	out.nameOdd()
	return out, nil
}

// judgedRun finds the figures of a run, or of a module's latest with a verdict.
func judgedRun(ctx context.Context, s *session, arg string) (*compared, error) {
	id := arg
	if !isRun.MatchString(arg) {
		runs, err := moduleRuns(ctx, s, arg)
		if err != nil {
			return nil, err
		}
		run, err := chooseRun(arg, runs, "")
		if err != nil {
			return nil, err
		}
		id = run.GetId()
	}
	got, err := s.runs.Get(ctx, &rigwardenv1.GetRunRequest{Run: id})
	if err != nil {
		return nil, err
	}
	r := &report{run: got.GetRun()}
	if err := r.judged(got); err != nil {
		return nil, err
	}
	if r.Figures == nil {
		return nil, &service.Error{Kind: service.KindRefused, What: "run " + id + " of " + got.GetRun().GetModule() + " was never judged", Want: "rigwarden run judge " + id}
	}
	if r.Figures.Bench == "" { // judged by an earlier version
		r.Figures.Bench = got.GetRun().GetBench()
	}
	return &compared{Module: got.GetRun().GetModule(), Run: id, Bench: got.GetRun().GetBench(), Verdict: word(got.GetRun().GetVerdict()), figures: r.Figures}, nil
}

func (c *comparison) nameOdd() { c.Odd = append(c.Odd, oddOf(c.Rankings)...) }

// oddOf names each article that any ranking calls odd, with its figures.
func oddOf(rankings []*sibling.Ranking) (out []oddModule) {
	at := map[string]int{}
	for _, r := range rankings {
		for _, name := range r.OddOnes() {
			i, known := at[name]
			if !known {
				i = len(out)
				at[name] = i
				out = append(out, oddModule{Module: name})
			}
			out[i].Figures = append(out[i].Figures, r.Figure)
		}
	}
	return out
}

// keep leaves only the named figures.
func (c *comparison) keep(names []string) error {
	if len(names) == 0 {
		return nil
	}
	by := map[string]*sibling.Ranking{}
	var known []string
	for _, r := range c.Rankings {
		by[r.Figure] = r
		known = append(known, r.Figure)
	}
	c.Rankings, c.Odd = []*sibling.Ranking{}, []oddModule{}
	for _, n := range names {
		if by[n] == nil {
			return usagef("--figure %s: no module proves it; one of %s would be right", n, dash(strings.Join(known, ", ")))
		}
		c.Rankings = append(c.Rankings, by[n])
	}
	c.nameOdd()
	return nil
}

func (a *app) printComparison(c *comparison) {
	for _, l := range c.Left {
		fmt.Fprintf(a.out, "left out: %s\n", l)
	}
	if len(c.Modules) == 0 {
		fmt.Fprintln(a.out, "no module has a judged run")
		return
	}
	t := newTable("module", "run", "bench", "verdict")
	for _, m := range c.Modules {
		t.row(m.Module, m.Run, m.Bench, m.Verdict)
	}
	t.print(a.out)
	for _, r := range c.Rankings {
		fmt.Fprintln(a.out)
		a.printRanking(r)
	}
	fmt.Fprintln(a.out)
	a.printOdd(c.Odd, len(c.Modules))
}

// printOdd names the odd ones of so many, or says why none is named.
func (a *app) printOdd(odd []oddModule, of int) {
	for _, o := range odd {
		for i, l := range wrap(fmt.Sprintf("%s does not belong to its siblings by %s", o.Module, strings.Join(o.Figures, ", ")), narrow-2) {
			fmt.Fprintf(a.out, "%s%s\n", []string{"", "  "}[min(i, 1)], l)
		}
	}
	switch {
	case len(odd) > 0:
	case of < 5:
		fmt.Fprintf(a.out, "No odd one is named: %d are too few to say; 5 would do.\n", of)
	default:
		fmt.Fprintln(a.out, "None is odd.")
	}
}

func (a *app) printRanking(r *sibling.Ranking) {
	head := r.Figure
	if r.Unit != "1" {
		head += " / " + r.Unit
	}
	places := rankingPlaces(r)
	num := func(v float64) string { return strconv.FormatFloat(v, 'f', places, 64) }
	fmt.Fprintf(a.out, "%s, %s is better: median %s\n", head, r.Better, num(r.Median))
	if r.Refused != "" {
		for _, l := range wrap("not compared: "+r.Refused, narrow-2) {
			fmt.Fprintf(a.out, "  %s\n", l)
		}
	}
	t := newTable(">rank", "module", ">value", ">+/- 95 %", ">off median", ">+/- 95 %", ">z", "")
	var missing []string
	for _, x := range r.Rows {
		if x.Rank == 0 {
			missing = append(missing, x.Name+": "+x.Reason)
			continue
		}
		t.row(fmt.Sprint(x.Rank), x.Name, num(x.Value), num(x.U), fmt.Sprintf("%+.*f", places, x.Off), num(x.OffU), fmt.Sprintf("%+.1f", x.Z), rowNote(&x))
	}
	t.print(a.out)
	for _, m := range missing {
		for i, l := range wrap(m, narrow-4) {
			fmt.Fprintf(a.out, "  %s%s\n", []string{"", "  "}[min(i, 1)], l)
		}
	}
}

func rowNote(x *sibling.Row) string {
	switch {
	case x.Odd:
		return "ODD"
	case x.Fence != "":
		return x.Fence + " fence"
	case x.Apart:
		return "apart"
	}
	return ""
}

// rankingPlaces are decimals for which the least uncertainty keeps two digits.
func rankingPlaces(r *sibling.Ranking) int {
	least := math.Inf(1)
	for _, x := range r.Rows {
		for _, u := range []float64{x.U, x.OffU} {
			if x.Rank > 0 && u > 0 {
				least = min(least, u)
			}
		}
	}
	if math.IsInf(least, 1) {
		return 3
	}
	return min(max(1-int(math.Floor(math.Log10(least))), 0), 6)
}
