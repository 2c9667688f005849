package guard

import (
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// checkTemps holds every temperature inside the range that the measured
// current asks for (INV-15).
func (g *Guard) checkTemps(f *drivers.Frame) {
	first := g.ch.cells
	temps := f.Counts[first : first+g.ch.temps]
	l := &g.lim
	b := l.temp[g.flow]
	g.coldest, g.hottest = math.MaxInt32, math.MinInt32
	for _, c := range temps {
		g.coldest = min(g.coldest, c)
		g.hottest = max(g.hottest, c)
	}
	whole := l.tempPlausible.holds(g.coldest) && l.tempPlausible.holds(g.hottest)
	if !b.holds(g.coldest) || !b.holds(g.hottest) || g.badTemps > 0 {
		g.coldest, g.hottest = math.MaxInt32, math.MinInt32
		for i, c := range temps {
			if g.mark(first+i, b.holds(c), &g.badTemps, f.At, l.tempP) {
				g.addTemp(first+i, c, b)
			}
			if l.tempPlausible.holds(c) {
				g.coldest = min(g.coldest, c)
				g.hottest = max(g.hottest, c)
			}
		}
	}
	g.checkSoft(f, temps)
	g.checkRise(f, temps, whole)
}

func (g *Guard) addTemp(at int, c int32, b band) {
	l := &g.lim
	cause, limit := TempHigh, b.hi
	switch {
	case c == drivers.NoReading:
		g.addMissing(at)
		return
	case !l.tempPlausible.holds(c):
		cause, limit = Impossible, nearer(l.tempPlausible, c)
	case c < l.tempHard.lo:
		cause, limit = TempLow, l.tempHard.lo
	case c < b.lo && c < l.tempCharge.lo && g.flow != flowDischarge:
		cause, limit = ChargeCold, l.tempCharge.lo
	case c < b.lo:
		cause, limit = TempLow, b.lo
	}
	g.addAt(cause, at, c, limit, g.bad[at])
}

// checkSoft reports the hottest sensor over the soft limit, and goes on doing
// so until it is under the limit less the hysteresis.
func (g *Guard) checkSoft(f *drivers.Frame, temps []int32) {
	l := &g.lim
	if !l.soft || g.hottest < g.coldest {
		return // no sensor reads: Missing says so, and a pause holds
	}
	t := &g.timers[timeSoft]
	high := g.hottest > l.softHigh || g.softOn && g.hottest >= l.softLow
	if !t.set(high, f.At, l.tempP) && !g.softOn {
		return
	}
	if !high {
		g.softOn = false
		return
	}
	if !g.softOn {
		g.softOn = true
		g.softs++
	}
	at := g.ch.cells + slices.Index(temps, g.hottest)
	g.addAt(TempSoft, at, g.hottest, l.softHigh, t.since)
}
