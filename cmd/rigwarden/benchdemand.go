package main

import (
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/profiles"
)

// demand is a protection that an unattended run demands of a bench.
type demand struct {
	Protection string `json:"protection"`
	Declared   bool   `json:"declared"`
	Against    string `json:"against"`
	Fit        string `json:"fit"`
	Prove      string `json:"prove"`
	Write      string `json:"write"`
}

// demandsOf lists what an unattended run demands of the bench: for a module, or
// for whatever module where serial or file of one is not given.
func demandsOf(f *benchFile, module string) ([]demand, error) {
	var m *profiles.Module
	if module != "" {
		src, err := readModule(module)
		if err != nil {
			return nil, err
		}
		var problems []profiles.Problem
		if m, problems = profiles.ParseModule(src.GetName(), src.GetContent()); len(problems) > 0 {
			return nil, usagef("%w", errors.Join(profiles.Error(problems)))
		}
	}
	list := []demand{}
	for _, d := range f.Demands(m) {
		list = append(list, demand{Protection: d.Key, Declared: d.Declared, Against: d.Against, Fit: d.Fit, Prove: d.Prove, Write: d.Write})
	}
	return list, nil
}

// lacking are the demands that the bench file does not meet.
func lacking(list []demand) (out []demand) {
	for _, d := range list {
		if !d.Declared {
			out = append(out, d)
		}
	}
	return out
}

// printDemands says what to fit, prove and write before anybody may leave a run
// alone.
func (a *app) printDemands(list []demand) {
	lack := lacking(list)
	if len(lack) == 0 {
		fmt.Fprintln(a.out, "\nthe bench file declares every protection that an unattended run demands; a profile is still held\nagainst its module")
		return
	}
	fmt.Fprintln(a.out, "\nbefore an unattended run (one with somebody beside it may start without):")
	for _, d := range lack {
		fmt.Fprintf(a.out, "  %s\n", d.Protection)
		pairsAt(a.out, "    ", "against", d.Against, "fit", d.Fit, "prove", d.Prove, "write", d.Write)
	}
}
