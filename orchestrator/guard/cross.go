package guard

import "github.com/rigwarden/rigwarden/drivers"

// checkCross compares instruments that measure the same thing. It holds only
// at steady current; between two steady moments a disagreement neither grows
// older by itself nor is forgotten, since nothing contradicted it.
func (g *Guard) checkCross(f *drivers.Frame, x *Context, sum int64, whole bool) {
	if !x.Steady {
		return
	}
	m, l := g.ch, &g.lim
	if v := f.Counts[m.voltage]; whole && v != drivers.NoReading {
		s := m.cellScale
		taps := int64(m.cells)*s.Offset + sum*s.Num
		if s.Den != 1 {
			taps = int64(m.cells)*s.Offset + sum*s.Num/s.Den
		}
		g.compare(SumMismatch, timeSum, m.voltage, taps-m.value(m.voltage, v), l.sumTolerance, f.At)
	}
	c := f.Counts[m.current]
	if c == drivers.NoReading {
		return
	}
	shunt := m.value(m.current, c)
	if s, d := f.Counts[m.supplyCurrent], f.Counts[m.loadCurrent]; s != drivers.NoReading && d != drivers.NoReading {
		net := m.value(m.supplyCurrent, s) - m.value(m.loadCurrent, d)
		g.compare(CurrentMismatch, timePower, m.current, shunt-net, l.tolerance, f.At)
	}
	if m.boxCurrent < 0 {
		return
	}
	if b := f.Counts[m.boxCurrent]; b != drivers.NoReading {
		g.compare(CurrentMismatch, timeBox, m.boxCurrent, shunt-m.value(m.boxCurrent, b), l.boxTolerance, f.At)
	}
}

func (g *Guard) compare(cause Cause, which, at int, difference, tolerance int64, now drivers.Instant) {
	t := &g.timers[which]
	if t.set(difference > tolerance || difference < -tolerance, now, g.lim.crossP) {
		g.add(Finding{Cause: cause, Channel: at, Value: difference, Limit: tolerance, Since: t.since})
	}
}
