package profiles

import (
	"maps"
	"slices"

	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Criteria is a criteria file: what a module must meet, with the decision rule
// that was agreed before anything was measured.
type Criteria struct {
	Name   string
	Title  string
	Agreed Proof // when and by which role
	Rule   DecisionRule
	// GuardBand is the width w of the guard band relative to the expanded
	// uncertainty U (95 %); 1 000 000 for w = U. 0 under simple acceptance.
	GuardBand Ppm
	Require   []Requirement
	Digest    string
	File      string
}

// DecisionRule is a decision rule of ILAC-G8:09/2019, clause 4.2.
type DecisionRule string

// Decision rules.
const (
	// RuleSimple accepts at the tolerance limit itself (4.2.1).
	RuleSimple DecisionRule = "simple"
	// RuleBinary passes inside the guard band only and fails otherwise (4.2.2).
	RuleBinary DecisionRule = "guard_band"
	// RuleConditional adds conditional pass and conditional fail on either side
	// of the tolerance limit (4.2.3).
	RuleConditional DecisionRule = "guard_band_conditional"
)

// Requirement is one figure and the limit it has to meet.
type Requirement struct {
	Figure string
	// AtLeast says that Limit is a lower limit; otherwise it is an upper one.
	AtLeast bool
	// Limit is in the dimension's base unit (nC, uJ, uOhm, uV, mK, us, ppm).
	Limit     int64
	Dimension Dimension
	// Text is the limit as the file writes it: "39 Ah".
	Text string
	Pos  Pos
}

// Figures names every figure that a requirement may judge, with what it
// measures. Figures of cells are judged at the worst cell.
var Figures = map[string]Dimension{
	"capacity":             DimCharge, // mean of the stable discharges
	"capacity_spread":      DimRatio,  // among those, of the rated capacity
	"energy":               DimEnergy, // out of the module in a capacity discharge
	"charge_returned":      DimCharge,
	"energy_returned":      DimEnergy,
	"coulombic_efficiency": DimRatio, // charge out over charge in
	"energy_efficiency":    DimRatio,
	"voltage_efficiency":   DimRatio,

	// Of each cell, and of the module, after a pulse's edge.
	"resistance_1s":                DimResistance,
	"resistance_10s":               DimResistance,
	"resistance_1s_charge":         DimResistance,
	"resistance_10s_charge":        DimResistance,
	"module_resistance_1s":         DimResistance,
	"module_resistance_10s":        DimResistance,
	"module_resistance_1s_charge":  DimResistance,
	"module_resistance_10s_charge": DimResistance,
	"resistance_spread":            DimRatio, // highest less lowest cell over the median

	"imbalance":                            DimRatio, // of the capacity, after balancing
	"rest_voltage":                         DimCell,
	"rest_voltage_spread":                  DimVoltage, // highest less lowest cell
	"rest_voltage_spread_before_balancing": DimVoltage,
	"sum_difference":                       DimVoltage, // taps against meter at rest

	"temperature_max":    DimTemperature,
	"temperature_rise":   DimDifference,
	"temperature_spread": DimDifference,
	"odd_cells":          DimCount, // cells that do not belong to their siblings
}

// ParseCriteria reads a criteria file; name appears in the problems. The
// criteria are nil when there are problems.
func ParseCriteria(name string, src []byte) (*Criteria, []Problem) {
	r := &tree.Report{}
	f := KindCriteria.open(r, name, src)
	if f == nil {
		return nil, r.Sorted()
	}
	c := &Criteria{File: name, Digest: digest(src)}
	c.Name = f.Name("criteria", "kw-acceptance", true)
	c.Title = f.Optional("title")
	agreed := r.Fields(f.Need("agreed", "the rule is agreed before anything is measured: give on and by"), "agreed")
	c.Agreed = readProof(agreed, "on")
	agreed.Finish()
	c.readRule(f)
	right := "list at least one figure with its limit"
	for _, item := range f.List("require", f.Need("require", right), right) {
		c.readRequirement(r.Fields(item, "a requirement"))
	}
	f.Finish()
	if len(r.Problems) > 0 {
		return nil, r.Sorted()
	}
	return c, nil
}

func (c *Criteria) readRule(f *tree.Fields) {
	c.Rule = DecisionRule(f.Choice("rule", true, string(RuleSimple), string(RuleBinary), string(RuleConditional)))
	if c.Rule == RuleSimple {
		if n := f.Find("guard_band"); n != nil {
			f.Report.Add(n.At, "the simple rule has no guard_band", "leave it out, or choose guard_band or guard_band_conditional")
		}
		return
	}
	c.GuardBand = 1_000_000
	if f.Has("guard_band") {
		c.GuardBand = f.Quantity("guard_band", true, DimRatio, tree.Within(10_000, 3_000_000))
	}
}

func (c *Criteria) readRequirement(f *tree.Fields) {
	names := slices.Sorted(maps.Keys(Figures))
	q := Requirement{Figure: f.Choice("figure", true, names...), Pos: f.Node.At}
	d, known := Figures[q.Figure]
	key := "at_most"
	if f.Has("at_least") {
		key, q.AtLeast = "at_least", true
	}
	if f.Has("at_most") == f.Has("at_least") && f.Node.Kind == tree.Map {
		f.Report.Add(f.Node.At, "a requirement needs one limit", "give either at_least or at_most")
	} else if known {
		q.Dimension = d
		if d == DimCount {
			q.Limit = f.Count(key, true, 0, 512)
		} else {
			q.Limit = f.Quantity(key, true, d, tree.Within(0, 1<<60))
		}
		q.Text = f.Find(key).Text
	}
	f.Finish()
	for _, other := range c.Require {
		if q.Figure != "" && other.Figure == q.Figure && other.AtLeast == q.AtLeast {
			f.Report.Addf(q.Pos, "keep one", "%s has that kind of limit already, on line %d", q.Figure, other.Pos.Line)
		}
	}
	c.Require = append(c.Require, q)
}
