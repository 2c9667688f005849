package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/pack"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
)

func (a *app) packCmd() *cobra.Command {
	return group("pack", "Put modules together: what may be connected, and which go where",
		"  rigwarden pack check \"KW-01=78.96 V\" \"KW-02=78.41 V\" --temperature \"21 degC\" \\\n    --fuse \"100 A\" --breaking \"20000 A\"\n  rigwarden pack plan --strings 2 --series 4",
		a.packCheckCmd(), a.packPlanCmd())
}

// packCheckFlags are what a person knows of modules that are to be connected.
type packCheckFlags struct {
	module, temperature         string
	soc, resistance             []string
	meter                       accuracyFlag
	curve, unsure, apart, leads quantityFlag
	fuse, breaking, joint       quantityFlag
	unisolated                  bool
}

const packCheckLong = `Say whether modules may be connected in parallel now: the equalising current, how
it decays, the charge and heat it moves, by simulation over their open-circuit
curves. The worst case over every uncertainty is held against the weakest of
module, fuse and joint. Where it is too much, it is told to which voltage each has
to be brought first, and which of them to charge or discharge.

Give what a hand meter reads at each module's open terminals, after a rest. Equal
volts prove little where the curve is flat: give with --soc what was counted.
Taken are the registered modules' files and, where a run proved them, capacity and
resistance; --module takes one file for all and needs no store.

Nothing is switched. Every module needs a fuse of its own that breaks what the
others drive into a fault, and a contactor that isolates it.

Exit code 0: they may be connected; 3: not so.`

func (a *app) packCheckCmd() *cobra.Command {
	f := &packCheckFlags{}
	for q, d := range map[*quantityFlag]profiles.Dimension{
		&f.curve: profiles.DimVoltage, &f.unsure: profiles.DimRatio, &f.apart: profiles.DimRatio, &f.leads: profiles.DimResistance,
		&f.fuse: profiles.DimCurrent, &f.breaking: profiles.DimCurrent, &f.joint: profiles.DimCurrent,
	} {
		q.dim = d
	}
	c := &cobra.Command{
		Use:   "check MODULE=VOLTAGE MODULE=VOLTAGE...",
		Short: "Say whether modules may be connected in parallel now, and what to do first",
		Long:  packCheckLong,
		Example: `  rigwarden pack check "KW-01=78.96 V" "KW-02=78.41 V" --temperature "20 degC to 22 degC" \
    --fuse "100 A" --breaking "20000 A"
  rigwarden pack check "KW-01=78.4 V" "KW-02=78.4 V" --soc "KW-01=54 % to 57 %" --soc "KW-02=55 % to 58 %" \
    --temperature "21 degC" --fuse "100 A" --breaking "20000 A" --joint "150 A" --meter "0.05 % + 5 mV"
  rigwarden pack check "A=78.9 V" "B=77.1 V" --module KW-01 --temperature "21 degC" \
    --fuse "100 A" --breaking "20000 A" --json`,
		Args: cobra.MinimumNArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error { return a.packCheck(cmd.Context(), f, args) },
	}
	fl := c.Flags()
	fl.StringVar(&f.module, "module", "", "take this module file, or shipped module, for all of them")
	fl.StringVar(&f.temperature, "temperature", "", `what the sensors read, such as "21 degC" or "19 degC to 22 degC"; required`)
	fl.StringArrayVar(&f.soc, "soc", nil, `state of charge by counting, such as "KW-01=54 % to 57 %"; once for each module`)
	fl.StringArrayVar(&f.resistance, "resistance", nil, `a module's resistance at the first instant, such as "KW-01=31 mOhm"`)
	fl.Var(&f.unsure, "unsure", `by how much resistances may be less or more (default "30 %")`)
	fl.Var(&f.leads, "leads", `what leads, fuse and contactor of a module add to it (default "0 mOhm")`)
	fl.Var(&f.meter, "meter", `the hand meter's accuracy (default "`+usualMeter+`")`)
	fl.Var(&f.curve, "curve", `how far a cell at rest may stand off its open-circuit curve (default "5 mV")`)
	fl.Var(&f.apart, "apart", `how far states of charge may lie apart at worst (default "10 %")`)
	fl.Var(&f.fuse, "fuse", "rated current of each module's own d.c. fuse")
	fl.Var(&f.breaking, "breaking", `d.c. current that this fuse can break, such as "20000 A"`)
	fl.Var(&f.joint, "joint", "what the weakest joint of the connection carries (default the fuse)")
	fl.BoolVar(&f.unisolated, "unisolated", false, "modules have no contactor of their own that a trip opens")
	c.ValidArgsFunction = a.offerReadings
	for _, name := range []string{"soc", "resistance"} {
		if err := c.RegisterFlagCompletionFunc(name, a.offerReadings); err != nil {
			panic(err)
		}
	}
	a.addWhere(c)
	return c
}

// offerReadings completes a module's name with the sign that its reading follows.
func (a *app) offerReadings(cmd *cobra.Command, _ []string, word string) ([]string, cobra.ShellCompDirective) {
	list, _ := a.offerModules(-1)(cmd, nil, word)
	for i := range list {
		list[i] += "="
	}
	return list, cobra.ShellCompDirectiveNoFileComp | cobra.ShellCompDirectiveNoSpace
}

// preset gives a flag its usual value where a person gave none.
func (q *quantityFlag) preset(usual string) error {
	if q.text != "" {
		return nil
	}
	return q.Set(usual)
}

func (a *app) packCheck(ctx context.Context, f *packCheckFlags, args []string) error {
	branches, sources, err := a.branches(ctx, f, args)
	if err != nil {
		return err
	}
	p, err := pack.Check(branches, pack.Rules{Apart: float64(f.apart.value) * 1e-6})
	if errors.Is(err, pack.ErrUnfollowed) {
		return &service.Error{Kind: service.KindRefused, What: err.Error(), Want: "modules of one build, and resistances as they were measured"}
	}
	if err != nil {
		return usageError{err}
	}
	if a.json {
		err = a.printJSON(struct {
			*pack.Precheck
			Sources  []string `json:"sources"`
			Cautions []string `json:"cautions"`
		}{p, sources, parallelCautions(p)})
		if err != nil {
			return err
		}
	} else {
		a.tellPrecheck(p, sources)
	}
	if !p.Allowed {
		return ending{exitNotPassed}
	}
	return nil
}

// reading splits "KW-01=78.96 V".
func reading(flag, text string) (name, rest string, err error) {
	name, rest, ok := strings.Cut(text, "=")
	name, rest = strings.TrimSpace(name), strings.TrimSpace(rest)
	if !ok || name == "" || rest == "" {
		return "", "", usagef("%s%q: a module and its reading, such as \"KW-01=78.96 V\", would be right", flag, text)
	}
	return name, rest, nil
}

// span reads "20 % to 30 %", or one quantity as a span of no width.
func span(text string, d profiles.Dimension) (low, high int64, err error) {
	from, to, two := strings.Cut(text, " to ")
	if low, err = profiles.ParseQuantity(strings.TrimSpace(from), d); err != nil {
		return 0, 0, err
	}
	if high = low; two {
		if high, err = profiles.ParseQuantity(strings.TrimSpace(to), d); err != nil {
			return 0, 0, err
		}
	}
	if high < low {
		return 0, 0, fmt.Errorf("%q does not rise", text)
	}
	return low, high, nil
}
