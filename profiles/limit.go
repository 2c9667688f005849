package profiles

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// ends turns what a step asks for into numbers and checks each against the
// effective limits and the instruments (INV-08). key prefixes the step's keys.
func (c *compiler) ends(s *StepSpec, d *DriveSpec, key string) (ends, bool) {
	before := len(c.r.Problems)
	step := int64(c.b.Load.CurrentStep)
	if d.Charge {
		step = int64(c.b.Supply.CurrentStep)
	}
	e := ends{
		current: drivers.Microamps(down(int64(d.Current.at(c.m.Rated)), step)), hold: d.Hold, cellEnd: d.CellEnd,
		span: d.For, charge: d.Counted,
	}
	if d.Taper.given() {
		e.taper = d.Taper.at(c.m.Rated)
	}
	if d.Fraction > 0 {
		// A saved capacity is predicted to be the rated one.
		e.charge = drivers.Charge(mulDiv(int64(c.m.Rated), d.Fraction, 1_000_000))
	}
	if d.Storage {
		e.charge = c.stored(s, d)
	}
	where := func(k string) Pos { return or(s.at[key+k], s.Pos) }
	c.checkCurrent(where("current"), d.Charge, e.current)
	c.checkTaper(where("taper"), e)
	if e.hold != 0 {
		c.checkCellTarget(where("hold"), "hold", d.Charge, e.hold)
	}
	if e.cellEnd != 0 {
		c.checkCellTarget(where("cell_end"), "cell_end", d.Charge, e.cellEnd)
	}
	if e.hold > 0 {
		c.held = append(c.held, held{where("hold"), d.Charge, e.hold, 0})
	}
	if e.cellEnd > 0 {
		c.held = append(c.held, held{where("cell_end"), d.Charge, e.cellEnd, e.current})
	}
	c.checkPower(where("current"), d.Charge, e)
	if d.Lead.given() {
		e.lead = c.lead(where("first"), d, e.current, step)
		e.span += d.LeadFor
	}
	return e, len(c.r.Problems) == before
}

// lead compiles a pulse's first level.
func (c *compiler) lead(at Pos, d *DriveSpec, second drivers.Microamps, step int64) *machine.Lead {
	l := &machine.Lead{Current: drivers.Microamps(down(int64(d.Lead.at(c.m.Rated)), step)), Span: d.LeadFor}
	switch most := drivers.Microamps(down(int64(second/2), step)); {
	case l.Current <= 0:
		c.r.Add(at, "the first level rounds to nothing", "write a greater current")
	case l.Current > most:
		c.r.Addf(at, "at most "+amps(most), "a first level of %s before %s; the second is to be twice the first or more", amps(l.Current), amps(second))
	}
	return l
}

// checkCurrent: a current needs room under its limit for the sensors' errors,
// or a healthy bench would trip.
func (c *compiler) checkCurrent(at Pos, charge bool, i drivers.Microamps) {
	limit, key, spec, name := c.eff.DischargeMax, "discharge_max", &c.b.Load, "load"
	if charge {
		limit, key, spec, name = c.eff.ChargeMax, "charge_max", &c.b.Supply, "supply"
		c.chargePeak = max(c.chargePeak, i)
	} else {
		c.dischargePeak = max(c.dischargePeak, i)
	}
	o := c.source(key, true)
	errs := drivers.Microamps(c.b.Monitor.CurrentAcc.At(int64(limit)) + spec.CurrentAcc.At(int64(limit)))
	most := drivers.Microamps(down(int64(min(limit-errs, spec.CurrentMax)), int64(spec.CurrentStep)))
	switch {
	case i <= 0:
		c.r.Add(at, "the current rounds to nothing", "write a greater one")
	case i > limit:
		c.r.Addf(at, "at most "+amps(most), "a current of %s is over %s of %s, set by %s", amps(i), key, amps(limit), o.name)
	case i > limit-errs:
		c.r.Addf(at, "at most "+amps(most), "a current of %s leaves no room for the sensors' errors under %s of %s, set by %s", amps(i), key, amps(limit), o.name)
	case i > spec.CurrentMax:
		c.r.Addf(at, "at most "+amps(most), "a current of %s is over the %s's %s", amps(i), name, amps(spec.CurrentMax))
	case i < c.plan.Limits.NearZero:
		c.r.Addf(at, "at least "+amps(c.plan.Limits.NearZero), "a current of %s cannot be told from none on this bench", amps(i))
	}
	if !charge {
		return
	}
	var allowed drivers.Microamps
	for _, row := range c.m.Maker.ChargeTable {
		allowed = max(allowed, row.Current)
	}
	if allowed > 0 && i > allowed {
		c.r.Addf(at, "at most "+amps(allowed), "a current of %s is allowed at no temperature by the maker's charge_table", amps(i))
	}
}

func (c *compiler) checkTaper(at Pos, e ends) {
	switch {
	case e.taper == 0:
	case e.taper >= e.current:
		c.r.Addf(at, "under "+amps(e.current), "a taper of %s is not under the current of %s", amps(e.taper), amps(e.current))
	case e.taper < 2*c.plan.Limits.NearZero:
		c.r.Addf(at, "at least "+amps(2*c.plan.Limits.NearZero), "a taper of %s cannot be told from no current on this bench", amps(e.taper))
	}
}

// checkCellTarget: between a target and the hard limit there must be room for
// two taps' errors and what a cell moves until the step ends.
func (c *compiler) checkCellTarget(at Pos, key string, charge bool, v drivers.Microvolts) {
	g := c.budget
	room := 2*g.TapError + drivers.Microvolts(mulDivUp(max(g.ChargeRate, g.DischargeRate), int64(g.Path), int64(drivers.Second)))
	if most := c.eff.CellMax - room; charge && v > most {
		c.r.Addf(at, "at most "+volts(safe(most)), "%s of %s comes too near cell_max of %s, set by %s", key, volts(v), volts(c.eff.CellMax), c.source("cell_max", true).name)
	}
	if least := c.eff.CellMin + room; !charge && v < least {
		c.r.Addf(at, "at least "+volts(drivers.Microvolts(up(int64(least), 1000))), "%s of %s comes too near cell_min of %s, set by %s", key, volts(v), volts(c.eff.CellMin), c.source("cell_min", false).name)
	}
	if charge && v <= c.eff.CellMin || !charge && v >= c.eff.CellMax {
		c.r.Addf(at, between(int64(c.eff.CellMin), int64(c.eff.CellMax), DimCell), "%s of %s lies on the wrong side", key, volts(v))
	}
}

// safe rounds an advised upper limit down to whole millivolts.
func safe(v drivers.Microvolts) drivers.Microvolts { return drivers.Microvolts(down(int64(v), 1000)) }

func (c *compiler) checkPower(at Pos, charge bool, e ends) {
	spec, name, v := &c.b.Load, "load", c.m.ocv(1_000_000)
	if charge {
		spec, name, v = &c.b.Supply, "supply", or(max(e.hold, e.cellEnd), c.eff.CellMax)
	}
	mW := mulDivUp(int64(c.m.Series)*int64(v), int64(e.current), 1_000_000_000)
	if mW > spec.PowerMaxMW {
		c.r.Addf(at, "at most "+amps(drivers.Microamps(down(mulDiv(spec.PowerMaxMW, 1_000_000_000, int64(c.m.Series)*int64(v)), 10_000))),
			"%s at %s takes %s, over the %s's %s", amps(e.current), FormatQuantity(int64(c.m.Series)*int64(v), DimVoltage),
			FormatQuantity(mW, DimPower), name, FormatQuantity(spec.PowerMaxMW, DimPower))
	}
}

// outerVoltage is the instrument's own voltage bound for a drive: half-way
// between the target and the hard limit, so that it never ends a step in
// health and always comes before the guard has to.
func (c *compiler) outerVoltage(charge bool, target drivers.Microvolts) drivers.Microvolts {
	n := int64(c.m.Series)
	if charge {
		target = (or(target, c.eff.CellMax) + c.eff.CellMax) / 2
		return drivers.Microvolts(down(n*int64(target), int64(c.b.Supply.VoltageStep)))
	}
	target = (or(target, c.eff.CellMin) + c.eff.CellMin) / 2
	return drivers.Microvolts(up(n*int64(target), int64(c.b.Load.VoltageStep)))
}

// bounds gives every drive an end it should never reach (INV-11): 1.3 times
// the prediction and never more than 1.2 times the rated capacity; from an
// unknown state of charge, of the whole range.
func (c *compiler) bounds(d *DriveSpec, e ends) machine.Bounds {
	probe := c.model
	if !probe.known {
		probe.soc = 1_000_000
		if d.Charge {
			probe.soc = 0
		}
	}
	f := probe.drive(d.Charge, e)
	tenth := c.m.Rated / 10
	if d.For > 0 && e.hold == 0 && !d.Storage && d.Counted == 0 && d.CountedOf == "" {
		tenth = c.m.Rated / 1000
	}
	charge := min(max(f.charge*13/10, tenth), c.m.Rated*12/10)
	b := machine.Bounds{
		Span:   max(f.span*13/10, drivers.Span(mulDivUp(int64(tenth), 1000, int64(e.current)))),
		Charge: charge,
		Energy: energy(drivers.Microvolts(c.m.Series)*c.eff.CellMax, charge),
	}
	if e.taper > 0 {
		// A real cell's taper is longer than its start resistance says.
		b.Span += drivers.Span(mulDivUp(int64(tenth), 1000, int64(e.taper)))
	}
	if d.Charge && e.span == 0 { // a pulse lasts as long as it lasts
		b.Span = b.Span * drivers.Span(c.coldest(e.current)) / 1000
	}
	if e.span > 0 {
		b.Span = max(b.Span, e.span*13/10+drivers.Second)
	}
	return bounded(b, d.AtMost)
}

// coldMost bounds how much longer a charge may take where the room is cold, in
// thousandths.
const coldMost = 3000

// coldest is how much longer a charge takes, in thousandths, where the charge
// table lowers its current: at the coldest at which the module may be charged, and
// at most coldMost. Its bounds in charge and energy stay.
func (c *compiler) coldest(current drivers.Microamps) int64 {
	least := current
	rows := c.m.Maker.ChargeTable
	for i, r := range rows {
		if (i+1 == len(rows) || rows[i+1].Temp > c.eff.ChargeTempMin) && r.Temp < c.eff.ChargeTempMax && r.Current > 0 {
			least = min(least, r.Current)
		}
	}
	return min(mulDivUp(int64(current), 1000, int64(least)), coldMost)
}

// bounded replaces defaults by what the profile says.
func bounded(b machine.Bounds, s BoundSpec) machine.Bounds {
	b.Span, b.Charge, b.Energy = or(s.For, b.Span), or(s.Charge, b.Charge), or(s.Energy, b.Energy)
	return b
}

// arm sets the instruments' own limits: over the greatest current that the code
// asks for by what the instrument may err, and never over the effective limit;
// the whole article's voltage at the cells' hard limit.
func (c *compiler) arm() {
	n := int64(c.m.Series)
	one := func(p *drivers.PowerSpec, peak, limit drivers.Microamps) drivers.Protection {
		if peak == 0 {
			peak = c.m.c20()
		}
		i := int64(peak) + 2*p.CurrentAcc.At(int64(peak)) + int64(peak)/50 + int64(p.CurrentStep)
		v := n*int64(c.eff.CellMax) + p.VoltageAcc.At(n*int64(c.eff.CellMax))
		return drivers.Protection{
			CurrentMax:  drivers.Microamps(down(min(i, int64(limit), int64(p.CurrentMax)), int64(p.CurrentStep))),
			VoltageMax:  drivers.Microvolts(down(min(v, int64(p.VoltageMax)), int64(p.VoltageStep))),
			CommTimeout: p.CommTimeout,
		}
	}
	c.plan.SupplyArm = one(&c.b.Supply, c.chargePeak, c.eff.ChargeMax)
	c.plan.LoadArm = one(&c.b.Load, c.dischargePeak, c.eff.DischargeMax)
}

// c20 is a twentieth of the rated capacity in an hour: C/20.
func (m *Module) c20() drivers.Microamps {
	return drivers.Microamps(int64(m.Rated) / 3_600_000 / 20)
}
