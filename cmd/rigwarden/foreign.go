package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/bdf"
)

// printForeign tells of each file and, of several, how they compare.
func (a *app) printForeign(f *foreign) {
	for i, r := range f.Files {
		if i > 0 {
			fmt.Fprintln(a.out)
		}
		a.printBDF(r)
	}
	if len(f.Files) < 2 {
		return
	}
	fmt.Fprintf(a.out, "\n%d files as siblings, one article each\n", len(f.Files))
	for _, r := range f.Rankings {
		fmt.Fprintln(a.out)
		a.printRanking(r)
	}
	if len(f.Rankings) == 0 {
		fmt.Fprintln(a.out, "no figure that any of them proves")
	}
	fmt.Fprintln(a.out)
	a.printOdd(f.Odd, len(f.Files))
}

func (a *app) printBDF(r *bdf.Report) {
	fmt.Fprintf(a.out, "%s: %d rows used, %d left out, %d steps\n\n", r.File, r.Rows, r.BadRows, len(r.Steps)+r.Unlisted)
	declared := false
	for _, s := range r.Steps {
		declared = declared || s.ChargeU > 0 || s.EnergyU > 0
	}
	head := []string{"step", "id", "kind", ">s", ">A mean", ">Ah", ">Wh", ">V start", ">V end"}
	if declared {
		head = []string{"step", "id", "kind", ">s", ">A mean", ">Ah", ">+/-", ">Wh", ">+/-", ">V start", ">V end"}
	}
	t := newTable(head...)
	for _, s := range r.Steps {
		cells := []string{fmt.Sprint(s.Number), dash(s.ID), s.Kind, fmt.Sprintf("%.2f", s.Seconds), fmt.Sprintf("%.4f", s.MeanCurrent)}
		if declared {
			cells = append(cells, fmt.Sprintf("%.5f", s.Charge), twoDigits(s.ChargeU), fmt.Sprintf("%.4f", s.Energy), twoDigits(s.EnergyU))
		} else {
			cells = append(cells, fmt.Sprintf("%.5f", s.Charge), fmt.Sprintf("%.4f", s.Energy))
		}
		t.row(append(cells, fmt.Sprintf("%.4f", s.StartVoltage), fmt.Sprintf("%.4f", s.EndVoltage))...)
	}
	t.print(a.out)
	if r.Unlisted > 0 {
		fmt.Fprintf(a.out, "and %d steps more\n", r.Unlisted)
	}
	a.printResistances(r.Steps)
	a.printWhyNoResistance(r.Steps)
	a.printPairs(r.Pairs)
	a.printCounters(r.Steps)
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

// printResistances is a row for each step that tells any.
func (a *app) printResistances(steps []bdf.Step) {
	var t *table
	for _, s := range steps {
		cells, any := []string{fmt.Sprint(s.Number), s.Kind}, false
		for _, r := range s.Resistances {
			cells, any = append(cells, milliohms(r)), any || r.OK
		}
		if !any {
			continue
		}
		if t == nil {
			head := []string{"step", "kind"}
			for _, r := range s.Resistances {
				head = append(head, fmt.Sprintf(">%g s", r.After))
			}
			t = newTable(head...)
		}
		t.row(cells...)
	}
	if t != nil {
		fmt.Fprintln(a.out, "\nd.c. resistance so long after a step's edge, mOhm, +/- at 95 %")
		t.print(a.out)
	}
}

// twoDigits writes an uncertainty to two significant digits.
func twoDigits(u float64) string {
	if u <= 0 {
		return "-"
	}
	return strconv.FormatFloat(u, 'g', 2, 64)
}

func milliohms(r bdf.Resistance) string {
	if !r.OK {
		return "-"
	}
	if r.U <= 0 {
		return fmt.Sprintf("%.3f", r.MilliOhm)
	}
	places := min(max(1-int(math.Floor(math.Log10(r.U))), 0), 6)
	return fmt.Sprintf("%.*f +/- %.*f", places, r.MilliOhm, places, r.U)
}

// whyMost bounds the reasons that are printed.
const whyMost = 20

// printWhyNoResistance says once per reason which steps and times it kept from
// giving a resistance.
func (a *app) printWhyNoResistance(steps []bdf.Step) {
	var order []string
	which := map[string][]string{}
	for _, s := range steps {
		var reasons []string
		times := map[string][]string{}
		for _, r := range s.Resistances {
			if r.OK || r.Reason == "" {
				continue
			}
			if times[r.Reason] == nil {
				reasons = append(reasons, r.Reason)
			}
			times[r.Reason] = append(times[r.Reason], fmt.Sprintf("%g", r.After))
		}
		for _, why := range reasons {
			key := "no resistance at " + strings.Join(times[why], ", ") + " s: " + why
			if len(times[why]) == len(s.Resistances) {
				key = "no resistance: " + why
			}
			if which[key] == nil {
				order = append(order, key)
			}
			which[key] = append(which[key], fmt.Sprint(s.Number))
		}
	}
	for n, key := range order {
		if n == whyMost {
			fmt.Fprintf(a.out, "and %d such reasons more: --json lists each\n", len(order)-n)
			return
		}
		for i, l := range wrap(fmt.Sprintf("%s (step %s)", key, strings.Join(which[key], ", ")), screen-2) {
			fmt.Fprintf(a.out, "%s%s\n", []string{"", "  "}[min(i, 1)], l)
		}
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
		t.row(joinInts(p.Charge), joinInts(p.Discharge), percent(p.Coulombic, p.CoulombicU), percent(p.Energy, p.EnergyU), percent(p.Voltage, 0), p.Reason)
	}
	t.print(a.out)
	fmt.Fprintln(a.out)
}

func percent(v, u float64) string {
	if u <= 0 {
		return fmt.Sprintf("%.4f %%", v)
	}
	return fmt.Sprintf("%.4f +/- %s %%", v, twoDigits(u))
}

func joinInts(ns []int) string {
	out := make([]string, len(ns))
	for i, n := range ns {
		out[i] = fmt.Sprint(n)
	}
	return strings.Join(out, ", ")
}

// counterShare and counterLeast are by how much a step's charge and the file's own
// counter may differ before it is worth a line: a ten-thousandth, and 0.1 mAh.
const counterShare, counterLeast = 1e-4, 1e-4

// printCounters compares the file's own counters with the integrals: in one line
// where they agree.
func (a *app) printCounters(steps []bdf.Step) {
	agree, most := 0, 0.0
	for _, s := range steps {
		c := s.Counter
		if c == nil {
			continue
		}
		d := math.Abs(c.Charge - s.Charge)
		if c.Resets == 0 && d <= max(counterShare*math.Abs(s.Charge), counterLeast) {
			agree, most = agree+1, max(most, d)
			continue
		}
		fmt.Fprintf(a.out, "step %d: the file's own counter says %.6f Ah (%d resets; its last value %.6f)\n", s.Number, c.Charge, c.Resets, c.Last)
	}
	if agree > 0 {
		fmt.Fprintf(a.out, "the file's own counter agrees in %d steps, within %.2g mAh\n", agree, 1000*most)
	}
}
