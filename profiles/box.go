package profiles

import "github.com/rigwarden/rigwarden/drivers"

func readBox(f *fields) drivers.BoxSpec {
	x := drivers.BoxSpec{
		Precharge:     drivers.Microohms(f.quantity("precharge", true, DimResistance, anyResistance)),
		DifferenceMax: drivers.Microvolts(f.quantity("close_within", true, DimVoltage, anyVoltage)),
		SwitchTime:    drivers.Span(f.quantity("switch_time", true, DimTime, span{1, 10_000_000})),
		Heartbeat:     drivers.Span(f.quantity("heartbeat", false, DimTime, span{1_000, 60_000_000})),
	}
	x.Driver, x.Address = readDriver(f)
	c, step, a := channel(f, "link", DimVoltage)
	x.LinkStep, x.LinkAcc = drivers.Microvolts(step), a
	x.LinkNF = c.quantity("capacitance", true, DimCapacitance, span{1, 1_000_000_000})
	x.LinkBleed = drivers.Microohms(c.quantity("bleed", false, DimResistance, anyResistance))
	x.LinkPeriod = drivers.Span(c.quantity("period", true, DimTime, span{100, 1_000_000}))
	c.finish()
	if f.has("current") {
		c, step, a := channel(f, "current", DimCurrent)
		x.CurrentStep, x.CurrentAcc = drivers.Microamps(step), a
		c.finish()
	}
	o := f.r.fields(f.need("opening", "give current, breaking and within"), "box.opening")
	x.OpeningCurrent = drivers.Microamps(o.quantity("current", true, DimCurrent, anyCurrent))
	x.BreakingCurrent = drivers.Microamps(o.quantity("breaking", true, DimCurrent, anyCurrent))
	x.OpeningTime = drivers.Span(o.quantity("within", true, DimTime, span{1_000, 1_000_000}))
	o.finish()
	f.finish()
	return x
}

// nearZero is the least current that every sensor can tell from none: twice the
// worst offset, for two sensors are compared.
func (b *Bench) nearZero() drivers.Microamps {
	worst := max(b.Monitor.CurrentAcc.Offset, b.Supply.CurrentAcc.Offset, b.Load.CurrentAcc.Offset)
	if b.Box.CurrentStep > 0 {
		worst = max(worst, b.Box.CurrentAcc.Offset)
	}
	return drivers.Microamps(2 * worst)
}
