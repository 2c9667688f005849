package profiles

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// maxSteps bounds a profile's length. Repeats do not nest: the machine counts a
// jump once in a run, not once in each pass of an outer loop.
const (
	maxSteps  = 200
	maxRepeat = 1
)

// stepKinds are the words a step may begin with.
var stepKinds = []string{"charge", "discharge", "rest", "pulse", "balance", "prove", "repeat", "ask", "close", "open"}

// Uses of a step: what the figures may take it for.
var stepUses = []string{"as_received", "capacity", "recharge", "resistance", "ocv", "self_discharge"}

func readSteps(f *tree.Fields, n *tree.Node, depth int) []StepSpec {
	items := f.List("steps", n, "begin each step with `- `")
	if len(items) > maxSteps {
		f.Report.Addf(n.At, fmt.Sprintf("at most %d", maxSteps), "there are %d steps", len(items))
		return nil
	}
	var steps []StepSpec
	for _, item := range items {
		if s, ok := readStep(f.Report, item, depth); ok {
			steps = append(steps, s)
		}
	}
	nameSteps(f.Report, steps)
	return steps
}

// readStep reads `- close`, `- rest: 10 min` or `- charge:` with keys below.
func readStep(r *tree.Report, n *tree.Node, depth int) (StepSpec, bool) {
	const right = "a step is one word with its keys, such as `- rest: 10 min`"
	s := StepSpec{Pos: n.At}
	var value *tree.Node
	switch {
	case n.Kind == tree.Bad:
		return s, false
	case n.Kind == tree.Scalar:
		s.Kind = n.Text
	case n.Kind == tree.Map && len(n.Keys) == 1:
		s.Kind, value, s.Pos = n.Keys[0].Key, n.Keys[0].Value, n.Keys[0].At
	case n.Kind == tree.Map && len(n.Keys) > 1:
		r.Addf(n.At, "begin each step with `- ` and indent its keys under its word", "this step has %d words", len(n.Keys))
		return s, false
	default:
		r.Add(n.At, "this is not a step", right)
		return s, false
	}
	if !slices.Contains(stepKinds, s.Kind) {
		hint := "a step is one of " + strings.Join(stepKinds, ", ")
		if near := tree.Nearest(s.Kind, stepKinds); near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		}
		r.Addf(s.Pos, hint, "%q is not a step", s.Kind)
		return s, false
	}
	if value == nil {
		if s.Kind != "close" && s.Kind != "open" {
			right := "write its keys under `" + s.Kind + ":`"
			if s.Kind == "rest" {
				right = "write `- rest: 10 min`"
			}
			r.Addf(s.Pos, right, "%s says nothing", s.Kind)
		}
		return s, true
	}
	s.read(r, value, depth)
	return s, true
}

func (s *StepSpec) read(r *tree.Report, value *tree.Node, depth int) {
	if value.Kind == tree.Scalar && (s.Kind == "rest" || s.Kind == "ask") {
		f := &tree.Fields{Report: r, Node: value, What: s.Kind, At: map[string]Pos{"for": value.At}}
		if s.Kind == "ask" {
			s.Ask = value.Text
		} else {
			s.For = drivers.Span(f.QuantityOf("rest", value, DimTime, anyRest))
		}
		s.at = f.At
		return
	}
	f := r.Fields(value, s.Kind)
	s.at = f.At
	s.Label = f.Name("label", "top-up", false)
	switch s.Kind {
	case "charge", "discharge":
		s.Use = f.Choice("use", false, stepUses...)
		s.Drive = readDrive(f, s.Kind == "charge")
	case "pulse":
		s.Use = f.Choice("use", false, stepUses...)
		s.Drive = readPulse(f)
	case "rest":
		s.Use = f.Choice("use", false, stepUses...)
		s.For = drivers.Span(f.Quantity("for", true, DimTime, anyRest))
	case "balance":
		s.Balance = readBalance(f)
	case "prove":
		s.Prove = readProve(f)
	case "ask":
		s.Ask = f.Text("text", "say what the person is to do")
	case "repeat":
		s.Repeat = readRepeat(f, depth)
	}
	f.Finish()
}

var anyRest = tree.Within(1_000_000, 30*86_400_000_000) // 1 s to 30 d

// rate reads `20 A`, `0.5 C` or `C/3`.
func readRate(f *tree.Fields, key string, required bool) Rate {
	const right = "write a current such as 20 A, 0.5 C or C/3"
	n := f.Find(key)
	if required {
		n = f.Need(key, right)
	}
	s, ok := f.Scalar(key, n, right)
	if !ok {
		return Rate{}
	}
	if whole, found := strings.CutPrefix(s, "C/"); found {
		den, err := strconv.ParseInt(whole, 10, 64)
		if err != nil || strconv.FormatInt(den, 10) != whole || den < 1 || den > 1000 {
			f.Report.Addf(n.At, right, "%s: %q is not a rate", key, s)
			return Rate{}
		}
		return Rate{Num: 1, Den: den}
	}
	if v, err := ParseQuantity(s, DimRate); err == nil {
		if v <= 0 || v > 20_000_000 {
			f.Report.Addf(n.At, "over 0 C and at most 20 C", "%s of %s cannot be", key, s)
			return Rate{}
		}
		return Rate{Num: v, Den: 1_000_000}
	}
	v, err := ParseQuantity(s, DimCurrent)
	if err != nil {
		f.Report.Add(n.At, key+": "+tree.Plain(err), right)
		return Rate{}
	}
	if v < anyCurrent.Lo || v > anyCurrent.Hi {
		f.Report.Addf(n.At, between(anyCurrent.Lo, anyCurrent.Hi, DimCurrent), "%s of %s cannot be", key, s)
		return Rate{}
	}
	return Rate{Current: drivers.Microamps(v)}
}

func readDrive(f *tree.Fields, charge bool) DriveSpec {
	d := DriveSpec{
		Charge:  charge,
		Current: readRate(f, "current", true),
		Hold:    drivers.Microvolts(f.Quantity("hold", false, DimCell, anyCell)),
		Taper:   readRate(f, "taper", false),
		CellEnd: drivers.Microvolts(f.Quantity("cell_end", false, DimCell, anyCell)),
		For:     drivers.Span(f.Quantity("for", false, DimTime, anyRest)),
		SaveAs:  f.Name("save_as", "capacity", false),
	}
	d.counted(f)
	if n := f.Find("at_most"); n != nil {
		d.AtMost = readBounds(f.Report.Fields(n, f.What+".at_most"))
	}
	d.checkEnds(f)
	return d
}

// counted reads `counted: 20 Ah`, `counted: 50 % of capacity` or `counted: to
// storage`.
func (d *DriveSpec) counted(f *tree.Fields) {
	const right = "write a charge such as 20 Ah, 50 % of a saved capacity, or to storage"
	n := f.Find("counted")
	s, ok := f.Scalar("counted", n, right)
	if !ok {
		return
	}
	if d.Storage = s == toStorage; d.Storage {
		return
	}
	part, of, found := strings.Cut(s, " of ")
	if !found {
		d.Counted = drivers.Charge(f.QuantityText("counted", n.At, s, DimCharge, anyCounted))
		return
	}
	// The machine counts in per mille.
	d.Fraction = f.QuantityText("counted", n.At, part, DimRatio, tree.Within(1_000, 1_000_000))
	if d.Fraction%1000 != 0 {
		f.Report.Addf(n.At, "write it to 0.1 %", "counted: %s is too fine", part)
	}
	d.CountedOf = of
}

var anyCounted = tree.Within(3_600_000, anyCapacity.Hi) // from 1 uAh

func (d *DriveSpec) checkEnds(f *tree.Fields) {
	if f.Node.Kind != tree.Map {
		return
	}
	hasHold, hasTaper := f.Has("hold"), f.Has("taper")
	switch {
	case hasTaper && !hasHold:
		f.Report.Add(f.At["taper"], "taper without hold: the current would never fall", "add hold, such as 3.55 V/cell")
	case !hasTaper && !f.Has("cell_end") && !f.Has("for") && !f.Has("counted"):
		f.Report.Addf(f.Node.At, "give one of hold with taper, cell_end, for, counted", "%s has no end", f.What)
	case d.Charge && !hasHold && !f.Has("cell_end"):
		f.Report.Add(f.Node.At, "charge knows no cell voltage to stop at", "add hold or cell_end")
	}
	if hasHold && f.Has("cell_end") {
		f.Report.Add(f.At["cell_end"], "hold and cell_end together: the cell would end the step before it is held", "keep one of the two")
	}
}

func readPulse(f *tree.Fields) DriveSpec {
	charge, discharge := f.Has("charge"), f.Has("discharge")
	if charge == discharge && f.Node.Kind == tree.Map {
		f.Report.Add(f.Node.At, "a pulse needs one direction", "give either charge or discharge, with a current")
	}
	d := DriveSpec{Charge: charge}
	if charge {
		d.Current = readRate(f, "charge", true)
	} else if discharge {
		d.Current = readRate(f, "discharge", true)
	}
	f.At["current"] = f.At["charge"]
	if discharge {
		f.At["current"] = f.At["discharge"]
	}
	d.For = drivers.Span(f.Quantity("for", true, DimTime, tree.Within(100_000, 600_000_000)))
	if n := f.Find("first"); n != nil {
		l := f.Report.Fields(n, "pulse.first")
		d.Lead = readRate(l, "current", true)
		d.LeadFor = drivers.Span(l.Quantity("for", true, DimTime, tree.Within(5_000_000, 600_000_000)))
		l.Finish()
		if d.For > longestSecond {
			f.Report.Add(f.At["for"], "for: the second level is too long for a resistance between two levels", "at most 60 s")
		}
	}
	return d
}

// longestSecond is how long a second level may last for the two-level method.
const longestSecond = drivers.Minute

func readBounds(f *tree.Fields) BoundSpec {
	b := BoundSpec{
		For:    drivers.Span(f.Quantity("for", false, DimTime, anyRest)),
		Charge: drivers.Charge(f.Quantity("charge", false, DimCharge, anyCounted)),
		Energy: drivers.Energy(f.Quantity("energy", false, DimEnergy, tree.Within(1_000_000, math.MaxInt64/4))),
	}
	f.Finish()
	return b
}

func readBalance(f *tree.Fields) BalanceSpec {
	b := BalanceSpec{
		Target:  f.Quantity("to", true, DimRatio, tree.Within(100, 100_000)),
		Settle:  drivers.Span(f.Quantity("settle", false, DimTime, tree.Within(1_000_000, 600_000_000))),
		HeldFor: drivers.Span(f.Quantity("held_for", false, DimTime, tree.Within(1_000_000, 7_200_000_000))),
		Spread:  drivers.Microvolts(f.Quantity("spread", false, DimVoltage, tree.Within(1_000, 1_000_000))),
		Flat:    f.Choice("flat_curve", false, "accept") != "",
		Chunk:   drivers.Span(f.Quantity("chunk", false, DimTime, tree.Within(10_000_000, 7_200_000_000))),
		Rounds:  int(f.Count("rounds", false, 1, 100)),
		TempMax: drivers.Millikelvins(f.Quantity("pause_above", false, DimTemperature, anyTemp)),
	}
	if n := f.Find("at_most"); n != nil {
		b.AtMost = readBounds(f.Report.Fields(n, "balance.at_most"))
	}
	t := f.Report.Fields(f.Need("top_up", "give current, hold and taper of the charge before each round"), "balance.top_up")
	b.TopUp = DriveSpec{
		Charge:  true,
		Current: readRate(t, "current", true),
		Hold:    drivers.Microvolts(t.Quantity("hold", true, DimCell, anyCell)),
		Taper:   readRate(t, "taper", true),
	}
	t.Finish()
	for key, at := range t.At {
		f.At["top_up."+key] = at
	}
	return b
}

func readRepeat(f *tree.Fields, depth int) RepeatSpec {
	var p RepeatSpec
	if depth >= maxRepeat {
		f.Report.Addf(f.Node.At, "write the inner steps out", "a repeat stands inside a repeat")
		f.Ignore()
		return p
	}
	if n := f.Find("until"); n != nil {
		u := f.Report.Fields(n, "repeat.until")
		p.Until = u.Name("value", "capacity", true)
		p.Last = int(u.Count("last", true, 2, 20))
		p.Within = u.Quantity("within", true, DimRatio, tree.Within(100, 500_000))
		u.Finish()
		f.At["until.value"] = u.At["value"]
		p.Times = int(f.Count("at_most", true, 2, 50))
		p.Fail = f.Choice("otherwise", false, "fail", "go_on") != "go_on"
		if p.Times > 0 && p.Last > p.Times {
			f.Report.Addf(f.At["at_most"], fmt.Sprintf("at least %d", p.Last), "at_most %d never gives the last %d", p.Times, p.Last)
		}
	} else {
		p.Times = int(f.Count("times", true, 1, 1000))
	}
	p.Steps = readSteps(f, f.Need("steps", "list what to repeat"), depth+1)
	return p
}

// nameSteps gives every step a label that is unique among its siblings.
func nameSteps(r *tree.Report, steps []StepSpec) {
	used := map[string]int{}
	for i := range steps {
		s := &steps[i]
		if s.Label == "" {
			continue
		}
		if line, twice := used[s.Label]; twice {
			r.Addf(s.at["label"], "give each step its own", "label %q was given before, on line %d", s.Label, line)
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
