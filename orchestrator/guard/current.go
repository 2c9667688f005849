package guard

import "github.com/rigwarden/rigwarden/drivers"

// explained keeps the counts of the currents that the commands explain, so that
// they are divided out only when a command changes.
type explained struct {
	charge, discharge drivers.Microamps
	band              band
	valid             bool
	tolerance         int64
}

// direction is what the measured current does.
func (g *Guard) direction(c int32) flow {
	switch {
	case c == drivers.NoReading:
		return flowUnknown
	case c > g.lim.rest.hi:
		return flowCharge
	case c < g.lim.rest.lo:
		return flowDischarge
	}
	return flowRest
}

// checkCurrent holds the measured current inside its limits and inside what
// the commands explain. A missing reading keeps a condition as it is.
func (g *Guard) checkCurrent(f *drivers.Frame, x *Context) {
	at := g.ch.current
	c, l := f.Counts[at], &g.lim
	if c == drivers.NoReading {
		return
	}
	limit := l.chargeMax
	if len(l.rows) > 0 {
		limit = min(limit, max(g.allowed(l.rows), l.rest.hi))
	}
	if len(l.tighter) > 0 {
		limit = min(limit, max(g.allowed(l.tighter), l.rest.hi))
	}
	if t := &g.timers[timeChargeHigh]; t.set(c > limit, f.At, l.currentP) {
		g.addAt(ChargeHigh, at, c, limit, t.since)
	}
	if t := &g.timers[timeDischargeHigh]; t.set(c < l.dischargeMax, f.At, l.currentP) {
		g.addAt(DischargeHigh, at, c, l.dischargeMax, t.since)
	}
	b := g.explain(x)
	if t := &g.timers[timeUncommanded]; t.set(!b.holds(c), f.At, l.currentP) {
		g.addAt(CurrentUncommanded, at, c, nearer(b, c), t.since)
	}
}

// allowed is the least current of all rows from the coldest to the hottest
// sensor, as a count. Under the first row nothing is allowed.
func (g *Guard) allowed(rows []row) int32 {
	if g.hottest < g.coldest || g.coldest < rows[0].temp {
		return 0
	}
	least := int32(0)
	for i, r := range rows {
		if r.temp > g.hottest {
			break
		}
		ends := i+1 < len(rows) && rows[i+1].temp <= g.coldest
		if ends {
			continue // the coldest sensor is past this row
		}
		if least == 0 || r.current < least {
			least = r.current
		}
		if r.current <= 0 {
			return 0
		}
	}
	return least
}

// explain returns the counts of the shunt that the commands explain.
func (g *Guard) explain(x *Context) band {
	e := &g.explained
	if !e.valid || e.charge != x.Charge || e.discharge != x.Discharge || e.tolerance != g.lim.commandTolerance {
		*e = explained{charge: x.Charge, discharge: x.Discharge, tolerance: g.lim.commandTolerance, valid: true}
		e.band = inside(g.ch.currentScale, -int64(x.Discharge)-e.tolerance, int64(x.Charge)+e.tolerance)
	}
	return e.band
}

// checkStates reads the state words: stop, faults, both on, contactors. A word
// that is missing or unreadable is reported with the channels.
func (g *Guard) checkStates(f *drivers.Frame, x *Context) {
	bs, ss, ls := g.state(f, g.ch.boxState), g.state(f, g.ch.supplyState), g.state(f, g.ch.loadStates)
	if bs&drivers.BoxEmergencyStop != 0 {
		g.addState(EmergencyStop, g.ch.boxState, bs, f.At)
	}
	if bs&drivers.BoxFault != 0 {
		g.addState(DeviceFault, g.ch.boxState, bs, f.At)
	}
	if powerFault(ss, x.Supply) {
		g.addState(DeviceFault, g.ch.supplyState, ss, f.At)
	}
	if powerFault(ls, x.Load) {
		g.addState(DeviceFault, g.ch.loadStates, ls, f.At)
	}
	// Commanding both is the machine's mistake and needs no second look; a
	// reading of both may be one reading old.
	both := x.Supply && x.Load || ss&ls&drivers.PowerOn != 0
	persistence := g.lim.currentP
	if x.Supply && x.Load {
		persistence = 0
	}
	if t := &g.timers[timeBothOn]; t.set(both, f.At, persistence) {
		g.addState(BothOn, g.ch.supplyState, ss, t.since)
	}
	g.checkContactors(f, x, bs)
}

const contactorBits = drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive

func (g *Guard) checkContactors(f *drivers.Frame, x *Context, bs int32) {
	t := &g.timers[timeContactors]
	if !x.ContactorsSettled {
		t.since = never
		return
	}
	if f.Counts[g.ch.boxState] == drivers.NoReading {
		return
	}
	want := int32(x.Contactors) & contactorBits
	if t.set(bs&contactorBits != want, f.At, g.lim.currentP) {
		g.add(Finding{Cause: ContactorMismatch, Channel: g.ch.boxState, Value: int64(bs & contactorBits), Limit: int64(want), Since: t.since})
	}
}

func (g *Guard) state(f *drivers.Frame, at int) int32 {
	if c := f.Counts[at]; c > 0 {
		return c
	}
	return 0
}

// powerFault: a lease that ran out matters only while the instrument should be
// on; idle instruments get no lease.
func powerFault(s int32, on bool) bool {
	return s&(drivers.PowerTripped|drivers.PowerFault) != 0 || on && s&drivers.PowerLeaseOut != 0
}

func (g *Guard) addState(cause Cause, at int, state int32, since drivers.Instant) {
	g.add(Finding{Cause: cause, Channel: at, Value: int64(state), Since: since})
}
