package profiles

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// How long a breach must last. A voltage breach counts from the second frame
// that shows it; slower quantities may take longer, at no cost that the budget
// does not show.
func cellPersistence(b *Bench) drivers.Span { return b.Monitor.Period }
func tempPersistence(b *Bench) drivers.Span { return max(drivers.Second, 2*b.Monitor.Period) }
func staleTime(b *Bench) drivers.Span       { return 5 * b.Monitor.Period }

// loneSpan is over how long a single cell's leap is judged: three frames at
// least, so that some frame lies inside however late one comes.
func loneSpan(b *Bench) drivers.Span { return max(drivers.Second, 3*b.Monitor.Period) }

// leadsMost is the most that leads, lugs and contacts of a power path in order
// have: at 50 A it is 50 W (common practice, no source).
const leadsMost drivers.Microohms = 20_000

// enforce makes what the guard enforces of the effective limits and the budget.
// Every tolerance comes from a declared accuracy.
func enforce(m *Module, b *Bench, eff *LimitSet, g *Budget) guard.Limits {
	mon := &b.Monitor
	n := drivers.Microvolts(m.Series)
	l := guard.Limits{
		CellMax: eff.CellMax, CellMin: eff.CellMin, NoCharge: m.Maker.NoCharge,
		ModuleMax: n * eff.CellMax, ModuleMin: n * eff.CellMin,
		ChargeMax: eff.ChargeMax, DischargeMax: eff.DischargeMax,
		ChargeTable:     chargeTable(m.Maker.ChargeTable, g.TempError),
		CellPersistence: cellPersistence(b), TempPersistence: tempPersistence(b),
		CurrentPersistence: max(2*mon.Period, 200*drivers.Millisecond),
		Stale:              staleTime(b),
		// Half the no-charge voltage and a quarter over the maker's limit: no
		// cell that is still a cell reads beyond.
		CellPlausibleMin: m.Maker.NoCharge / 2, CellPlausibleMax: m.Maker.CellMax * 5 / 4,
		// An open or shorted sensor reads far outside of these.
		TempPlausibleMin: drivers.ZeroC - 45_000, TempPlausibleMax: drivers.ZeroC + 150_000,
		CurrentPlausible: mon.CurrentRange,
		SumTolerance:     g.SumTolerance,
		CrossPersistence: max(5*mon.Period, 500*drivers.Millisecond),
		NearZero:         b.nearZero(),
		// A cell that reads the same twice has moved by twice its declared error
		// at most, and the mean that it is held against by as much less than it
		// reads; and a healthy cell moves by half of what its siblings do at least,
		// for its resistance is half of theirs at least: (F - 2e)/2 > 2e.
		FrozenMove: 6 * g.TapError,
		// The same for a temperature, which may stay behind by the gradient that
		// a fifth of the heat makes: F - 2e - gradient > 2e.
		TempFrozenMove: 4*g.TempError + g.LostGradient,
		// Two readings of one sensor differ by twice its declared error.
		TempRateMax: max(g.TempRate, g.Heating+2*g.TempError),
		LoneSpan:    loneSpan(b),
		Terminals:   m.TerminalResistance,
		// A tap's reading belongs to the middle of its window, which ends up to
		// the skew before the frame; the meter's to the frame.
		TapLag: mon.Window/2 + mon.Skew/2, TapLagOff: mon.Skew/2 + 1,
	}
	l.CurrentTolerance, l.BoxCurrentTolerance = currentTolerances(m, b, eff)
	enforceLone(&l, m, b, eff, g)
	enforcePath(&l, m, b, eff)
	enforceTemperatures(&l, eff, g)
	return l
}

// enforceLone says by how much a healthy cell leaves its siblings alone. Two
// readings of one tap differ by twice its declared error where nothing moved, and
// so do two of the median it is compared with. A swing of the current parts the
// cells by half a cell's resistance; and towards the ends of its curve a cell runs
// away at the greatest credible rate, in proportion to the current. A bleed
// current does both to the cells that bled, and in full.
func enforceLone(l *guard.Limits, m *Module, b *Bench, eff *LimitSet, g *Budget) {
	l.LoneMove, l.LoneStep = 4*g.TapError, m.CellResistance/2
	perAmp := func(rate int64, i drivers.Microamps) drivers.Microohms {
		moved := mulDivUp(rate, int64(l.LoneSpan), int64(drivers.Second))
		return drivers.Microohms(mulDivUp(moved, 1_000_000, max(int64(i), 1)))
	}
	l.LoneFlow = max(perAmp(g.ChargeRate, eff.ChargeMax), perAmp(g.DischargeRate, eff.DischargeMax))
	if b.Monitor.Bleed > 0 {
		bleed := drivers.Microamps(mulDivUp(int64(eff.CellMax), 1_000_000, int64(b.Monitor.Bleed)))
		l.BleedMove = drop(bleed, m.CellResistance) + drop(bleed, l.LoneFlow)
	}
}

// enforcePath makes the tolerances of the voltages along the power path against
// the meter: both declared errors at the highest voltage there is.
func enforcePath(l *guard.Limits, m *Module, b *Bench, eff *LimitSet) {
	top := int64(m.Series) * int64(eff.CellMax)
	meter := b.Meter.VoltageAcc.At(top)
	l.Leads = leadsMost + m.TerminalResistance
	l.LinkTolerance = drivers.Microvolts(b.Box.LinkAcc.At(top) + meter)
	l.SupplyTolerance = drivers.Microvolts(b.Supply.VoltageAcc.At(top) + meter)
	l.LoadTolerance = drivers.Microvolts(b.Load.VoltageAcc.At(top) + meter)
}

// enforceTemperatures lowers the upper limits by the gradient to cells without
// a sensor (INV-15).
func enforceTemperatures(l *guard.Limits, eff *LimitSet, g *Budget) {
	l.TempChargeMax, l.TempChargeMin = eff.ChargeTempMax-g.Gradient, eff.ChargeTempMin
	l.TempDischargeMax, l.TempDischargeMin = eff.DischargeTempMax-g.Gradient, eff.DischargeTempMin
	l.TempMax = max(l.TempChargeMax, l.TempDischargeMax)
	l.TempMin = min(l.TempChargeMin, l.TempDischargeMin)
	l.TempSoftMax, l.TempSoftHysteresis = eff.SoftTemp, eff.SoftHysteresis
	if l.TempSoftMax == 0 {
		l.TempSoftMax = min(l.TempChargeMax, l.TempDischargeMax) - 2_000
	}
	if l.TempSoftHysteresis == 0 {
		l.TempSoftHysteresis = 3_000
	}
	// Over a minute and the bucket that ends it a cell parts from its siblings
	// by three times its own heat at most; two readings of one sensor differ by
	// twice its declared error, and so do two of the median.
	l.TempLoneMove = drivers.Millikelvins(mulDivUp(int64(g.Heating), 70, 60)) + 4*g.TempError
}

// currentTolerances are the greatest differences between two healthy sensors:
// their declared errors at the greatest current, the idle instrument's offset,
// and what the link's bleed takes.
func currentTolerances(m *Module, b *Bench, eff *LimitSet) (shunt, box drivers.Microamps) {
	i := int64(max(eff.ChargeMax, eff.DischargeMax))
	own := b.Monitor.CurrentAcc.At(i)
	power := max(b.Supply.CurrentAcc.At(i)+b.Load.CurrentAcc.At(0), b.Load.CurrentAcc.At(i)+b.Supply.CurrentAcc.At(0))
	var bleed int64
	if b.Box.LinkBleed > 0 {
		bleed = mulDivUp(int64(m.Series)*int64(eff.CellMax), 1_000_000, int64(b.Box.LinkBleed))
	}
	shunt = drivers.Microamps(own + power + bleed)
	if b.Box.CurrentStep > 0 {
		box = drivers.Microamps(own + b.Box.CurrentAcc.At(i) + bleed)
	}
	return shunt, box
}

// chargeTable moves each row to the safe side of a sensor's error: a row that
// allows more begins later, a row that allows less begins earlier.
func chargeTable(rows []TempCurrent, e drivers.Millikelvins) []guard.ChargeRow {
	var out []guard.ChargeRow
	for i, row := range rows {
		t := row.Temp
		if i > 0 && row.Current < rows[i-1].Current {
			t -= e
		} else if i > 0 {
			t += e
		}
		out = append(out, guard.ChargeRow{Temp: t, Current: row.Current})
	}
	return out
}

// absolutes are the cell maker's limits with what is held back from them.
func absolutes(m *Module, g *Budget) machine.Absolute {
	k := &m.Maker
	return machine.Absolute{
		CellMax: k.CellMax, CellMin: k.CellMin,
		TempMax:       max(k.ChargeTempMax, k.DischargeTempMax),
		CurrentMax:    max(k.ChargeMax, k.DischargeMax),
		AllowanceCell: g.Cell, AllowanceTemp: g.Temp,
	}
}

// readiness is what the bench must show before anything energises.
func readiness(b *Bench, eff *LimitSet, g *Budget) machine.Ready {
	return machine.Ready{
		Settle: max(3*drivers.Second, 10*b.Monitor.Period), Timeout: drivers.Minute,
		SumTolerance: g.SumTolerance,
		// Two sensors' errors, and 3 K of a module that is not evenly warm.
		TempBand: 2*g.TempError + 3_000,
		CellMin:  eff.CellMin, CellMax: eff.CellMax,
	}
}
