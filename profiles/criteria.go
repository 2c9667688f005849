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
	// Correct brings resistances to 25 degC; the zero value corrects nothing.
	Correct Correction
	Require []Requirement
	Digest  string
	File    string
}

// Correction is how a resistance changes with temperature: PerKelvin of its value
// at 25 degC for each kelvin, known to plus or minus Within.
type Correction struct{ PerKelvin, Within Ppm }

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
	// Population is what is known of all such modules or cells beforehand, nil
	// where nothing is: without it a decision has no global risk.
	Population *Population
	Pos        Pos
}

// Population is how a figure's true values are distributed, normally, before one
// of them is measured: by a mean and a standard deviation in the figure's base
// unit, or by the siblings that were measured in the same run.
type Population struct {
	Siblings        bool
	Mean, Deviation int64
	// Text is what the file says: "40 Ah, deviation 0.4 Ah".
	Text string
}

// Figures names every figure that a requirement may judge, with what it
// measures. Figures of cells are judged at the worst cell.
var Figures = withPulses(map[string]Dimension{
	"capacity":             DimCharge, // mean of the stable discharges
	"capacity_spread":      DimRatio,  // among those, of the rated capacity
	"energy":               DimEnergy, // out of the module in a capacity discharge
	"charge_returned":      DimCharge,
	"energy_returned":      DimEnergy,
	"coulombic_efficiency": DimRatio, // charge out over charge in
	"energy_efficiency":    DimRatio,
	"voltage_efficiency":   DimRatio,

	"resistance_spread":           DimRatio,      // highest less lowest cell over the median
	"joint_excess":                DimResistance, // of a cell over its siblings' median
	"capacity_lag":                DimRatio,      // of the weakest cell, under its siblings' median
	"terminal_resistance":         DimResistance, // what the meter sees beyond the taps
	"resistance_two_level":        DimResistance, // of each cell, between two currents
	"module_resistance_two_level": DimResistance,

	"imbalance":                            DimRatio, // of the capacity, after balancing
	"rest_voltage":                         DimCell,
	"rest_voltage_spread":                  DimVoltage, // highest less lowest cell
	"rest_voltage_spread_before_balancing": DimVoltage,
	"rest_unsettled":                       DimVoltage, // how far the worst cell is from rest
	"sum_difference":                       DimVoltage, // taps against meter at rest
	"self_discharge":                       DimCurrent, // of the worst cell, without the monitor's drain

	"temperature_max":    DimTemperature,
	"temperature_rise":   DimDifference,
	"temperature_spread": DimDifference,
	"odd_cells":          DimCount, // cells that do not belong to their siblings
})

// pulseTimes are the seconds after a pulse's edge at which there are figures.
var pulseTimes = [...]string{"0.1s", "1s", "2s", "5s", "10s", "18s", "30s"}

// withPulses adds the figures of pulses: the resistance of each cell and of the
// module, and the power that the module can give or take.
func withPulses(all map[string]Dimension) map[string]Dimension {
	for _, at := range pulseTimes {
		for _, way := range []string{"", "_charge"} {
			all["resistance_"+at+way] = DimResistance
			all["module_resistance_"+at+way] = DimResistance
			all["pulse_power_"+at+way] = DimPower
		}
	}
	return all
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
	if n := f.Find("correct"); n != nil {
		x := r.Fields(n, "correct")
		c.Correct.PerKelvin = x.Quantity("resistance_per_kelvin", true, DimRatio, tree.Within(-100_000, 100_000))
		c.Correct.Within = x.Quantity("uncertainty", true, DimRatio, tree.Within(0, 100_000))
		x.Finish()
	}
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
		if n := f.Find("population"); n != nil && d == DimCount {
			f.Report.Add(n.At, q.Figure+" is a count and has no population", "leave it out")
		} else if n != nil {
			q.Population = readPopulation(f, n, d)
		}
	}
	f.Finish()
	for _, other := range c.Require {
		if q.Figure != "" && other.Figure == q.Figure && other.AtLeast == q.AtLeast {
			f.Report.Addf(q.Pos, "keep one", "%s has that kind of limit already, on line %d", q.Figure, other.Pos.Line)
		}
	}
	c.Require = append(c.Require, q)
}

// siblings is the word for a population of which the run itself tells.
const siblings = "siblings"

// readPopulation reads the word siblings, or {mean: ..., deviation: ...}.
func readPopulation(f *tree.Fields, n *tree.Node, d Dimension) *Population {
	right := "write siblings, or {mean: 40 Ah, deviation: 400 mAh}"
	if n.Kind != tree.Map {
		if s, ok := f.Scalar("population", n, right); ok && s != siblings {
			f.Report.Addf(n.At, right, "population is %q", s)
		}
		return &Population{Siblings: true, Text: siblings}
	}
	x := f.Report.Fields(n, "population")
	p := &Population{Mean: x.Quantity("mean", true, d, tree.Within(0, 1<<60)), Deviation: x.Quantity("deviation", true, deviationOf(d), tree.Within(1, 1<<60))}
	if m, s := x.Find("mean"), x.Find("deviation"); m != nil && s != nil {
		p.Text = m.Text + ", deviation " + s.Text
	}
	x.Finish()
	return p
}

// deviationOf is the dimension of differences of a quantity.
func deviationOf(d Dimension) Dimension {
	switch d {
	case DimTemperature:
		return DimDifference
	case DimCell:
		return DimVoltage
	}
	return d
}
