package profiles

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// Margins of the budget that come from judgement, not from a declaration.
const (
	// weakest is the least capacity of a cell relative to the rated one that is
	// still credible, per mille: less capacity moves faster.
	weakest = 800
	// chord: the steepest point of an open-circuit curve over the chord of the
	// table between two of its points, per mille.
	chord = 1500
	// jointExcess is a joint's credible excess resistance, per mille of a cell
	// group's, that a sensor at a neighbouring cell has to see;
	// healthySpread is the spread among good ones.
	jointExcess   = 500
	healthySpread = 200
	// leastTempRate is the least fastest credible rise, mK/min, that a sensor's
	// noise does not reach.
	leastTempRate = 3_000
)

// Budget is what a plan holds back from the cell maker's absolute limits on one
// bench, term by term (INV-12). It is computed from what the files declare and
// never typed in.
type Budget struct {
	// SumTolerance is the greatest difference between the sum of the taps and
	// the meter that the declared accuracies explain; TapError is that of one
	// tap. A single tap hides behind the sum as long as it errs by less than
	// Hidden: twice the tolerance, less its own declared part.
	// TerminalDrop is what the way from taps to meter drops at the greatest
	// current: the guard adds it, and what is uncertain of it to the tolerance.
	// SkewDrift is what the sum moves at the greatest rate while nobody knows
	// whether its taps were read before.
	SumTolerance, TapError, TerminalDrop, SkewDrift, Hidden drivers.Microvolts
	// ChargeRate and DischargeRate are the greatest credible rates of a cell,
	// in uV/s: steepest open-circuit slope, greatest current, weakest cell.
	ChargeRate, DischargeRate int64
	// Period, Persistence, HaltPath and SwitchOff add up to Path: from a true
	// breach to no current. Period includes skew and averaging.
	Period, Persistence, HaltPath, SwitchOff, Path drivers.Span
	// Stale and Lease bound the two faults that show no frame at all.
	Stale, Lease drivers.Span
	// Cell is the allowance for a cell's voltage.
	Cell drivers.Microvolts

	// TempError is the declared error of a sensor. Gradient is the predicted
	// rise of a cell without a sensor over the nearest one, LostGradient that
	// over the nearest one left when any one sensor reads wrong.
	TempError, Gradient, LostGradient drivers.Millikelvins
	// TempRate is the fastest credible rise, mK/min; TempPath the time that it
	// goes on.
	// Heating is the part of it that the current explains.
	TempRate, Heating drivers.Millikelvins
	TempPath          drivers.Span
	// Temp is the allowance for a temperature.
	Temp drivers.Millikelvins

	// Allowed is the longest time that current may go on unwatched, from the
	// operating limit to the absolute one at the worst rate.
	Allowed drivers.Span
	Paths   []Path
}

// Path is one way in which a bench loses its watch, with the longest time until
// current is off.
type Path struct {
	Name  string
	Worst drivers.Span
}

func makeBudget(m *Module, b *Bench, eff *LimitSet) *Budget {
	g := &Budget{HaltPath: b.HaltPath, Lease: b.Lease}
	mon := &b.Monitor
	g.TapError = drivers.Microvolts(mon.CellAccuracy.At(int64(eff.CellMax)))
	meter := drivers.Microvolts(b.Meter.VoltageAcc.At(int64(m.Series) * int64(eff.CellMax)))
	g.SumTolerance = drivers.Microvolts(m.Series)*g.TapError + meter
	g.TerminalDrop = drop(max(eff.ChargeMax, eff.DischargeMax), m.TerminalResistance)
	low, high := m.slopes()
	g.ChargeRate = cellRate(high, eff.ChargeMax, m.Rated)
	g.DischargeRate = cellRate(low, eff.DischargeMax, m.Rated)
	g.SkewDrift = drivers.Microvolts(mulDivUp(int64(m.Series)*max(g.ChargeRate, g.DischargeRate), int64(mon.Skew/2+1), int64(drivers.Second)))
	g.Hidden = 2*(g.SumTolerance+g.SkewDrift+guard.DropTolerance(g.TerminalDrop)) - g.TapError

	g.Period = mon.Period + mon.Skew + mon.Window
	if b.Monitor.Driver != DriverVirtual {
		// A monitor on a wire measures at times of its own: what the host finds
		// is up to a period old.
		g.Period += mon.Period
	}
	g.Persistence = cellPersistence(b)
	g.SwitchOff = max(switchOff(&b.Supply, eff.ChargeMax), switchOff(&b.Load, eff.DischargeMax),
		b.Box.OpeningTime+b.Box.SwitchTime)
	g.Path = g.Period + g.Persistence + g.HaltPath + g.SwitchOff
	g.Stale = staleTime(b)

	rate := max(g.ChargeRate, g.DischargeRate)
	move := func(d drivers.Span) drivers.Microvolts {
		return drivers.Microvolts(mulDivUp(rate, int64(d), int64(drivers.Second)))
	}
	g.Cell = max(
		g.Hidden+move(g.Path),                         // a sensor errs
		g.TapError+move(g.Stale+g.Path),               // frames stop
		g.TapError+move(g.Period+g.Lease+g.SwitchOff)) // whoever renews the lease dies
	g.temperatures(m, b, eff)
	g.leases(m, b, eff, rate)
	return g
}

// slopes returns the steepest chords of the open-circuit table under and over
// its middle, in uV for the whole range of charge.
func (m *Module) slopes() (low, high int64) {
	for i := 1; i < len(m.OCV); i++ {
		a, b := m.OCV[i-1], m.OCV[i]
		slope := mulDivUp(int64(b.Voltage-a.Voltage), 1_000_000, b.SoC-a.SoC)
		if a.SoC < 500_000 {
			low = max(low, slope)
		}
		if b.SoC > 500_000 {
			high = max(high, slope)
		}
	}
	return low, high
}

// cellRate is slope*current/capacity in uV/s, with the margins above.
func cellRate(slope int64, i drivers.Microamps, rated drivers.Charge) int64 {
	perSecond := mulDivUp(slope, int64(i), int64(rated)/1000) // rated in uA.s
	return mulDivUp(perSecond, chord, weakest)
}

func switchOff(p *drivers.PowerSpec, i drivers.Microamps) drivers.Span {
	return p.Delay + drivers.Span(mulDivUp(int64(min(i, p.CurrentMax)), int64(drivers.Second), int64(p.Slew)))
}

// temperatures fills in the thermal half. A cell that makes more heat than its
// neighbours passes the excess on to both sides: over d cells to a sensor its
// rise is excess*d/(2*conductance), the one-dimensional fin without loss, which
// is the upper bound.
func (g *Budget) temperatures(m *Module, b *Bench, eff *LimitSet) {
	g.TempError = drivers.Millikelvins(b.Monitor.TempAccuracy.At(int64(max(eff.ChargeTempMax, eff.DischargeTempMax))))
	i := max(eff.ChargeMax, eff.DischargeMax)
	heat := mulDivUp(int64(drop(i, m.CellResistance)), int64(i), 1_000_000_000) // mW
	near, lost := m.sensorDistances()
	rise := func(excess int64, d int) drivers.Millikelvins {
		return drivers.Millikelvins(mulDivUp(mulDivUp(heat, excess, 1000), int64(d)*1000, 2*m.NeighbourConductance))
	}
	g.Gradient = rise(jointExcess, near)
	g.LostGradient = rise(healthySpread, lost)
	// heat/capacity is mW/(mJ/K) = K/s; three times that is not health.
	g.Heating = drivers.Millikelvins(mulDivUp(3*heat, 60_000, m.HeatCapacity))
	g.TempRate = max(leastTempRate, g.Heating)
	g.TempPath = g.Period + thermometerAge(b) + tempPersistence(b) + g.HaltPath + g.SwitchOff
	g.Temp = g.TempError + g.LostGradient +
		drivers.Millikelvins(mulDivUp(int64(g.TempRate), int64(g.TempPath), int64(drivers.Minute)))
}

// thermometerAge is how old what thermometers read can be, beyond the
// monitor's own readings.
func thermometerAge(b *Bench) drivers.Span {
	if b.Thermometers == nil {
		return 0
	}
	return b.Thermometers.MaxAge()
}

// sensorDistances returns the farthest that any cell is from its nearest
// sensor, and from its nearest when one sensor is left out.
func (m *Module) sensorDistances() (near, lost int) {
	for cell := range m.Series {
		first, second := m.Series, m.Series
		for _, s := range m.Sensors {
			d := max(cell-s, s-cell)
			if d < first {
				first, second = d, first
			} else {
				second = min(second, d)
			}
		}
		near, lost = max(near, first), max(lost, second)
	}
	return near, lost
}

// leases computes how long current may go on unwatched, and how long each path
// lets it.
func (g *Budget) leases(m *Module, b *Bench, eff *LimitSet, rate int64) {
	room := min(m.Maker.CellMax-eff.CellMax, eff.CellMin-m.Maker.CellMin)
	byCell := mulDiv(int64(max(room, 0)), int64(drivers.Second), max(rate, 1))
	warm := min(m.Maker.ChargeTempMax-eff.ChargeTempMax, m.Maker.DischargeTempMax-eff.DischargeTempMax)
	byTemp := mulDiv(int64(max(warm, 0)), int64(drivers.Minute), int64(g.TempRate))
	g.Allowed = drivers.Span(min(byCell, byTemp))
	g.Paths = []Path{
		{"orchestrator dead or cut off: lease", g.Lease + g.Period + g.SwitchOff},
		{"frames stop: stale data", g.Stale + g.Path},
	}
	if s := max(b.Supply.CommTimeout, b.Load.CommTimeout); s > 0 {
		g.Paths = append(g.Paths, Path{"host dead: instruments' own silence limit", s + b.SilenceMargin(s) + g.SwitchOff})
	}
	if h := b.Box.Heartbeat; h > 0 {
		g.Paths = append(g.Paths, Path{"host dead: contactor box's heartbeat", h + b.SilenceMargin(h) + b.Box.OpeningTime + b.Box.SwitchTime})
	}
}

// String prints the budget, one term a line.
func (g *Budget) String() string {
	var s strings.Builder
	line := func(name string, v int64, d Dimension) {
		fmt.Fprintf(&s, "%-46s %s\n", name, FormatQuantity(v, d))
	}
	line("sum of taps against meter, tolerance", int64(g.SumTolerance), DimVoltage)
	line("drop from taps to meter, uncertain part", int64(guard.DropTolerance(g.TerminalDrop)), DimVoltage)
	line("drift of the sum within the taps' skew", int64(g.SkewDrift), DimVoltage)
	line("error of one tap that the sum cannot see", int64(g.Hidden), DimVoltage)
	line("greatest rate of a cell, per second", max(g.ChargeRate, g.DischargeRate), DimVoltage)
	line("from breach to no current", int64(g.Path), DimTime)
	line("allowance, cell voltage", int64(g.Cell), DimVoltage)
	line("error of a temperature sensor", int64(g.TempError), DimDifference)
	line("gradient to a cell without a sensor", int64(g.Gradient), DimDifference)
	line("gradient when one sensor reads wrong", int64(g.LostGradient), DimDifference)
	line("allowance, temperature", int64(g.Temp), DimDifference)
	line("current may go on unwatched for", int64(g.Allowed), DimTime)
	for _, p := range g.Paths {
		line(p.Name, int64(p.Worst), DimTime)
	}
	return s.String()
}
