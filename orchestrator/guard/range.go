package guard

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// checkCells holds every cell inside its limits. In health it is one pass for
// the least, the greatest and the sum; only a frame that shows something, or
// follows one that did, is looked at cell by cell. It returns the sum of the
// counts and whether every cell gave a plausible reading.
func (g *Guard) checkCells(f *drivers.Frame) (sum int64, whole bool) {
	cells := f.Counts[:g.ch.cells]
	least, most := int32(math.MaxInt32), int32(math.MinInt32)
	for _, c := range cells {
		sum += int64(c)
		least = min(least, c)
		most = max(most, c)
	}
	l := &g.lim
	g.checkForbidden(f, least)
	if l.cell.holds(least) && l.cell.holds(most) && g.badCells == 0 {
		return sum, true
	}
	for i, c := range cells {
		if g.mark(i, l.cell.holds(c), &g.badCells, f.At, l.cellP) {
			g.addCell(i, c)
		}
	}
	return sum, l.cellPlausible.holds(least) && l.cellPlausible.holds(most)
}

func (g *Guard) addCell(i int, c int32) {
	l := &g.lim
	cause, limit := CellHigh, l.cell.hi
	switch {
	case c == drivers.NoReading:
		g.addMissing(i)
		return
	case !l.cellPlausible.holds(c):
		cause, limit = Impossible, nearer(l.cellPlausible, c)
	case c < l.cell.lo:
		cause, limit = CellLow, l.cell.lo
	}
	g.addAt(cause, i, c, limit, g.bad[i])
}

// checkForbidden: a cell under its no-charge voltage is never charged (INV-10).
func (g *Guard) checkForbidden(f *drivers.Frame, least int32) {
	t := &g.timers[timeForbidden]
	if g.flow == flowUnknown {
		return // nothing says that charging ended
	}
	if g.flow != flowCharge || least >= g.lim.noCharge {
		t.since = never
		return
	}
	over := t.set(true, f.At, g.lim.currentP)
	for i, c := range f.Counts[:g.ch.cells] {
		if over && c < g.lim.noCharge && g.lim.cellPlausible.holds(c) {
			g.addAt(ChargeForbidden, i, c, g.lim.noCharge, t.since)
		}
	}
}

// checkOther looks for missing and impossible readings behind the cells and
// temperatures, and holds the terminal voltage inside its limits.
func (g *Guard) checkOther(f *drivers.Frame) {
	first := g.ch.cells + g.ch.temps
	counts := f.Counts[first:]
	other := g.lim.other[:len(counts)]
	good := true
	for i, c := range counts {
		good = good && c >= other[i].lo && c <= other[i].hi
	}
	if good && g.badOthers == 0 {
		return
	}
	for i, c := range counts {
		if g.mark(first+i, other[i].holds(c), &g.badOthers, f.At, other[i].persistence) {
			g.addOther(first+i, c, &other[i])
		}
	}
}

func (g *Guard) addOther(at int, c int32, b *otherBand) {
	switch {
	case c == drivers.NoReading:
		g.addMissing(at)
	case !b.plausible.holds(c):
		g.addAt(Impossible, at, c, nearer(b.plausible, c), g.bad[at])
	case c > b.hi:
		g.addAt(ModuleHigh, at, c, b.hi, g.bad[at])
	default:
		g.addAt(ModuleLow, at, c, b.lo, g.bad[at])
	}
}

// addAt reports a channel's count against a limit given as a count.
func (g *Guard) addAt(cause Cause, at int, count, limit int32, since drivers.Instant) {
	g.add(Finding{Cause: cause, Channel: at, Value: g.ch.value(at, count), Limit: g.ch.value(at, limit), Since: since})
}

func (g *Guard) addMissing(at int) {
	g.add(Finding{Cause: Missing, Channel: at, Since: g.bad[at]})
}

// nearer returns the end of the band that c lies beyond.
func nearer(b band, c int32) int32 {
	if c < b.lo {
		return b.lo
	}
	return b.hi
}
