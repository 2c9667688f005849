package guard

import "github.com/rigwarden/rigwarden/drivers"

// checkCross compares instruments that measure the same thing. It holds only
// at steady current; between two steady moments a disagreement neither grows
// older by itself nor is forgotten, since nothing contradicted it. Nor does one
// between readings that come again: what was a moment's difference when they were
// taken is no more than that, and that they stand still is a finding of its own.
//
// Each tolerance is the sum of what the two sides declare, so that no healthy
// pair ever exceeds it, and every disagreement beyond is found: an error of one
// side is found for certain once it exceeds twice the tolerance.
func (g *Guard) checkCross(f *drivers.Frame, x *Context, sum int64, whole bool) {
	if !x.Steady || !g.fresh {
		return
	}
	m, l := g.ch, &g.lim
	c := f.Counts[m.current]
	if c == drivers.NoReading {
		return
	}
	shunt := m.value(m.current, c)
	if v := f.Counts[m.voltage]; v != drivers.NoReading {
		volts := m.value(m.voltage, v)
		if whole {
			// The meter reads across the terminals as well, through which the
			// current flows: uA times uOhm is pV.
			drop := shunt * l.terminals / 1_000_000
			lag, off := g.lag(sum, f.At)
			g.compare(SumMismatch, timeSum, m.voltage, m.sum(sum)+lag+drop-volts,
				l.sumTolerance+off+int64(DropTolerance(drivers.Microvolts(drop))), f.At)
		}
		g.checkPath(f, x, volts, shunt)
	}
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

// lag is by how much the sum of the taps moved between the middle of their
// windows and the meter's reading, and what of that nobody knows: by the rate
// since the latest slot of the history.
func (g *Guard) lag(sum int64, at drivers.Instant) (moved, off int64) {
	h := &g.history
	k := (h.next + historySlots - 1) % historySlots
	if h.used == 0 {
		return 0, 0
	}
	dt := int64(at.Sub(h.at[k]))
	if dt <= 0 || dt > int64(h.window) {
		return 0, 0
	}
	s := g.ch.cellScale
	since := (sum - h.sum[k]) * s.Num / s.Den
	return since * int64(g.base.TapLag) / dt, max(since, -since) * int64(g.base.TapLagOff) / dt
}

// sum is the voltage of all taps together.
func (m *channels) sum(counts int64) int64 {
	s := m.cellScale
	if s.Den == 1 {
		return int64(m.cells)*s.Offset + counts*s.Num
	}
	return int64(m.cells)*s.Offset + counts*s.Num/s.Den
}

// checkPath compares the voltage at the far end of the power path with the
// meter's: with both contactors closed the link, and an instrument that is on,
// stand at the article's voltage but for what the leads drop. A joint in the path
// that has gone bad shows here, and an instrument that regulates by an open sense
// lead.
func (g *Guard) checkPath(f *drivers.Frame, x *Context, volts, shunt int64) {
	const both = drivers.Contactors(drivers.BoxNegative | drivers.BoxPositive)
	if !x.ContactorsSettled || x.Contactors != both {
		return
	}
	m := g.ch
	leads := max(shunt, -shunt) * int64(g.base.Leads) / 1_000_000
	for _, p := range [...]struct {
		on        bool
		which, at int
		tolerance drivers.Microvolts
	}{
		{true, timeLink, m.link, g.base.LinkTolerance},
		{x.Supply, timeSupply, m.supplyVoltage, g.base.SupplyTolerance},
		{x.Load, timeLoad, m.loadVoltage, g.base.LoadTolerance},
	} {
		if p.tolerance == 0 || p.at < 0 {
			continue
		}
		if !p.on {
			g.timers[p.which].since = never
			continue
		}
		if c := f.Counts[p.at]; c != drivers.NoReading {
			g.compare(TerminalMismatch, p.which, p.at, m.value(p.at, c)-volts, int64(p.tolerance)+leads, f.At)
		}
	}
}

func (g *Guard) compare(cause Cause, which, at int, difference, tolerance int64, now drivers.Instant) {
	t := &g.timers[which]
	if t.set(difference > tolerance || difference < -tolerance, now, g.lim.crossP) {
		g.add(Finding{Cause: cause, Channel: at, Value: difference, Limit: tolerance, Since: t.since})
	}
}
