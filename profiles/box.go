package profiles

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

func readBox(f *tree.Fields) drivers.BoxSpec {
	x := drivers.BoxSpec{
		Precharge:     drivers.Microohms(f.Quantity("precharge", true, DimResistance, anyResistance)),
		DifferenceMax: drivers.Microvolts(f.Quantity("close_within", true, DimVoltage, anyVoltage)),
		SwitchTime:    drivers.Span(f.Quantity("switch_time", true, DimTime, tree.Within(1, 10_000_000))),
		Heartbeat:     drivers.Span(f.Quantity("heartbeat", false, DimTime, tree.Within(1_000, 60_000_000))),
	}
	x.Wire = readWire(f)
	c, step, a := channel(f, "link", DimVoltage)
	x.LinkStep, x.LinkAcc = drivers.Microvolts(step), a
	x.LinkNF = c.Quantity("capacitance", true, DimCapacitance, tree.Within(1, 1_000_000_000))
	x.LinkBleed = drivers.Microohms(c.Quantity("bleed", false, DimResistance, anyResistance))
	x.LinkPeriod = drivers.Span(c.Quantity("period", true, DimTime, tree.Within(100, 1_000_000)))
	c.Finish()
	if f.Has("current") {
		c, step, a := channel(f, "current", DimCurrent)
		x.CurrentStep, x.CurrentAcc = drivers.Microamps(step), a
		c.Finish()
	}
	if n := f.Find("resistor"); n != nil {
		c := f.Report.Fields(n, "box.resistor")
		x.ResistorEnergy = drivers.Energy(c.Quantity("energy", true, DimEnergy, tree.Within(1_000, 1_000_000_000_000)))
		x.ResistorSpan = drivers.Span(c.Quantity("sheds_in", true, DimTime, tree.Within(1_000_000, 3_600_000_000)))
		c.Finish()
	}
	o := f.Report.Fields(f.Need("opening", "give current, breaking and within"), "box.opening")
	x.OpeningCurrent = drivers.Microamps(o.Quantity("current", true, DimCurrent, anyCurrent))
	x.BreakingCurrent = drivers.Microamps(o.Quantity("breaking", true, DimCurrent, anyCurrent))
	x.OpeningTime = drivers.Span(o.Quantity("within", true, DimTime, tree.Within(1_000, 1_000_000)))
	o.Finish()
	f.Finish()
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
