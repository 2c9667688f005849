package guard

import (
	"errors"
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// band is a range of raw counts, both ends allowed. NoReading lies under every
// band, so a channel that gives nothing can never pass for a good one (INV-02).
type band struct{ lo, hi int32 }

func (b band) holds(c int32) bool { return c >= b.lo && c <= b.hi }

// inside returns the counts whose value lies in [lo, hi], never more.
func inside(s drivers.Scale, lo, hi int64) band {
	return band{lo: s.CountAtOrAbove(lo), hi: s.CountAtOrBelow(hi)}
}

func (b band) and(o band) band { return band{lo: max(b.lo, o.lo), hi: min(b.hi, o.hi)} }

// flow is what the measured current does (INV-15).
type flow uint8

const (
	flowRest flow = iota
	flowCharge
	flowDischarge
	flowUnknown // the shunt gives nothing: the limits of both directions hold
	flows
)

// compiled is Limits in raw counts. Everything here is fixed between two calls
// of Tighten.
type compiled struct {
	cell, cellPlausible     band
	noCharge                int32 // least count that may be charged
	temp                    [flows]band
	tempHard, tempCharge    band
	tempPlausible           band
	tempRise                int64 // in 1/256 count; 0: not watched
	softHigh, softLow       int32 // pauses above, resumes under
	soft                    bool
	rest                    band // counts of the shunt that are no current
	chargeMax, dischargeMax int32
	rows                    []row // charge table
	tighter                 []row // a step's own charge table
	other                   []otherBand
	frozen                  int64 // counts of movement
	tempFrozen              int64 // counts, 0: not watched
	lone                    int64 // uV, 0: not watched
	tempLone                int64 // in 1/256 count, 0: not watched
	sumTolerance            int64 // uV
	terminals               int64 // uOhm
	tolerance               int64 // uA, shunt against supply less load
	boxTolerance            int64 // uA, shunt against box sensor
	commandTolerance        int64 // uA beyond what commands explain
	cellP, tempP, currentP  drivers.Span
	crossP, stale, loneSpan drivers.Span
}

// row allows current at temperature counts from temp up.
type row struct {
	temp    int32
	current int32
	amps    int64
}

// otherBand is what one channel behind cells and temperatures may read.
type otherBand struct {
	band
	plausible   band
	persistence drivers.Span
}

// minFrozenMove: standing still proves nothing before the siblings have moved
// by more than a few steps of the converter.
const minFrozenMove = 3

// validate reports everything that makes limits unusable, at once.
func (l *Limits) validate() error {
	var errs []error
	need := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	need(l.CellMin < l.CellMax, "cell_min %d uV must be under cell_max %d uV", l.CellMin, l.CellMax)
	need(l.ModuleMin < l.ModuleMax, "module_min %d uV must be under module_max %d uV", l.ModuleMin, l.ModuleMax)
	need(l.CellPlausibleMin < l.CellMin && l.CellMax < l.CellPlausibleMax,
		"plausible cell voltages %d to %d uV must enclose the limits %d to %d uV", l.CellPlausibleMin, l.CellPlausibleMax, l.CellMin, l.CellMax)
	need(l.TempMin < l.TempMax && l.TempMin > 0, "temp_min %d mK must be positive and under temp_max %d mK", l.TempMin, l.TempMax)
	need(l.TempChargeMin < l.TempChargeMax && l.TempChargeMin > 0, "temp_charge_min %d mK must be positive and under temp_charge_max %d mK", l.TempChargeMin, l.TempChargeMax)
	need(l.TempDischargeMin < l.TempDischargeMax && l.TempDischargeMin > 0, "temp_discharge_min %d mK must be positive and under temp_discharge_max %d mK", l.TempDischargeMin, l.TempDischargeMax)
	need(l.TempPlausibleMin < l.TempMin && l.TempMax < l.TempPlausibleMax,
		"plausible temperatures %d to %d mK must enclose the limits %d to %d mK", l.TempPlausibleMin, l.TempPlausibleMax, l.TempMin, l.TempMax)
	need(l.TempRateMax >= 0 && l.TempFrozenMove >= 0 && l.LoneMove >= 0 && l.LoneSpan >= 0 && l.TempSoftMax >= 0 && l.TempSoftHysteresis >= 0,
		"temp_rate_max, temp_frozen_move, lone_move, lone_span, temp_soft_max and temp_soft_hysteresis must not be negative")
	need(l.TempLoneMove >= 0 && l.LoneStep >= 0 && l.LoneFlow >= 0 && l.BleedMove >= 0 && l.Terminals >= 0 && l.Leads >= 0 && l.TapLag >= 0 && l.TapLagOff >= 0 &&
		l.LinkTolerance >= 0 && l.SupplyTolerance >= 0 && l.LoadTolerance >= 0,
		"temp_lone_move, lone_step, lone_flow, bleed_move, terminals, leads, tap_lag, tap_lag_off, link_, supply_ and load_tolerance must not be negative")
	need(l.LoneMove == 0 || l.LoneSpan > 0, "lone_span must be positive where lone_move is set")
	need(l.ChargeMax >= 0 && l.DischargeMax >= 0, "charge_max %d and discharge_max %d uA are magnitudes", l.ChargeMax, l.DischargeMax)
	need(l.CurrentPlausible > l.ChargeMax && l.CurrentPlausible > l.DischargeMax,
		"current_plausible %d uA must exceed charge_max %d and discharge_max %d uA", l.CurrentPlausible, l.ChargeMax, l.DischargeMax)
	need(l.CellPersistence >= 0 && l.TempPersistence >= 0 && l.CurrentPersistence >= 0 && l.CrossPersistence >= 0, "a persistence must not be negative")
	need(l.Stale > 0, "stale_us must be positive: it is how long a counter may stand still")
	need(l.SumTolerance > 0 && l.CurrentTolerance > 0 && l.BoxCurrentTolerance > 0 && l.FrozenMove > 0 && l.NearZero > 0,
		"sum_tolerance, current_tolerance, box_current_tolerance, frozen_move and near_zero must be positive")
	for i, r := range l.ChargeTable {
		need(r.Current >= 0, "charge_table row %d: current %d uA must not be negative", i+1, r.Current)
		need(i == 0 || l.ChargeTable[i-1].Temp < r.Temp, "charge_table row %d: rows must come by rising temperature", i+1)
	}
	return errors.Join(errs...)
}

// tightest merges a step's limits into l: whatever is set and stricter holds,
// nothing is ever loosened (INV-10). Tolerances and plausible ranges belong to
// the bench and stay.
func (l Limits) tightest(t *Limits) Limits {
	upper(&l.CellMax, t.CellMax)
	lower(&l.CellMin, t.CellMin)
	lower(&l.NoCharge, t.NoCharge)
	upper(&l.ModuleMax, t.ModuleMax)
	lower(&l.ModuleMin, t.ModuleMin)
	upper(&l.TempMax, t.TempMax)
	lower(&l.TempMin, t.TempMin)
	upper(&l.TempChargeMax, t.TempChargeMax)
	lower(&l.TempChargeMin, t.TempChargeMin)
	upper(&l.TempDischargeMax, t.TempDischargeMax)
	lower(&l.TempDischargeMin, t.TempDischargeMin)
	upper(&l.TempRateMax, t.TempRateMax)
	upper(&l.TempSoftMax, t.TempSoftMax)
	upper(&l.ChargeMax, t.ChargeMax)
	upper(&l.DischargeMax, t.DischargeMax)
	upper(&l.CellPersistence, t.CellPersistence)
	upper(&l.TempPersistence, t.TempPersistence)
	upper(&l.CurrentPersistence, t.CurrentPersistence)
	upper(&l.CrossPersistence, t.CrossPersistence)
	upper(&l.Stale, t.Stale)
	return l
}

// upper lowers *have to want; 0 in want means "not set". An upper limit that
// was not set at all (0) takes the new one.
func upper[T ~int64](have *T, want T) {
	if want > 0 && (*have == 0 || want < *have) {
		*have = want
	}
}

func lower[T ~int64](have *T, want T) {
	if want != 0 && want > *have {
		*have = want
	}
}

// load fills c from limits; extra is a further charge table or nil.
func (c *compiled) load(l *Limits, extra []ChargeRow, m *channels) {
	cs, ts, is := m.cellScale, m.tempScale, m.currentScale
	n := int64(m.cells)
	c.cell = inside(cs, int64(l.CellMin), int64(l.CellMax))
	c.cellPlausible = inside(cs, int64(l.CellPlausibleMin), int64(l.CellPlausibleMax))
	c.noCharge = cs.CountAtOrAbove(int64(l.NoCharge))

	hard := inside(ts, int64(l.TempMin), int64(l.TempMax))
	c.tempHard = hard
	c.tempCharge = inside(ts, int64(l.TempChargeMin), int64(l.TempChargeMax))
	discharge := inside(ts, int64(l.TempDischargeMin), int64(l.TempDischargeMax))
	c.temp[flowRest] = hard
	c.temp[flowCharge] = hard.and(c.tempCharge)
	c.temp[flowDischarge] = hard.and(discharge)
	c.temp[flowUnknown] = c.temp[flowCharge].and(discharge)
	c.tempPlausible = inside(ts, int64(l.TempPlausibleMin), int64(l.TempPlausibleMax))
	c.tempRise = int64(l.TempRateMax) * riseFraction * ts.Den / ts.Num
	if l.TempRateMax > 0 {
		c.tempRise = max(c.tempRise, 1)
	}
	c.soft = l.TempSoftMax > 0
	c.softHigh = ts.CountAtOrBelow(int64(l.TempSoftMax))
	c.softLow = ts.CountAtOrAbove(int64(l.TempSoftMax - l.TempSoftHysteresis))

	c.rest = inside(is, -int64(l.NearZero), int64(l.NearZero))
	c.chargeMax = max(is.CountAtOrBelow(int64(l.ChargeMax)), c.rest.hi)
	c.dischargeMax = min(is.CountAtOrAbove(-int64(l.DischargeMax)), c.rest.lo)
	c.rows = loadRows(c.rows[:0], l.ChargeTable, ts, is)
	c.tighter = loadRows(c.tighter[:0], extra, ts, is)

	c.frozen = max(steps(cs, int64(l.FrozenMove)), minFrozenMove)
	c.tempFrozen = 0
	if l.TempFrozenMove > 0 {
		c.tempFrozen = max(steps(ts, int64(l.TempFrozenMove)), minFrozenMove)
	}
	c.lone = 0
	if l.LoneMove > 0 && n > 2 {
		c.lone = int64(l.LoneMove)
	}
	c.tempLone = int64(l.TempLoneMove) * riseFraction * ts.Den / ts.Num
	c.terminals = int64(l.Terminals)
	c.sumTolerance = int64(l.SumTolerance)
	c.tolerance = int64(l.CurrentTolerance)
	c.boxTolerance = int64(l.BoxCurrentTolerance)
	c.commandTolerance = max(c.tolerance, int64(l.NearZero))
	if !m.exact {
		c.sumTolerance, c.tolerance, c.boxTolerance = c.sumTolerance-1, c.tolerance-1, c.boxTolerance-1 // rounding of Value
	}
	c.cellP, c.tempP, c.currentP = l.CellPersistence, l.TempPersistence, l.CurrentPersistence
	c.crossP, c.stale, c.loneSpan = l.CrossPersistence, l.Stale, l.LoneSpan
	c.loadOther(l, m)
}

// steps is how many whole counts fit into a movement.
func steps(s drivers.Scale, move int64) int64 { return move * s.Den / s.Num }

func loadRows(into []row, table []ChargeRow, ts, is drivers.Scale) []row {
	for _, r := range table {
		into = append(into, row{
			temp: ts.CountAtOrAbove(int64(r.Temp)), current: is.CountAtOrBelow(int64(r.Current)), amps: int64(r.Current),
		})
	}
	return into
}

// loadOther sets what each channel behind the temperatures may read.
func (c *compiled) loadOther(l *Limits, m *channels) {
	c.other = c.other[:0]
	module := int64(m.cells) * int64(l.CellPlausibleMax)
	for _, ch := range m.layout.Channels[m.cells+m.temps:] {
		any := band{lo: math.MinInt32 + 1, hi: math.MaxInt32}
		b := otherBand{band: any, plausible: any, persistence: l.CurrentPersistence}
		switch ch.Kind {
		case drivers.ModuleVoltage:
			b.plausible = inside(ch.Scale, -module, module)
			b.band = inside(ch.Scale, int64(l.ModuleMin), int64(l.ModuleMax)).and(b.plausible)
			b.persistence = l.CellPersistence
		case drivers.ModuleCurrent, drivers.BoxCurrent, drivers.SupplyCurrent, drivers.LoadCurrent:
			b.band = inside(ch.Scale, -int64(l.CurrentPlausible), int64(l.CurrentPlausible))
			b.plausible = b.band
		case drivers.BoxState:
			b.band = band{lo: 0, hi: boxBits}
			b.plausible = b.band
		case drivers.SupplyState, drivers.LoadState:
			b.band = band{lo: 0, hi: powerBits}
			b.plausible = b.band
		case drivers.BleedState:
			b.band = band{lo: 0, hi: 1<<min(16, max(0, m.cells-16*ch.Index)) - 1}
			b.plausible = b.band
		case drivers.MonitorBeat, drivers.MeterBeat, drivers.BoxBeat, drivers.SupplyBeat, drivers.LoadBeat:
			b.band = band{lo: 0, hi: math.MaxInt32}
			b.plausible = b.band
		}
		c.other = append(c.other, b)
	}
}

// All bits a state word may carry; another one is a word we cannot read.
const (
	boxBits   = drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive | drivers.BoxEmergencyStop | drivers.BoxFault
	powerBits = drivers.PowerOn | drivers.PowerVoltage | drivers.PowerTripped | drivers.PowerFault | drivers.PowerLeaseOut
)
