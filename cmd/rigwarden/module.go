package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func (a *app) moduleCmd() *cobra.Command {
	return group("module", "Register, check, list and show modules",
		"  rigwarden module add KW-01.yaml\n  rigwarden module check KW-01 --total \"78.96 V\" --cell \"3.290 V\"\n  rigwarden module list",
		a.moduleAddCmd(), a.moduleCheckCmd(), a.moduleInsulationCmd(), a.moduleListCmd(), a.moduleShowCmd())
}

// readFile reads a file that a person named, whole and bounded.
func readFile(path string) (*rigwardenv1.SourceFile, error) {
	const most = 1 << 20
	info, err := os.Stat(path)
	if err != nil {
		return nil, usagef("%w; a path to a readable file would be right", err)
	}
	if !info.Mode().IsRegular() || info.Size() > most {
		return nil, usagef("%s is no file of at most %d bytes; a YAML file would be right", path, most)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, usagef("%w; a path to a readable file would be right", err)
	}
	return &rigwardenv1.SourceFile{Name: path, Content: b}, nil
}

// readModule reads the module file at a path, or the shipped one of that serial.
func readModule(arg string) (*rigwardenv1.SourceFile, error) {
	if _, err := os.Stat(arg); err != nil && !strings.ContainsAny(arg, `/\.`) {
		text, lerr := profiles.LibraryModule(arg)
		if lerr != nil {
			return nil, usagef("%s is neither a file nor a shipped module: %w", arg, lerr)
		}
		return &rigwardenv1.SourceFile{Name: arg + ".yaml", Content: text}, nil
	}
	return readFile(arg)
}

func (a *app) moduleAddCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "add FILE|NAME",
		Short:   "Register a module from its file",
		Long:    "Register a module from its file, or a shipped one by its serial. Adding a known serial again replaces its file\nfor runs to come; finished runs keep the file they were made with.",
		Example: "  rigwarden module add KW-01.yaml\n  rigwarden module add KW-01.yaml --who \"duty engineer\"",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			f, err := readModule(args[0])
			if err != nil {
				return err
			}
			s, err := a.open(cmd.Context())
			if err != nil {
				return err
			}
			defer s.close()
			r, err := s.modules.Register(cmd.Context(), &rigwardenv1.RegisterModuleRequest{File: f, Who: a.who})
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(r)
			}
			verb := "registered"
			if r.GetReplaced() {
				verb = "registered again, with another file"
			}
			fmt.Fprintf(a.out, "%s: %s\n", r.GetModule().GetSerial(), verb)
			a.printModule(r.GetModule())
			return nil
		},
	}
	a.addWhere(c)
	a.addWho(c)
	return c
}

func (a *app) printModule(m *rigwardenv1.Module) {
	pairs(a.out,
		"serial", m.GetSerial(),
		"cells", fmt.Sprintf("%dS%dP %s, %d temperature sensors", m.GetSeries(), m.GetParallel(), m.GetChemistry(), m.GetSensors()),
		"rated capacity", ampHours(m.GetRatedNc()),
		"maker's cell voltage", volts(m.GetCellMinUv())+" to "+volts(m.GetCellMaxUv()),
		"maker's current", "charge "+amps(m.GetChargeMaxUa())+", discharge "+amps(m.GetDischargeMaxUa()),
		"maker's temperature", "charge "+celsius(m.GetTempChargeMinMk())+" to "+celsius(m.GetTempChargeMaxMk())+", discharge "+celsius(m.GetTempDischargeMinMk())+" to "+celsius(m.GetTempDischargeMaxMk()),
		"registered", day(m.GetRegisteredUs())+" UTC by "+dash(m.GetRegisteredBy()),
		"file digest", m.GetDigest(),
	)
}

func (a *app) moduleListCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "list",
		Short:   "List registered modules by serial",
		Example: "  rigwarden module list\n  rigwarden module list --store rig.db --json",
		Args:    cobra.NoArgs,
		RunE: a.on(func(cmd *cobra.Command, s *session, _ []string) error {
			all := &rigwardenv1.ListModulesResponse{}
			for page := (&rigwardenv1.ListModulesRequest{}); ; {
				r, err := s.modules.List(cmd.Context(), page)
				if err != nil {
					return err
				}
				all.Modules = append(all.Modules, r.GetModules()...)
				if !r.GetMore() || len(r.GetModules()) == 0 {
					break
				}
				page.After = r.GetModules()[len(r.GetModules())-1].GetSerial()
			}
			if a.json {
				return a.printJSON(all)
			}
			if len(all.Modules) == 0 {
				fmt.Fprintln(a.out, "no modules; register one with: rigwarden module add FILE")
				return nil
			}
			t := newTable("serial", "cells", ">rated", "registered", "by")
			for _, m := range all.Modules {
				t.row(m.GetSerial(), fmt.Sprintf("%dS%dP %s", m.GetSeries(), m.GetParallel(), m.GetChemistry()),
					ampHours(m.GetRatedNc()), day(m.GetRegisteredUs()), dash(m.GetRegisteredBy()))
			}
			t.print(a.out)
			return nil
		}),
	}
	a.addWhere(c)
	return c
}

func (a *app) moduleShowCmd() *cobra.Command {
	var file bool
	c := &cobra.Command{
		Use:     "show SERIAL",
		Short:   "Show one module, or its file",
		Example: "  rigwarden module show KW-01\n  rigwarden module show KW-01 --file > KW-01.yaml",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			r, err := s.modules.Get(cmd.Context(), &rigwardenv1.GetModuleRequest{Serial: args[0]})
			switch {
			case err != nil:
				return service.FromStatus(err)
			case a.json:
				return a.printJSON(r)
			case file:
				_, err := a.out.Write(r.GetFile().GetContent())
				return err
			}
			a.printModule(r.GetModule())
			return nil
		}),
	}
	c.Flags().BoolVar(&file, "file", false, "print the registered file itself")
	a.addWhere(c)
	return c
}
