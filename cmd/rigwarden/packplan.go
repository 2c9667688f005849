package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/pack"
	"github.com/rigwarden/rigwarden/profiles"
)

// packPlanFlags say what is to be built.
type packPlanFlags struct {
	strings, series             int
	parallelFirst, conditional  bool
	gradient, perKelvin, within quantityFlag
	standing                    quantityFlag
	resistance, asBuilt         string
	seed                        uint64
	draws                       int
}

const packPlanLong = `Choose which qualified modules go where, so that the pack gives the most energy
before its first string is empty. A string is as good as its weakest module; strings
in parallel share the current by their resistances, and the one that is empty first
ends the discharge: charge and resistance are evened together. On a sloping
open-circuit curve currents even out further, so the pack gives no less.

Few modules are planned exactly, many nearly so; what no arrangement can exceed
stands beside it. The forecast draws capacities, resistances and self-discharge from
their distributions. Within a string the modules come by falling heat: the first
where cooling is best.

Taken are the figures of each module's latest run with a verdict; a module whose
record does not pass, or that anything since holds back, is refused. Without
arguments: all registered modules, and those left out are told with the reason.
--as-built judges what is there: modules by spaces, strings (or groups) by commas.

Exit code 0: planned; 6: too few modules with a passing record, or unlike ones.`

func (a *app) packPlanCmd() *cobra.Command {
	f := &packPlanFlags{}
	f.gradient.dim, f.perKelvin.dim, f.within.dim, f.standing.dim = profiles.DimDifference, profiles.DimRatio, profiles.DimRatio, profiles.DimTime
	c := &cobra.Command{
		Use:   "plan [MODULE]... --strings S --series N",
		Short: "Choose which qualified modules go where in a pack",
		Long:  packPlanLong,
		Example: `  rigwarden pack plan --strings 2 --series 4
  rigwarden pack plan --strings 3 --series 8 --parallel-first --gradient "4 K" --store rig.db
  rigwarden pack plan KW-01 KW-02 KW-03 KW-04 --strings 2 --series 2 --as-built "KW-01 KW-02, KW-03 KW-04"`,
		Args: cobra.ArbitraryArgs,
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			return a.packPlan(cmd.Context(), s, f, args)
		}),
	}
	fl := c.Flags()
	fl.IntVar(&f.strings, "strings", 0, "how many strings are in parallel; required")
	fl.IntVar(&f.series, "series", 0, "how many modules are in series in each; required")
	fl.BoolVar(&f.parallelFirst, "parallel-first", false, "connect modules in parallel to groups, and these in series")
	fl.Var(&f.gradient, "gradient", `how much warmer the worst-cooled parallel place is than the best (default "0 K")`)
	fl.Var(&f.perKelvin, "per-kelvin", `by how much resistance changes with each kelvin (default "-1 %")`)
	fl.Var(&f.within, "per-kelvin-within", `half width of its interval (default "0.5 %")`)
	fl.Var(&f.standing, "standing", `how long the pack stands without being balanced (default "30 d")`)
	fl.StringVar(&f.resistance, "resistance", "", "the figure to share currents by (default the longest time that all have)")
	fl.BoolVar(&f.conditional, "conditional", false, "take modules with a conditional pass too")
	fl.StringVar(&f.asBuilt, "as-built", "", `judge this arrangement, such as "KW-01 KW-02, KW-03 KW-04"`)
	fl.Uint64Var(&f.seed, "seed", 1, "decides what is drawn")
	fl.IntVar(&f.draws, "draws", 10000, "how many packs the forecast draws")
	c.ValidArgsFunction = a.offerModules(-1)
	a.addWhere(c)
	return c
}

// layout reads what a person said of the pack.
func (f *packPlanFlags) layout() (pack.Layout, error) {
	for q, usual := range map[*quantityFlag]string{&f.gradient: "0 K", &f.perKelvin: "-1 %", &f.within: "0.5 %", &f.standing: "30 d"} {
		if err := q.preset(usual); err != nil {
			return pack.Layout{}, err
		}
	}
	if f.strings < 1 || f.series < 1 {
		return pack.Layout{}, usagef("--strings %d --series %d; how many strings, and how many modules in each, would be right", f.strings, f.series)
	}
	return pack.Layout{
		Strings: f.strings, Series: f.series, ParallelFirst: f.parallelFirst,
		Gradient: float64(f.gradient.value) * 1e-3, PerKelvin: float64(f.perKelvin.value) * 1e-6, PerKelvinWithin: float64(f.within.value) * 1e-6,
		Standing: float64(f.standing.value) / 3.6e9,
	}, nil
}

// arrangement reads "KW-01 KW-02, KW-03 KW-04".
func arrangement(text string) [][]string {
	var out [][]string
	for _, set := range strings.Split(text, ",") {
		out = append(out, strings.Fields(set))
	}
	return out
}

// planned is what plan prints.
type planned struct {
	*pack.Plan
	Strings    int      `json:"strings"`
	Series     int      `json:"series"`
	Resistance string   `json:"resistance_figure"`
	Left       []string `json:"left_out"`
	Notes      []string `json:"notes"`
}

func (a *app) packPlan(ctx context.Context, s *session, f *packPlanFlags, args []string) error {
	l, err := f.layout()
	if err != nil {
		return err
	}
	o := pack.Options{Seed: f.seed, Draws: f.draws}
	if o.Draws < 100 || o.Draws > pack.DrawsMost {
		return usagef("--draws %d; 100 to %d would be right", o.Draws, pack.DrawsMost)
	}
	lot, err := f.lot(ctx, s, args, &l)
	if err != nil {
		return err
	}
	p := &planned{Strings: f.strings, Series: f.series, Resistance: lot.resistance, Left: lot.left, Notes: lot.notes}
	if f.asBuilt != "" {
		p.Plan, err = pack.Judge(lot.candidates, arrangement(f.asBuilt), l, o)
	} else {
		p.Plan, err = pack.Choose(lot.candidates, l, o)
	}
	if err != nil {
		return usageError{err}
	}
	if a.json {
		return a.printJSON(p)
	}
	a.tellPlan(p, f.asBuilt != "")
	return nil
}

func (a *app) tellPlan(p *planned, asBuilt bool) {
	for _, l := range p.Left {
		a.tellWrapped("left out: ", l)
	}
	set, many := "string", fmt.Sprintf("%d in parallel, %d modules in series each", p.Strings, p.Series)
	if p.ParallelFirst {
		set, many = "group", fmt.Sprintf("%d groups in series, %d modules in parallel each", p.Series, p.Strings)
	}
	t := newTable(set, ">place", "module", ">Ah", ">mOhm", ">share %", ">heat", "")
	for i, s := range p.Sets {
		for j, pl := range s.Places {
			note := ""
			if pl.Module == s.Weakest {
				note = "empty first in its " + set
				if i == p.Limiting {
					note = "empty first"
				}
			}
			t.row(fmt.Sprint(i+1), fmt.Sprint(j+1), pl.Module, fmt.Sprintf("%.2f", pl.Capacity), fmt.Sprintf("%.2f", pl.Resistance),
				fmt.Sprintf("%.2f", 100*pl.Share), fmt.Sprintf("%.2f", pl.Heat), note)
		}
	}
	t.print(a.out)
	fmt.Fprintln(a.out)
	sets := newTable(set, ">Ah", ">Wh", ">mOhm", ">share %", ">over even %", ">apart in 30 d Ah")
	for i, s := range p.Sets {
		sets.row(fmt.Sprint(i+1), fmt.Sprintf("%.2f", s.Capacity), fmt.Sprintf("%.0f", s.Energy), fmt.Sprintf("%.1f", s.Resistance),
			fmt.Sprintf("%.2f", 100*s.Share), fmt.Sprintf("%+.2f", 100*s.Excess), fmt.Sprintf("%.2f", s.Apart))
	}
	sets.print(a.out)
	fmt.Fprintln(a.out)
	pairs(a.out, p.summary(many, asBuilt)...)
	fmt.Fprintln(a.out)
	for _, n := range p.Notes {
		a.tellWrapped("- ", n)
	}
}

func (p *planned) summary(many string, asBuilt bool) []string {
	how := "near the best: no exchange of two modules helps; a better one may exist"
	switch {
	case asBuilt:
		how = "as it stands"
	case p.Proven:
		how = "no arrangement of these modules is better"
	}
	f := &p.Forecast
	out := []string{
		"pack", many + "; " + how,
		"forecast", fmt.Sprintf("%.2f Ah (%.2f to %.2f), %.3f kWh (%.3f to %.3f): %.2f %% of %d draws, seed %d",
			f.Charge.Median, f.Charge.Low, f.Charge.High, f.Energy.Median/1000, f.Energy.Low/1000, f.Energy.High/1000, 100*f.Coverage, f.Draws, f.Seed),
		"as measured", fmt.Sprintf("%.2f Ah, %.3f kWh; %.2f %% of what no arrangement can exceed", p.Charge, p.Energy/1000, 100*p.OfCeiling),
	}
	if p.Current > 0 {
		out = append(out, "current", fmt.Sprintf("%.1f A until the first module is at its discharge limit", p.Current))
	}
	weakest := "no module costs anything against a middling one in its place"
	if w := p.Weakest; w.Energy > 0 {
		weakest = fmt.Sprintf("%s: a middling module in its place would bring %.0f Wh (%.2f Ah, %.2f %%)", w.Out, w.Energy, w.Charge, 100*w.Energy/p.Energy)
	}
	swap := "none of two modules would help"
	if x := p.Swap; x != nil {
		swap = fmt.Sprintf("%s for %s would bring %.0f Wh (%.2f Ah)", x.Out, x.In, x.Energy, x.Charge)
	}
	spare := "none"
	if len(p.Spare) > 0 {
		spare = strings.Join(p.Spare, " ")
	}
	return append(out, "weakest", weakest, "exchange", swap, "left over", spare)
}
