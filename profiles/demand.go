package profiles

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Demand is an independent protection that software cannot replace: what the
// table of faults names as hardware, and what a person sees or smells. A bench
// file declares it as a dated proof by whoever vouches for it; without it nobody
// may leave a run alone.
type Demand struct {
	// Key is the protection's in bench files, Bounds what leaves the maker's
	// limits without it: cell_high, cell_low, temp_high, charge_high or
	// discharge_high; or step_charge, what flows past a step's bounds, or inrush,
	// what flows at a contact's touch; empty where it is about people.
	Key    string
	Bounds []string
	// Against is the fault that software alone does not bound; Fit, Prove and
	// Write are what to do about it.
	Against, Fit, Prove, Write string
	// Declared says that the bench file has it.
	Declared bool
}

// What is what an unattended run lacks, in a sentence.
func (d Demand) What() string {
	return fmt.Sprintf("an unattended run demands %s: %s", d.Key, d.Against)
}

// Right is what to fit, prove and write, in a sentence.
func (d Demand) Right() string {
	return fmt.Sprintf("fit %s; %s; then write `%s` under protections, or let the profile say attended: yes", d.Fit, d.Prove, d.Write)
}

// classB is where voltage class B begins, d.c. (ISO 6469-3, from memory).
const classB = 60 * drivers.Volt

// protection is a row of what may be demanded.
type protection struct {
	Demand
	declared func(*Protections) bool
	// asked says whether this bench needs it for a module; nil: always. The
	// module is nil where only the bench is looked at.
	asked func(*Bench, *Module) bool
}

var protectionTable = []protection{
	{Demand: Demand{Key: "emergency_stop",
		Against: "whoever sees danger can take the energy off without any program",
		Fit:     "an emergency stop in the supply of the contactor coils, where everybody reaches it",
		Prove:   "press it while the contactors are closed and see them drop, with the orchestrator stopped",
		Write:   "emergency_stop: {proved: 2026-03-31, by: test engineer}"},
		declared: func(p *Protections) bool { return p.EmergencyStop != nil }},
	{Demand: Demand{Key: "cell_cut_off", Bounds: []string{"cell_high", "cell_low", "temp_high"},
		Against: "a supply or load that ignores off behind a contactor that does not open, or a limit exceeded while a sensor sticks, goes on until the cells are ruined",
		Fit:     "a cut-off that watches each cell and temperature by taps of its own and opens a switch of its own, not the box's contactors",
		Prove:   "feed one of its inputs past the limit and see its switch open",
		Write:   "cell_cut_off: {voltage: 3.65 V, temperature: 60 degC, proved: 2026-03-31, by: test engineer}"},
		declared: func(p *Protections) bool { return p.CellCutOff != nil }},
	{Demand: Demand{Key: "fuse", Bounds: []string{"discharge_high", "cell_low", "step_charge", "inrush"},
		Against: "a short across the link or in the load draws what no contactor breaks",
		Fit:     "a d.c. fuse at the module's terminal, for its voltage, that melts at its short-circuit current",
		Prove:   "compare type, rating and breaking capacity with the circuit, and look at the one that is fitted",
		Write:   "fuse: {rating: 80 A, proved: 2026-03-31, by: electrician}"},
		declared: func(p *Protections) bool { return p.Fuse != nil }},
	{Demand: Demand{Key: "fire_detection", Bounds: []string{"temp_high", "cell_low"},
		Against: "a cell that leaks or heats inside itself cannot be switched off by anything outside it",
		Fit:     "smoke or gas detection over the bench that calls somebody, and a place where a module may burn",
		Prove:   "set it off with test gas and see that the call arrives",
		Write:   "fire_detection: {proved: 2026-03-31, by: safety officer}"},
		declared: func(p *Protections) bool { return p.FireDetection != nil }},
	{Demand: Demand{Key: "article_interlock", Bounds: []string{"cell_high", "cell_low", "charge_high", "discharge_high"},
		Against: "another article than the file says has other limits: what stays inside the file's may leave its own, and not every difference shows at the terminals",
		Fit:     "a connector keyed or coded for the type of module in the interlock of the contactors, or a cut-off inside each module that its maker set",
		Prove:   "plug a module of another type in and see that the contactors cannot close",
		Write:   "article_interlock: {proved: 2026-03-31, by: test engineer}"},
		declared: func(p *Protections) bool { return p.ArticleInterlock != nil }},
	{Demand: Demand{Key: "current_limit", Bounds: []string{"charge_high", "discharge_high"},
		Against: "an instrument whose range goes past the cell maker's current gives it when its own shunt reads wrong: its own limits read the same shunt",
		Fit:     "a limiter or quick trip with a shunt of its own between instrument and link, or an instrument whose range ends inside the maker's limits",
		Prove:   "drive it to its limit into a dummy and read the current that it lets through",
		Write:   "current_limit: {charge: 60 A, discharge: 100 A, proved: 2026-03-31, by: electrician}"},
		declared: func(p *Protections) bool { return p.CurrentLimit != nil },
		asked:    func(b *Bench, m *Module) bool { return m != nil && b.overRange(m) != "" }},
	{Demand: Demand{Key: "insulation_monitor",
		Against: "above 60 V d.c. a first fault to the frame makes touching the second pole deadly",
		Fit:     "an insulation monitor for the link's voltage that opens the contactors",
		Prove:   "connect its test resistor from each pole to the frame and see the contactors open",
		Write:   "insulation_monitor: {proved: 2026-03-31, by: electrician}"},
		declared: func(p *Protections) bool { return p.InsulationMonitor != nil },
		asked:    func(b *Bench, m *Module) bool { return b.highest(m) > classB }},
	{Demand: Demand{Key: "heartbeat",
		Against: "when every program is dead only the box's missing heartbeat ends the current of this bench",
		Fit:     "the box's own heartbeat",
		Prove:   "run `rigwarden bench check --prove`, which proves it",
		Write:   "heartbeat: {proved: 2026-03-31, by: test engineer}"},
		declared: func(p *Protections) bool { return p.Heartbeat != nil },
		asked:    func(b *Bench, _ *Module) bool { return b.onHeartbeatAlone() }},
}

// Demands lists what an unattended run demands of the bench for a module, or for
// any module that it can take where m is nil, declared or not.
func (b *Bench) Demands(m *Module) []Demand {
	var out []Demand
	for _, row := range protectionTable {
		if row.asked != nil && !row.asked(b, m) {
			continue
		}
		d := row.Demand
		d.Declared = row.declared(&b.Protections)
		out = append(out, d)
	}
	return out
}

// highest is the highest voltage that stands on the bench with a module, or
// that its supply can give.
func (b *Bench) highest(m *Module) drivers.Microvolts {
	if m == nil {
		return b.Supply.VoltageMax
	}
	return drivers.Microvolts(m.Series) * m.Limits.CellMax
}

// reach is the greatest current that a faulty instrument can give: its range, or
// what independent hardware lets through.
func (b *Bench) reach(charge bool) drivers.Microamps {
	limit := b.Protections.CurrentLimit
	switch {
	case charge && limit != nil:
		return min(b.Supply.CurrentMax, limit.Charge)
	case charge:
		return b.Supply.CurrentMax
	case limit != nil:
		return min(b.Load.CurrentMax, limit.Discharge)
	}
	return b.Load.CurrentMax
}

// overRange says which instrument can give more than the cell maker allows, or
// nothing. What its own limits are armed to is no bound on that: they bound what
// it can be told (INV-08), and are as blind as its regulation when its own shunt
// reads too little.
func (b *Bench) overRange(m *Module) string {
	switch {
	case b.Supply.CurrentMax > m.Maker.ChargeMax:
		return fmt.Sprintf("the supply's range of %s is over the cell maker's charge_max of %s", amps(b.Supply.CurrentMax), amps(m.Maker.ChargeMax))
	case b.Load.CurrentMax > m.Maker.DischargeMax:
		return fmt.Sprintf("the load's range of %s is over the cell maker's discharge_max of %s", amps(b.Load.CurrentMax), amps(m.Maker.DischargeMax))
	}
	return ""
}

// shortPart is the part of the article's short-circuit current that a fuse may
// be rated for: at ten times its rating a d.c. fuse melts within a tenth of a
// second or so (common practice, no source).
const shortPart = 10

// unfit lists the declared protections that do not protect a module.
func (c *compiler) unfit() (out []Problem) {
	p, m, k := &c.b.Protections, c.m, &c.m.Maker
	say := func(right, format string, args ...any) {
		out = append(out, Problem{What: fmt.Sprintf(format, args...), Right: right})
	}
	if cut := p.CellCutOff; cut != nil {
		if cut.Voltage <= c.eff.CellMax || cut.Voltage > k.CellMax {
			say(fmt.Sprintf("over %s and at most %s", volts(c.eff.CellMax), volts(k.CellMax)),
				"cell_cut_off of %s does not protect module %s", volts(cut.Voltage), m.Serial)
		}
		hot, most := max(c.eff.ChargeTempMax, c.eff.DischargeTempMax), max(k.ChargeTempMax, k.DischargeTempMax)
		if cut.Temperature <= hot || cut.Temperature > most {
			say(fmt.Sprintf("over %s and at most %s", FormatQuantity(int64(hot), DimTemperature), FormatQuantity(int64(most), DimTemperature)),
				"cell_cut_off at %s does not protect module %s", FormatQuantity(int64(cut.Temperature), DimTemperature), m.Serial)
		}
	}
	if f := p.Fuse; f != nil {
		working := max(c.eff.ChargeMax, c.eff.DischargeMax)
		// Cells and joints alone, at the nominal voltage.
		short := drivers.Microamps(mulDiv(int64(m.Nominal), 1_000_000, int64(m.CellResistance)))
		if f.Rating < working {
			say("at least "+amps(working), "a fuse of %s blows under the working current", amps(f.Rating))
		} else if f.Rating > short/shortPart {
			say(fmt.Sprintf("at most %s, a tenth of that", amps(down10(short/shortPart))),
				"a fuse of %s is slow to melt at the short-circuit current of module %s, about %s", amps(f.Rating), m.Serial, amps(down10(short)))
		}
	}
	if l := p.CurrentLimit; l != nil {
		for _, x := range []struct {
			key                 string
			let, working, maker drivers.Microamps
		}{{"charge", l.Charge, c.eff.ChargeMax, k.ChargeMax}, {"discharge", l.Discharge, c.eff.DischargeMax, k.DischargeMax}} {
			if x.let < x.working || x.let > x.maker {
				say(fmt.Sprintf("between %s and %s", amps(x.working), amps(x.maker)), "current_limit.%s of %s does not protect module %s", x.key, amps(x.let), m.Serial)
			}
		}
	}
	return out
}

// down10 rounds an advised current down to a tenth of an ampere.
func down10(i drivers.Microamps) drivers.Microamps { return drivers.Microamps(down(int64(i), 100_000)) }

// told is what an attended run says of the protections that its bench does not
// declare, or nothing.
func (c *compiler) told() string {
	keys := ""
	for _, d := range c.b.Demands(c.m) {
		if d.Declared {
			continue
		}
		if keys != "" {
			keys += ", "
		}
		keys += d.Key
	}
	if keys == "" {
		return ""
	}
	return "attended: this bench proves no " + keys + "; somebody stays beside it and can take the energy off"
}
