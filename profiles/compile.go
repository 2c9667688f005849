package profiles

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Values of a plan that no file sets.
const (
	pauses      = 20                  // soft pauses in one run (INV-15)
	pauseMin    = drivers.Minute      // least length of one
	watchSteady = 60 * drivers.Minute // INV-16
)

// Compile makes the plan of a profile for one module on one bench, or says
// everything that stands against it (INV-08). It is the only compiler.
func Compile(p *Profile, m *Module, b *Bench) (*machine.Plan, []Problem) {
	c := newCompiler(p, m, b)
	c.checkBench()
	c.checkBudget()
	c.checkUnattended()
	c.code()
	c.checkRunaway()
	if len(c.r.Problems) > 0 {
		return nil, c.r.Sorted()
	}
	return c.plan, nil
}

// BudgetOf returns what a plan of the profile holds back, term by term.
func BudgetOf(p *Profile, m *Module, b *Bench) *Budget { return newCompiler(p, m, b).budget }

// compiler carries one compilation.
type compiler struct {
	r *tree.Report
	p *Profile
	m *Module
	b *Bench
	// eff are the effective limits, whose the source of each (by limitTable).
	eff    LimitSet
	whose  []origin
	budget *Budget
	plan   *machine.Plan

	// State of the code being written.
	closed   bool // contactors, at this point of the code
	balanced bool
	level    level
	passes   int // how often the present step is expected to run
	most     int // how often it can run at most
	model    model
	prefix   string
	// held collects the cell voltages that drives aim at, for checkRunaway.
	held []held
	// Greatest currents asked for.
	chargePeak, dischargePeak drivers.Microamps
}

// held is a cell voltage that a drive aims at, and the current that flows there:
// none at the end of a hold.
type held struct {
	at     Pos
	charge bool
	volts  drivers.Microvolts
	flows  drivers.Microamps
}

// origin says who set a limit, and where.
type origin struct {
	name string
	at   Pos
}

func newCompiler(p *Profile, m *Module, b *Bench) *compiler {
	c := &compiler{r: &tree.Report{}, p: p, m: m, b: b, passes: 1, most: 1}
	c.model = model{m: m, soc: p.StartSoC}
	c.eff = *makerSet(&m.Maker)
	c.whose = make([]origin, len(limitTable))
	for i, row := range limitTable {
		c.whose[i] = origin{"the cell maker", m.at["maker."+row.key]}
	}
	c.tighten(&m.Limits, "the module file")
	c.tighten(&b.Limits, "the bench file")
	// What a profile asks for beyond the rest is refused, not ignored (INV-10).
	p.Limits.inside(c.r, &c.eff, "the limit of module and bench")
	c.tighten(&p.Limits, "the profile")
	c.budget = makeBudget(m, b, &c.eff)
	c.plan = &machine.Plan{
		Profile: p.Name, Module: m.Serial, ModuleDigest: m.Digest,
		Bench:    b.Bench,
		Limits:   enforce(m, b, &c.eff, c.budget),
		Absolute: absolutes(m, c.budget),
		Rated:    m.Rated, CellResistance: m.CellResistance, Series: m.Series,
		Curve: m.curve(), Probe: probe(m, b),
		Ready:  possible(readiness(b, &c.eff, c.budget), m, c.budget),
		Pauses: pauses, PauseMin: pauseMin, WatchSteady: watchSteady,
	}
	if l, err := b.Layout(); err == nil {
		c.plan.Layout = *l
	}
	return c
}

func (c *compiler) tighten(l *LimitSet, name string) {
	before := c.eff
	c.eff = c.eff.tighten(l)
	for i, row := range limitTable {
		if *row.value(&c.eff) != *row.value(&before) {
			c.whose[i] = origin{name, l.at[row.key]}
		}
	}
}

// source returns who set the effective limit of a key's upper or lower side.
func (c *compiler) source(key string, upper bool) origin {
	for i, row := range limitTable {
		if row.key == key && row.upper == upper {
			return c.whose[i]
		}
	}
	return origin{}
}

// checkBench compares the bench with the module: cells, sensors, ranges.
func (c *compiler) checkBench() {
	m, b, r := c.m, c.b, c.r
	at := b.at["monitor"]
	if b.Monitor.Cells != m.Series {
		r.Addf(at, fmt.Sprintf("a monitor of %d cells", m.Series), "the monitor reads %d cells, module %s has %d in series", b.Monitor.Cells, m.Serial, m.Series)
	}
	if b.Monitor.Temps != len(m.Sensors) {
		r.Addf(at, fmt.Sprintf("temperatures: %d", len(m.Sensors)), "the monitor reads %d temperatures, module %s has %d sensors", b.Monitor.Temps, m.Serial, len(m.Sensors))
	}
	if i := max(c.eff.ChargeMax, c.eff.DischargeMax); i >= b.Monitor.CurrentRange {
		r.Addf(at, "a shunt of a greater range, or tighter charge_max and discharge_max",
			"the monitor's current range of %s does not reach past the limit of %s", amps(b.Monitor.CurrentRange), amps(i))
	}
	top := drivers.Microvolts(m.Series) * c.eff.CellMax
	for _, x := range []struct {
		key  string
		spec *drivers.PowerSpec
	}{{"supply", &b.Supply}, {"load", &b.Load}} {
		if x.spec.VoltageMax < top {
			r.Addf(b.at[x.key], "a range over "+FormatQuantity(int64(top), DimVoltage),
				"the %s reaches %s only, the module %s", x.key, FormatQuantity(int64(x.spec.VoltageMax), DimVoltage), FormatQuantity(int64(top), DimVoltage))
		}
	}
	if x := &b.Box; x.ResistorEnergy > 0 {
		mV := int64(top) / 1000
		if takes := drivers.Energy(mV * mV / 1000 * x.LinkNF / 2_000_000); takes > x.ResistorEnergy {
			r.Addf(b.at["box"], "at least "+FormatQuantity(int64(takes), DimEnergy)+", or a smaller link",
				"filling the link takes the precharge resistor %s, and it may take %s", FormatQuantity(int64(takes), DimEnergy), FormatQuantity(int64(x.ResistorEnergy), DimEnergy))
		}
	}
	if s := c.precharge(); drivers.Microvolts(int64(top)*(1000-s.FinalPerMille)/1000) >= b.Box.DifferenceMax {
		r.Add(b.at["box"], "precharge never comes within close_within: the link's bleed holds it down",
			"a smaller precharge resistor or a greater bleed")
	}
}

// checkBudget refuses working limits that, with the allowance, leave the cell
// maker's absolute limits (INV-12), and leases that outlast the room to them.
func (c *compiler) checkBudget() {
	g, k, e := c.budget, &c.m.Maker, &c.eff
	for _, x := range []struct {
		key                       string
		upper                     bool
		working, allowance, maker int64
		dim, diff                 Dimension
	}{
		{"cell_max", true, int64(e.CellMax), int64(g.Cell), int64(k.CellMax), DimCell, DimVoltage},
		{"cell_min", false, int64(e.CellMin), int64(g.Cell), int64(k.CellMin), DimCell, DimVoltage},
		{"charge_temperature", true, int64(e.ChargeTempMax), int64(g.Temp), int64(k.ChargeTempMax), DimTemperature, DimDifference},
		{"charge_temperature", false, int64(e.ChargeTempMin), int64(g.TempError), int64(k.ChargeTempMin), DimTemperature, DimDifference},
		{"discharge_temperature", true, int64(e.DischargeTempMax), int64(g.Temp), int64(k.DischargeTempMax), DimTemperature, DimDifference},
		{"discharge_temperature", false, int64(e.DischargeTempMin), int64(g.TempError), int64(k.DischargeTempMin), DimTemperature, DimDifference},
	} {
		fine := int64(1000) // advise whole millivolts and tenths of a kelvin
		if x.dim == DimTemperature {
			fine = 100
		}
		room, right := x.maker-x.working, "at most "+FormatQuantity(x.maker-up(x.allowance, fine), x.dim)
		if !x.upper {
			room, right = -room, "at least "+FormatQuantity(x.maker+up(x.allowance, fine), x.dim)
		}
		if room < x.allowance {
			o := c.source(x.key, x.upper)
			c.r.Addf(o.at, right, "%s of %s, set by %s, with this bench's allowance of %s leaves the cell maker's %s",
				x.key, FormatQuantity(x.working, x.dim), o.name, FormatQuantity(x.allowance, x.diff), FormatQuantity(x.maker, x.dim))
		}
	}
	for _, p := range g.Paths {
		if p.Worst > g.Allowed {
			c.r.Addf(c.b.at["lease"], "at most "+FormatQuantity(int64(g.Allowed), DimTime)+", or more room to the maker's limits",
				"%s: current may go on for %s, longer than the room to the maker's limits allows", p.Name, FormatQuantity(int64(p.Worst), DimTime))
		}
	}
}

// checkUnattended demands what software cannot replace.
func (c *compiler) checkUnattended() {
	if c.p.Attended {
		return
	}
	b, r := c.b, c.r
	at, found := b.at["protections"]
	if !found {
		at = Pos{File: b.File}
	}
	for _, d := range b.Demands(c.m) {
		if d.Declared {
			continue
		}
		what := d.What()
		if d.Key == "current_limit" {
			what += "; " + b.overRange(c.m)
		}
		r.Add(at, what, d.Right())
	}
	for _, p := range c.unfit() {
		r.Add(at, p.What, p.Right)
	}
	if text, right := b.survivesHost(); text != "" {
		r.Add(b.at["box"], text, right)
	}
}

// survivesHost says what is missing for current to end when the host dies: each
// instrument that can feed current must fall silent by itself, or the contactors
// must drop (INV-12). Empty where nothing is.
func (b *Bench) survivesHost() (text, right string) {
	if b.Box.Heartbeat > 0 {
		return "", ""
	}
	var silent, not []string
	for _, x := range []struct {
		name string
		own  drivers.Span
	}{{"supply", b.Supply.CommTimeout}, {"load", b.Load.CommTimeout}} {
		if x.own > 0 {
			silent = append(silent, x.name)
		} else {
			not = append(not, x.name)
		}
	}
	if len(not) == 0 {
		return "", ""
	}
	text = fmt.Sprintf("when the host dies, the current of the %s goes on: the box has no heartbeat and the %s no silence limit",
		strings.Join(not, " and of the "), strings.Join(not, " and the "))
	if len(silent) > 0 {
		text += fmt.Sprintf("; that of the %s ends only its own", silent[0])
	}
	return text, fmt.Sprintf("give `heartbeat: 1 s` under box if it drops out without one, or `silence: 2 s` under %s if it has a communication timeout; with neither, only attended runs",
		strings.Join(not, " and "))
}

// checkRunaway: an instrument whose own shunt reads too little gives up to what
// its power stage was built for, and its own limits do not see it. Where a drive
// aims at a cell voltage, the cell there must stay inside the maker's limits when
// the current jumps, until the guard has taken it off (INV-12). What only
// hardware bounds faster is a smaller reach.
func (c *compiler) checkRunaway() {
	g, k := c.budget, &c.m.Maker
	low, high := c.m.slopes()
	for _, h := range c.held {
		reach, slope, name := c.b.reach(h.charge), low, "load"
		if h.charge {
			slope, name = high, "supply"
		}
		jump := drop(max(reach-h.flows, 0), c.m.CellResistance)
		after := g.TapError + drivers.Microvolts(mulDivUp(cellRate(slope, reach, c.m.Rated), int64(g.Path), int64(drivers.Second)))
		switch {
		case h.charge && max(h.volts+jump, c.eff.CellMax)+after > k.CellMax:
			c.r.Addf(h.at, "at most "+volts(safe(k.CellMax-jump-after))+", or an instrument of less range",
				"a %s that jumps to %s would lift a cell at %s past the maker's %s", name, amps(reach), volts(h.volts), volts(k.CellMax))
		case !h.charge && min(h.volts-jump, c.eff.CellMin)-after < k.CellMin:
			c.r.Addf(h.at, "at least "+volts(drivers.Microvolts(up(int64(k.CellMin+jump+after), 1000)))+", or an instrument of less range",
				"a %s that jumps to %s would pull a cell at %s under the maker's %s", name, amps(reach), volts(h.volts), volts(k.CellMin))
		}
	}
}

// precharge computes the close sequence: tau = C*(R||Rb), final = Rb/(R+Rb).
func (c *compiler) precharge() *machine.Switch {
	x := &c.b.Box
	r, s := int64(x.Precharge), &machine.Switch{Close: true, FinalPerMille: 1000, TauPerMille: 300}
	if rb := int64(x.LinkBleed); rb > 0 {
		s.FinalPerMille = mulDiv(1000, rb, r+rb)
		r = mulDiv(r, rb, r+rb)
	}
	s.Tau = drivers.Span(mulDivUp(r, x.LinkNF, 1_000_000_000)) // uOhm*nF = fs
	s.Min = 2 * s.Tau
	s.Max = 12*s.Tau + 4*x.SwitchTime
	return s
}

func volts(v drivers.Microvolts) string { return FormatQuantity(int64(v), DimCell) }
func amps(i drivers.Microamps) string   { return FormatQuantity(int64(i), DimCurrent) }
