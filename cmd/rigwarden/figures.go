package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/bdf"
	"github.com/rigwarden/rigwarden/orchestrator/service"
)

func (a *app) figuresCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "figures FILE.bdf.csv",
		Short: "Compute figures from a Battery Data Format file that anybody wrote",
		Long: `Read a Battery Data Format file (CSV; "Test Time / s", "Voltage / V" and
"Current / A" are required, positive current is charge) and print what each step
did: duration, mean current, charge, energy, voltages, efficiencies of charge and
discharge pairs, and the d.c. resistance 1 s and 10 s after a step's edge where
the rows allow one. Rows that cannot be right are named, left out and counted.`,
		Example: "  rigwarden figures cell.bdf.csv\n  rigwarden figures cell.bdf.csv --json",
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			f, err := os.Open(args[0])
			if err != nil {
				return usagef("%w; a path to a readable file would be right", err)
			}
			defer f.Close()
			r, err := bdf.Read(args[0], f)
			if err != nil {
				return &service.Error{Kind: service.KindInvalid, What: err.Error(), Want: `a CSV file with the columns "Test Time / s", "Voltage / V" and "Current / A"`}
			}
			if a.json {
				return a.printJSON(r)
			}
			a.printBDF(r)
			return nil
		},
	}
}

func (a *app) printBDF(r *bdf.Report) {
	fmt.Fprintf(a.out, "%s: %d rows used, %d left out, %d steps\n\n", r.File, r.Rows, r.BadRows, len(r.Steps)+r.Unlisted)
	t := newTable("step", "id", "kind", ">s", ">A mean", ">Ah", ">Wh", ">V start", ">V end", ">mOhm 1 s", ">10 s")
	for _, s := range r.Steps {
		t.row(fmt.Sprint(s.Number), dash(s.ID), s.Kind, fmt.Sprintf("%.2f", s.Seconds), fmt.Sprintf("%.4f", s.MeanCurrent),
			fmt.Sprintf("%.5f", s.Charge), fmt.Sprintf("%.4f", s.Energy), fmt.Sprintf("%.4f", s.StartVoltage), fmt.Sprintf("%.4f", s.EndVoltage),
			milliohms(s.R1), milliohms(s.R10))
	}
	t.print(a.out)
	if r.Unlisted > 0 {
		fmt.Fprintf(a.out, "and %d steps more\n", r.Unlisted)
	}
	a.printWhyNoResistance(r.Steps)
	a.printPairs(r.Pairs)
	for _, s := range r.Steps {
		if c := s.Counter; c != nil {
			fmt.Fprintf(a.out, "step %d: the file's own counter says %.6f Ah (%d resets; its last value %.6f)\n", s.Number, c.Charge, c.Resets, c.Last)
		}
	}
	if r.Peukert != 0 {
		fmt.Fprintf(a.out, "Peukert exponent over the full discharges: %.6f\n", r.Peukert)
	}
	for _, b := range r.Bad {
		fmt.Fprintf(a.out, "left out: %s\n", b.At)
	}
	if n := r.BadRows - int64(len(r.Bad)); n > 0 {
		fmt.Fprintf(a.out, "left out: %d rows more\n", n)
	}
	for _, n := range r.Notes {
		fmt.Fprintf(a.out, "note: %s\n", n)
	}
}

func milliohms(r bdf.Resistance) string {
	if !r.OK {
		return "-"
	}
	return fmt.Sprintf("%.3f", r.MilliOhm)
}

// printWhyNoResistance says once per reason which steps it kept from giving a
// resistance.
func (a *app) printWhyNoResistance(steps []bdf.Step) {
	var order []string
	which := map[string][]string{}
	for _, s := range steps {
		for _, r := range []struct {
			after string
			bdf.Resistance
		}{{"1 s", s.R1}, {"10 s", s.R10}} {
			if r.OK || r.Reason == "" {
				continue
			}
			key := "no resistance at " + r.after + ": " + r.Reason
			if which[key] == nil {
				order = append(order, key)
			}
			which[key] = append(which[key], fmt.Sprint(s.Number))
		}
	}
	for _, key := range order {
		fmt.Fprintf(a.out, "%s (step %s)\n", key, strings.Join(which[key], ", "))
	}
}

func (a *app) printPairs(pairs []bdf.Pair) {
	if len(pairs) == 0 {
		return
	}
	fmt.Fprintln(a.out)
	t := newTable("charge", "discharge", ">coulombic", ">energy", ">voltage", "note")
	for _, p := range pairs {
		if !p.OK {
			t.row(joinInts(p.Charge), joinInts(p.Discharge), "-", "-", "-", p.Reason)
			continue
		}
		t.row(joinInts(p.Charge), joinInts(p.Discharge), percent(p.Coulombic), percent(p.Energy), percent(p.Voltage), p.Reason)
	}
	t.print(a.out)
	fmt.Fprintln(a.out)
}

func percent(v float64) string { return fmt.Sprintf("%.4f %%", v) }

func joinInts(ns []int) string {
	out := make([]string, len(ns))
	for i, n := range ns {
		out[i] = fmt.Sprint(n)
	}
	return strings.Join(out, ", ")
}
