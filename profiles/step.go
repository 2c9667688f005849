package profiles

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// maxSteps bounds a profile's length. Repeats do not nest: the machine counts a
// jump once in a run, not once in each pass of an outer loop.
const (
	maxSteps  = 200
	maxRepeat = 1
)

// stepKinds are the words a step may begin with.
var stepKinds = []string{"charge", "discharge", "rest", "pulse", "balance", "repeat", "ask", "close", "open"}

// Uses of a step: what the figures may take it for.
var stepUses = []string{"as_received", "capacity", "recharge", "resistance", "ocv", "self_discharge"}

func readSteps(f *fields, n *node, depth int) []StepSpec {
	items := f.list("steps", n, "begin each step with `- `")
	if len(items) > maxSteps {
		f.r.addf(n.at, fmt.Sprintf("at most %d", maxSteps), "there are %d steps", len(items))
		return nil
	}
	var steps []StepSpec
	for _, item := range items {
		if s, ok := readStep(f.r, item, depth); ok {
			steps = append(steps, s)
		}
	}
	nameSteps(f.r, steps)
	return steps
}

// readStep reads `- close`, `- rest: 10 min` or `- charge:` with keys below.
func readStep(r *report, n *node, depth int) (StepSpec, bool) {
	const right = "a step is one word with its keys, such as `- rest: 10 min`"
	s := StepSpec{Pos: n.at}
	var value *node
	switch {
	case n.kind == badNode:
		return s, false
	case n.kind == scalarNode:
		s.Kind = n.text
	case n.kind == mapNode && len(n.keys) == 1:
		s.Kind, value, s.Pos = n.keys[0].key, n.keys[0].value, n.keys[0].at
	case n.kind == mapNode && len(n.keys) > 1:
		r.addf(n.at, "begin each step with `- ` and indent its keys under its word", "this step has %d words", len(n.keys))
		return s, false
	default:
		r.add(n.at, "this is not a step", right)
		return s, false
	}
	if !slices.Contains(stepKinds, s.Kind) {
		hint := "a step is one of " + strings.Join(stepKinds, ", ")
		if near := nearest(s.Kind, stepKinds); near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		}
		r.addf(s.Pos, hint, "%q is not a step", s.Kind)
		return s, false
	}
	if value == nil {
		if s.Kind != "close" && s.Kind != "open" {
			right := "write its keys under `" + s.Kind + ":`"
			if s.Kind == "rest" {
				right = "write `- rest: 10 min`"
			}
			r.addf(s.Pos, right, "%s says nothing", s.Kind)
		}
		return s, true
	}
	s.read(r, value, depth)
	return s, true
}

func (s *StepSpec) read(r *report, value *node, depth int) {
	if value.kind == scalarNode && (s.Kind == "rest" || s.Kind == "ask") {
		f := &fields{r: r, n: value, what: s.Kind, at: map[string]Pos{"for": value.at}}
		if s.Kind == "ask" {
			s.Ask = value.text
		} else {
			s.For = drivers.Span(f.quantityOf("rest", value, DimTime, anyRest))
		}
		s.at = f.at
		return
	}
	f := r.fields(value, s.Kind)
	s.at = f.at
	s.Label = f.name("label", "top-up", false)
	switch s.Kind {
	case "charge", "discharge":
		s.Use = f.choice("use", false, stepUses...)
		s.Drive = readDrive(f, s.Kind == "charge")
	case "pulse":
		s.Use = f.choice("use", false, stepUses...)
		s.Drive = readPulse(f)
	case "rest":
		s.Use = f.choice("use", false, stepUses...)
		s.For = drivers.Span(f.quantity("for", true, DimTime, anyRest))
	case "balance":
		s.Balance = readBalance(f)
	case "ask":
		s.Ask = f.text("text", "say what the person is to do")
	case "repeat":
		s.Repeat = readRepeat(f, depth)
	}
	f.finish()
}

var anyRest = span{1_000_000, 30 * 86_400_000_000} // 1 s to 30 d

// rate reads `20 A`, `0.5 C` or `C/3`.
func (f *fields) rate(key string, required bool) Rate {
	const right = "write a current such as 20 A, 0.5 C or C/3"
	n := f.find(key)
	if required {
		n = f.need(key, right)
	}
	s, ok := f.scalar(key, n, right)
	if !ok {
		return Rate{}
	}
	if whole, found := strings.CutPrefix(s, "C/"); found {
		den, err := strconv.ParseInt(whole, 10, 64)
		if err != nil || !countForm.MatchString(whole) || den < 1 || den > 1000 {
			f.r.addf(n.at, right, "%s: %q is not a rate", key, s)
			return Rate{}
		}
		return Rate{Num: 1, Den: den}
	}
	if v, err := ParseQuantity(s, DimRate); err == nil {
		if v <= 0 || v > 20_000_000 {
			f.r.addf(n.at, "over 0 C and at most 20 C", "%s of %s cannot be", key, s)
			return Rate{}
		}
		return Rate{Num: v, Den: 1_000_000}
	}
	v, err := ParseQuantity(s, DimCurrent)
	if err != nil {
		f.r.add(n.at, key+": "+plain(err), right)
		return Rate{}
	}
	if v < anyCurrent.lo || v > anyCurrent.hi {
		f.r.addf(n.at, between(anyCurrent.lo, anyCurrent.hi, DimCurrent), "%s of %s cannot be", key, s)
		return Rate{}
	}
	return Rate{Current: drivers.Microamps(v)}
}

func readDrive(f *fields, charge bool) DriveSpec {
	d := DriveSpec{
		Charge:  charge,
		Current: f.rate("current", true),
		Hold:    drivers.Microvolts(f.quantity("hold", false, DimCell, anyCell)),
		Taper:   f.rate("taper", false),
		CellEnd: drivers.Microvolts(f.quantity("cell_end", false, DimCell, anyCell)),
		For:     drivers.Span(f.quantity("for", false, DimTime, anyRest)),
		SaveAs:  f.name("save_as", "capacity", false),
	}
	d.counted(f)
	if n := f.find("at_most"); n != nil {
		d.AtMost = readBounds(f.r.fields(n, f.what+".at_most"))
	}
	d.checkEnds(f)
	return d
}

// counted reads `counted: 20 Ah` or `counted: 50 % of capacity`.
func (d *DriveSpec) counted(f *fields) {
	const right = "write a charge such as 20 Ah, or 50 % of a saved capacity"
	n := f.find("counted")
	s, ok := f.scalar("counted", n, right)
	if !ok {
		return
	}
	part, of, found := strings.Cut(s, " of ")
	if !found {
		d.Counted = drivers.Charge(f.quantityText("counted", n.at, s, DimCharge, anyCounted))
		return
	}
	// The machine counts in per mille.
	d.Fraction = f.quantityText("counted", n.at, part, DimRatio, span{1_000, 1_000_000})
	if d.Fraction%1000 != 0 {
		f.r.addf(n.at, "write it to 0.1 %", "counted: %s is too fine", part)
	}
	d.CountedOf = of
}

var anyCounted = span{3_600_000, anyCapacity.hi} // from 1 uAh

func (d *DriveSpec) checkEnds(f *fields) {
	if f.n.kind != mapNode {
		return
	}
	hasHold, hasTaper := f.has("hold"), f.has("taper")
	switch {
	case hasTaper && !hasHold:
		f.r.add(f.at["taper"], "taper without hold: the current would never fall", "add hold, such as 3.55 V/cell")
	case !hasTaper && !f.has("cell_end") && !f.has("for") && !f.has("counted"):
		f.r.addf(f.n.at, "give one of hold with taper, cell_end, for, counted", "%s has no end", f.what)
	case d.Charge && !hasHold && !f.has("cell_end"):
		f.r.add(f.n.at, "charge knows no cell voltage to stop at", "add hold or cell_end")
	}
	if hasHold && f.has("cell_end") {
		f.r.add(f.at["cell_end"], "hold and cell_end together: the cell would end the step before it is held", "keep one of the two")
	}
}

func readPulse(f *fields) DriveSpec {
	charge, discharge := f.has("charge"), f.has("discharge")
	if charge == discharge && f.n.kind == mapNode {
		f.r.add(f.n.at, "a pulse needs one direction", "give either charge or discharge, with a current")
	}
	d := DriveSpec{Charge: charge}
	if charge {
		d.Current = f.rate("charge", true)
	} else if discharge {
		d.Current = f.rate("discharge", true)
	}
	f.at["current"] = f.at["charge"]
	if discharge {
		f.at["current"] = f.at["discharge"]
	}
	d.For = drivers.Span(f.quantity("for", true, DimTime, span{100_000, 600_000_000}))
	return d
}

func readBounds(f *fields) BoundSpec {
	b := BoundSpec{
		For:    drivers.Span(f.quantity("for", false, DimTime, anyRest)),
		Charge: drivers.Charge(f.quantity("charge", false, DimCharge, anyCounted)),
		Energy: drivers.Energy(f.quantity("energy", false, DimEnergy, span{1_000_000, math.MaxInt64 / 4})),
	}
	f.finish()
	return b
}

func readBalance(f *fields) BalanceSpec {
	b := BalanceSpec{
		Target:  f.quantity("to", true, DimRatio, span{100, 100_000}),
		Settle:  drivers.Span(f.quantity("settle", false, DimTime, span{1_000_000, 600_000_000})),
		Chunk:   drivers.Span(f.quantity("chunk", false, DimTime, span{10_000_000, 7_200_000_000})),
		Rounds:  int(f.count("rounds", false, 1, 100)),
		TempMax: drivers.Millikelvins(f.quantity("pause_above", false, DimTemperature, anyTemp)),
	}
	if n := f.find("at_most"); n != nil {
		b.AtMost = readBounds(f.r.fields(n, "balance.at_most"))
	}
	t := f.r.fields(f.need("top_up", "give current, hold and taper of the charge before each round"), "balance.top_up")
	b.TopUp = DriveSpec{
		Charge:  true,
		Current: t.rate("current", true),
		Hold:    drivers.Microvolts(t.quantity("hold", true, DimCell, anyCell)),
		Taper:   t.rate("taper", true),
	}
	t.finish()
	for key, at := range t.at {
		f.at["top_up."+key] = at
	}
	return b
}

func readRepeat(f *fields, depth int) RepeatSpec {
	var p RepeatSpec
	if depth >= maxRepeat {
		f.r.addf(f.n.at, "write the inner steps out", "a repeat stands inside a repeat")
		f.ignore()
		return p
	}
	if n := f.find("until"); n != nil {
		u := f.r.fields(n, "repeat.until")
		p.Until = u.name("value", "capacity", true)
		p.Last = int(u.count("last", true, 2, 20))
		p.Within = u.quantity("within", true, DimRatio, span{100, 500_000})
		u.finish()
		f.at["until.value"] = u.at["value"]
		p.Times = int(f.count("at_most", true, 2, 50))
		p.Fail = f.choice("otherwise", false, "fail", "go_on") != "go_on"
		if p.Times > 0 && p.Last > p.Times {
			f.r.addf(f.at["at_most"], fmt.Sprintf("at least %d", p.Last), "at_most %d never gives the last %d", p.Times, p.Last)
		}
	} else {
		p.Times = int(f.count("times", true, 1, 1000))
	}
	p.Steps = readSteps(f, f.need("steps", "list what to repeat"), depth+1)
	return p
}

// nameSteps gives every step a label that is unique among its siblings.
func nameSteps(r *report, steps []StepSpec) {
	used := map[string]int{}
	for i := range steps {
		s := &steps[i]
		if s.Label == "" {
			continue
		}
		if line, twice := used[s.Label]; twice {
			r.addf(s.at["label"], "give each step its own", "label %q was given before, on line %d", s.Label, line)
		}
		used[s.Label] = s.Pos.Line
	}
	for i := range steps {
		s := &steps[i]
		for n := 1; s.Label == ""; n++ {
			label := s.Kind
			if n > 1 {
				label = fmt.Sprintf("%s %d", s.Kind, n)
			}
			if _, taken := used[label]; !taken {
				s.Label, used[label] = label, s.Pos.Line
			}
		}
	}
}
