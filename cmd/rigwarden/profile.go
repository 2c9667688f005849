package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/service"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func (a *app) profileCmd() *cobra.Command {
	return group("profile", "Check profiles and look at the shipped ones",
		"  rigwarden profile list\n  rigwarden profile check qualify --module KW-01.yaml",
		a.profileCheckCmd(), a.profileListCmd(), a.profileShowCmd())
}

// sourceOf takes what a person wrote for a file or a name: a path is read and
// sent, a name is looked up where the service runs.
func sourceOf(arg string) (*rigwardenv1.Source, error) {
	if arg == "" {
		return nil, nil
	}
	_, err := os.Stat(arg)
	if err != nil && !strings.ContainsAny(arg, `/\`) && !strings.HasSuffix(arg, ".yaml") {
		return &rigwardenv1.Source{Source: &rigwardenv1.Source_Name{Name: arg}}, nil
	}
	f, err := readFile(arg)
	if err != nil {
		return nil, err
	}
	return &rigwardenv1.Source{Source: &rigwardenv1.Source_File{File: f}}, nil
}

func (a *app) profileCheckCmd() *cobra.Command {
	var module, bench string
	c := &cobra.Command{
		Use:   "check PROFILE",
		Short: "Check a profile for a module and preview what it would do",
		Long: `Check a profile for a module on a bench, and preview duration, charge and energy.
PROFILE, --module and --bench take a path or the name of a shipped file; with
--server also a registered serial and a served bench. Nothing moves.`,
		Example: "  rigwarden profile check qualify --module KW-01\n  rigwarden profile check mine.yaml --module KW-01.yaml --bench bench.yaml",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			r := &rigwardenv1.CheckProfileRequest{}
			for _, x := range []struct {
				to  **rigwardenv1.Source
				arg string
			}{{&r.Profile, args[0]}, {&r.Module, module}, {&r.Bench, bench}} {
				src, err := sourceOf(x.arg)
				if err != nil {
					return err
				}
				*x.to = src
			}
			s, err := a.openOffline(cmd.Context())
			if err != nil {
				return err
			}
			defer s.close()
			check, err := s.profiles.Check(cmd.Context(), r)
			if err != nil {
				return err
			}
			if a.json {
				if err := a.printJSON(check); err != nil {
					return err
				}
			} else {
				a.printCheck(check)
			}
			if len(check.GetProblems()) > 0 {
				return ending{exitUsage}
			}
			return nil
		},
	}
	c.Flags().StringVar(&module, "module", "", "module file or serial (required)")
	c.Flags().StringVar(&bench, "bench", "", "bench file or name (default the shipped virtual bench)")
	if err := c.MarkFlagRequired("module"); err != nil {
		panic(err)
	}
	a.addWhere(c)
	return c
}

func (a *app) printCheck(check *rigwardenv1.CheckProfileResponse) {
	ps := check.GetProblems()
	for _, p := range ps {
		fmt.Fprintln(a.out, service.Problem{File: p.GetFile(), Line: int(p.GetLine()), Column: int(p.GetColumn()), What: p.GetWhat(), Want: p.GetWant()})
	}
	switch len(ps) {
	case 0:
		a.printPreview(check.GetPreview())
	case 1:
		fmt.Fprintln(a.out, "1 mistake; the profile cannot run")
	default:
		fmt.Fprintf(a.out, "%d mistakes; the profile cannot run\n", len(ps))
	}
}

func (a *app) printPreview(v *rigwardenv1.Preview) {
	fmt.Fprintf(a.out, "%s for %s on bench %s: no mistakes\n\n", v.GetProfile(), v.GetModule(), v.GetBench())
	t := newTable("step", "kind", ">passes", ">predicted", ">charge", ">energy", "for figure")
	for _, s := range v.GetSteps() {
		charge, energy := "-", "-"
		if s.GetChargeNc() != 0 {
			charge, energy = ampHours(s.GetChargeNc()), wattHours(s.GetEnergyUj())
		}
		t.row(s.GetLabel(), s.GetKind(), fmt.Sprint(s.GetRepeat()), clockSpan(s.GetSpanUs()), charge, energy, dash(s.GetUse()))
	}
	t.print(a.out)
	fmt.Fprintln(a.out)
	pairs(a.out,
		"predicted duration", clockSpan(v.GetSpanUs()),
		"charge in, out", ampHours(v.GetChargedNc())+", "+ampHours(v.GetDischargedNc()),
		"energy in, out", wattHours(v.GetChargedUj())+", "+wattHours(v.GetDischargedUj()),
		"a cell trips outside", volts(v.GetCellMinUv())+" to "+volts(v.GetCellMaxUv())+" (kept back from the maker's limits: "+volts(v.GetAllowanceCellUv())+")",
		"current trips above", "charge "+amps(v.GetChargeMaxUa())+", discharge "+amps(v.GetDischargeMaxUa()),
		"temperature trips above", celsius(v.GetTempMaxMk())+fmt.Sprintf(" (kept back: %.1f K)", float64(v.GetAllowanceTempMk())/1e3),
		"lease", shortSpan(v.GetLeaseUs())+" without the orchestrator, then the outputs go off",
		"plan", v.GetPlan(),
	)
}

// libraryWords maps what people type to a kind of shipped file.
var libraryWords = map[string]rigwardenv1.Library{
	"profile":  rigwardenv1.Library_LIBRARY_PROFILE,
	"module":   rigwardenv1.Library_LIBRARY_MODULE,
	"bench":    rigwardenv1.Library_LIBRARY_BENCH,
	"criteria": rigwardenv1.Library_LIBRARY_CRITERIA,
}

func libraryOf(word string) (rigwardenv1.Library, error) {
	if word == "" {
		return rigwardenv1.Library_LIBRARY_UNSPECIFIED, nil
	}
	if k, ok := libraryWords[word]; ok {
		return k, nil
	}
	return 0, usagef("--kind %s is unknown; one of profile, module, bench, criteria would be right", word)
}

func (a *app) profileListCmd() *cobra.Command {
	var kind string
	c := &cobra.Command{
		Use:     "list",
		Short:   "List the shipped profiles, modules, benches and criteria",
		Example: "  rigwarden profile list\n  rigwarden profile list --kind criteria",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			k, err := libraryOf(kind)
			if err != nil {
				return err
			}
			s, err := a.openOffline(cmd.Context())
			if err != nil {
				return err
			}
			defer s.close()
			r, err := s.profiles.List(cmd.Context(), &rigwardenv1.ListProfilesRequest{Library: k})
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(r)
			}
			t := newTable("kind", "name", "about")
			for _, e := range r.GetEntries() {
				t.row(word(e.GetLibrary()), e.GetName(), e.GetAbout())
			}
			t.print(a.out)
			return nil
		},
	}
	c.Flags().StringVar(&kind, "kind", "", "only profile, module, bench or criteria")
	a.addWhere(c)
	return c
}

func (a *app) profileShowCmd() *cobra.Command {
	var kind string
	c := &cobra.Command{
		Use:     "show NAME",
		Short:   "Print a shipped file, to copy and change",
		Example: "  rigwarden profile show qualify > mine.yaml\n  rigwarden profile show KW-01 --kind module",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			k, err := libraryOf(kind)
			if err != nil {
				return err
			}
			s, err := a.openOffline(cmd.Context())
			if err != nil {
				return err
			}
			defer s.close()
			r, err := s.profiles.Get(cmd.Context(), &rigwardenv1.GetProfileRequest{Library: k, Name: args[0]})
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(r)
			}
			_, err = a.out.Write(r.GetFile().GetContent())
			return err
		},
	}
	c.Flags().StringVar(&kind, "kind", "profile", "profile, module, bench or criteria")
	a.addWhere(c)
	return c
}
