package main

import (
	"os"
	"slices"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/bdf"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sibling"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
)

// figuresFlags are what a file does not say of its instruments.
type figuresFlags struct {
	voltage, current, clock accuracyFlag
	separate, together      bool
}

// foreign is the answer of `figures --json`. Keys may be added, never renamed.
type foreign struct {
	// Level is the coverage probability of every interval.
	Level    float64            `json:"level"`
	Files    []*bdf.Report      `json:"files"`
	Rankings []*sibling.Ranking `json:"rankings"`
	Odd      []oddModule        `json:"odd"`
}

func (a *app) figuresCmd() *cobra.Command {
	f := &figuresFlags{}
	f.voltage.dim, f.current.dim, f.clock.dim = profiles.DimVoltage, profiles.DimCurrent, profiles.DimTime
	c := &cobra.Command{
		Use:   "figures FILE.bdf.csv...",
		Short: "Compute figures from Battery Data Format files that anybody wrote",
		Long: `Read Battery Data Format files (CSV; "Test Time / s", "Voltage / V" and
"Current / A" are required, positive current is charge) and print what each step
did: duration, mean current, charge, energy, voltages, efficiencies of charge and
discharge pairs, and the d.c. resistance 0.1, 1, 2, 5 and 10 s after a step's edge,
each with its interval (95 %). A resistance is refused, with the reason, where the
pulse is too short, rows are missing, or the current's rise, skew and averaging
take more than a tenth of that time. Rows that cannot be right are named, left out
and counted.

A file says nothing of its instruments: declare them with --voltage, --current and
--time, or intervals hold what the rows tell, and no more. The offset of --time is
how far the voltage and the current of one row may lie apart: skew and averaging.

Several files are compared as siblings, one article each: ranked by discharge,
efficiencies and resistances, the best first, the odd one named. With --together
one set of instruments measured all of them, and what they share cancels.

--json prints one object: level, files, rankings, odd. Keys may be added, never
renamed.`,
		Example: `  rigwarden figures cell.bdf.csv
  rigwarden figures cell.bdf.csv --voltage "0.02 % + 1 mV" --current "0.05 % + 5 mA" --time "0.01 % + 5 ms"
  rigwarden figures cell-*.bdf.csv --together --current "0.1 %" --json`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			out, err := f.read(args)
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(out)
			}
			a.printForeign(out)
			return nil
		},
	}
	fl := c.Flags()
	fl.Var(&f.voltage, "voltage", `accuracy of the voltage, such as "0.02 % + 1 mV"`)
	fl.Var(&f.current, "current", `accuracy of the current, such as "0.05 % + 5 mA"`)
	fl.Var(&f.clock, "time", `accuracy of the time, such as "0.01 % + 5 ms"`)
	fl.BoolVar(&f.separate, "separate", false, "charge and discharge were measured by different instruments: nothing cancels")
	fl.BoolVar(&f.together, "together", false, "the same instruments measured all files: what they share cancels between them")
	return c
}

// options are what the flags declare, none where they declare nothing.
func (f *figuresFlags) options() []bdf.Option {
	if f.voltage.text == "" && f.current.text == "" && f.clock.text == "" {
		return nil
	}
	ratio := func(a accuracyFlag) float64 { return float64(a.GainPPM) / 1e6 }
	base := func(a accuracyFlag) float64 { return float64(a.Offset) / 1e6 }
	return []bdf.Option{bdf.With(bdf.Accuracy{
		VoltageGain: ratio(f.voltage), VoltageOffset: base(f.voltage),
		CurrentGain: ratio(f.current), CurrentOffset: base(f.current),
		TimeGain: ratio(f.clock), Lag: base(f.clock), Separate: f.separate,
	})}
}

func (f *figuresFlags) read(paths []string) (*foreign, error) {
	out := &foreign{Level: gum.Level, Rankings: []*sibling.Ranking{}, Odd: []oddModule{}}
	options := f.options()
	if f.separate && options == nil {
		return nil, usagef("--separate without an accuracy says nothing; --current or --voltage beside it would be right")
	}
	for i, path := range paths {
		if slices.Contains(paths[:i], path) {
			return nil, usagef("%s is named twice; name each file once", path)
		}
		r, err := readForeign(path, options)
		if err != nil {
			return nil, err
		}
		out.Files = append(out.Files, r)
	}
	if len(out.Files) == 1 {
		return out, nil
	}
	bench := ""
	if f.together {
		bench = "one"
	}
	out.Rankings = append(out.Rankings, bdf.Compare(out.Files, bench)...)
	out.Odd = append(out.Odd, oddOf(out.Rankings)...)
	return out, nil
}

func readForeign(path string, options []bdf.Option) (*bdf.Report, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, usagef("%w; a path to a readable file would be right", err)
	}
	defer f.Close()
	r, err := bdf.Read(path, f, options...)
	if err != nil {
		return nil, &service.Error{Kind: service.KindInvalid, What: err.Error(), Want: `a CSV file with the columns "Test Time / s", "Voltage / V" and "Current / A"`}
	}
	return r, nil
}
