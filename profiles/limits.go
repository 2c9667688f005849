package profiles

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// limit is one entry of a LimitSet, seen as a number with a safe side.
type limit struct {
	key   string
	dim   Dimension
	upper bool // the lower the tighter
	value func(*LimitSet) *int64
}

func vp(p *drivers.Microvolts) *int64   { return (*int64)(p) }
func ap(p *drivers.Microamps) *int64    { return (*int64)(p) }
func tp(p *drivers.Millikelvins) *int64 { return (*int64)(p) }

// limitTable names every limit that can be tightened, in the order in which
// problems are reported.
var limitTable = []limit{
	{"cell_max", DimCell, true, func(l *LimitSet) *int64 { return vp(&l.CellMax) }},
	{"cell_min", DimCell, false, func(l *LimitSet) *int64 { return vp(&l.CellMin) }},
	{"charge_max", DimCurrent, true, func(l *LimitSet) *int64 { return ap(&l.ChargeMax) }},
	{"discharge_max", DimCurrent, true, func(l *LimitSet) *int64 { return ap(&l.DischargeMax) }},
	{"charge_temperature", DimTemperature, false, func(l *LimitSet) *int64 { return tp(&l.ChargeTempMin) }},
	{"charge_temperature", DimTemperature, true, func(l *LimitSet) *int64 { return tp(&l.ChargeTempMax) }},
	{"discharge_temperature", DimTemperature, false, func(l *LimitSet) *int64 { return tp(&l.DischargeTempMin) }},
	{"discharge_temperature", DimTemperature, true, func(l *LimitSet) *int64 { return tp(&l.DischargeTempMax) }},
	{"pause_above", DimTemperature, true, func(l *LimitSet) *int64 { return tp(&l.SoftTemp) }},
}

// makerSet sees the cell maker's limits as a LimitSet.
func makerSet(k *Maker) *LimitSet {
	return &LimitSet{
		CellMax: k.CellMax, CellMin: k.CellMin, ChargeMax: k.ChargeMax, DischargeMax: k.DischargeMax,
		ChargeTempMin: k.ChargeTempMin, ChargeTempMax: k.ChargeTempMax,
		DischargeTempMin: k.DischargeTempMin, DischargeTempMax: k.DischargeTempMax,
	}
}

// inside reports every limit of l that is looser than outer's: a later file can
// tighten and never loosen (INV-10). whose names outer.
func (l *LimitSet) inside(r *tree.Report, outer *LimitSet, whose string) {
	for _, row := range limitTable {
		mine, theirs := *row.value(l), *row.value(outer)
		if mine == 0 || theirs == 0 || mine == theirs || (mine < theirs) == row.upper {
			continue
		}
		side, right := "over", "at most "
		if !row.upper {
			side, right = "under", "at least "
		}
		r.Add(l.at[row.key], fmt.Sprintf("%s of %s is looser: it is %s %s of %s", row.key,
			FormatQuantity(mine, row.dim), side, whose, FormatQuantity(theirs, row.dim)),
			right+FormatQuantity(theirs, row.dim))
	}
	if l.CellMax != 0 && l.CellMin != 0 && l.CellMin >= l.CellMax {
		r.Add(l.at["cell_min"], "cell_min is not under cell_max", "leave room to work between the two")
	}
}

// tighten returns the tightest of l and other, entry by entry.
func (l LimitSet) tighten(other *LimitSet) LimitSet {
	for _, row := range limitTable {
		mine, theirs := row.value(&l), *row.value(other)
		if theirs != 0 && (*mine == 0 || (theirs < *mine) == row.upper) {
			*mine = theirs
		}
	}
	l.SoftHysteresis = max(l.SoftHysteresis, other.SoftHysteresis)
	return l
}
