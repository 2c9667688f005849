package rehearse

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// looked is the judge's own look at the frames that the loop was given: what in
// them cannot be believed, or lies beyond the plan's limits, and for how long.
// It is written against the plan and shares nothing with the guard (INV-02,
// INV-03, INV-08, INV-16).
type looked struct {
	rules []rule
	since []drivers.Instant // per channel: since when it is bad; 0: it is good
	over  [2]drivers.Instant
	beats [5]heartbeat
	stamp drivers.Instant // of the latest frame, as the loop was given it
	heard drivers.Instant // when that was
	owed  *owed
	told  map[string]bool // what an alarm after the end has told of already
	// ready is since when every frame has shown a bench at rest in good order.
	ready drivers.Instant
	volts drivers.Instant // when the independent meter last gave a positive voltage anew
	meter int32
}

const offClock = "clock"

// rule is what a channel may read and for how long it may read anything else.
type rule struct {
	least, most int64
	lasting     drivers.Span
}

type heartbeat struct {
	known bool
	count int32
	since drivers.Instant
}

// owed is an answer that the loop owes before it asks for the next frame.
type owed struct {
	inv    int
	what   string // in a word
	text   string
	halts  int // seen when it became due
	alarm  bool
	alarms int
}

var heartbeats = [...]drivers.Kind{drivers.MonitorBeat, drivers.MeterBeat, drivers.BoxBeat, drivers.SupplyBeat, drivers.LoadBeat}

const contactorBits = drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive

// look begins to look at the frames of a process's life.
func (w *witness) look() {
	d := &looked{heard: w.rig.Now(), told: map[string]bool{}}
	p := w.c.plan
	d.since = make([]drivers.Instant, len(p.Layout.Channels))
	d.rules = make([]rule, len(p.Layout.Channels))
	for i, c := range p.Layout.Channels {
		d.rules[i] = ruleOf(&p.Limits, c.Kind, p.Layout.Cells())
	}
	w.data = d
}

// ruleOf is what the plan declares of a kind of channel, apart from what depends
// on the current.
func ruleOf(l *guard.Limits, k drivers.Kind, cells int) rule {
	const any = 1 << 62
	r := rule{-any, any, l.CurrentPersistence}
	switch k {
	case drivers.CellVoltage:
		r = rule{int64(max(l.CellMin, l.CellPlausibleMin)), int64(min(l.CellMax, l.CellPlausibleMax)), l.CellPersistence}
	case drivers.ModuleVoltage:
		most := min(l.ModuleMax, drivers.Microvolts(cells)*l.CellPlausibleMax)
		r = rule{int64(max(l.ModuleMin, 0)), int64(most), l.CellPersistence}
	case drivers.Temperature:
		r.lasting = l.TempPersistence
	case drivers.ModuleCurrent, drivers.BoxCurrent, drivers.SupplyCurrent, drivers.LoadCurrent:
		r.least, r.most = -int64(l.CurrentPlausible), int64(l.CurrentPlausible)
	}
	return r
}

// temps is the range that the plan allows at a measured current (INV-15).
func (w *witness) temps(current int64, known bool) (least, most int64) {
	l := &w.c.plan.Limits
	lo, hi := l.TempMin, l.TempMax
	if !known || current > int64(l.NearZero) {
		lo, hi = max(lo, l.TempChargeMin), min(hi, l.TempChargeMax)
	}
	if !known || current < -int64(l.NearZero) {
		lo, hi = max(lo, l.TempDischargeMin), min(hi, l.TempDischargeMax)
	}
	return int64(lo), int64(hi)
}

// energised says that something was commanded that puts the article to work.
func (w *witness) energised() bool {
	for _, on := range w.on {
		if on {
			return true
		}
	}
	// Contactors stay closed for the opening time after a halt (INV-03).
	l, b := &w.c.plan.Bench, w.rig.Now()
	grace := l.Box.OpeningTime + l.Box.SwitchTime + 2*l.Monitor.Period
	return w.closed != 0 && (w.haltAt == 0 || b.Sub(w.haltAt) > grace)
}

// settle asks whether what was owed was given; the loop is about to be given the
// next frame.
func (w *witness) settle() {
	d := w.data
	if d == nil {
		return
	}
	w.silence()
	o := d.owed
	d.owed = nil
	switch {
	case o == nil:
	case o.alarm:
		if w.alarms == o.alarms {
			w.beyond(16, "%s after the end, and nobody was told: %s", o.what, o.text)
		}
	case w.halts == o.halts && w.energised():
		w.beyond(o.inv, "%s, and no halt went out: %s", o.what, o.text)
	}
}

// silence: without a frame for longer than declared there was a halt, or an alarm,
// a frame ago at the latest.
func (w *witness) silence() {
	d, l := w.data, &w.c.plan.Limits
	silent := w.rig.Now().Sub(d.heard)
	switch {
	case silent <= l.Stale+w.c.plan.Bench.Monitor.Period || w.tripped:
	case w.energised():
		w.beyond(2, "no frame for %s, and no halt went out", seconds(silent))
		d.heard = w.rig.Now()
	case w.watching && !d.told["stale"]:
		if d.told["stale"] = true; w.alarmAt < d.heard {
			w.beyond(16, "no frame for %s after the end, and nobody was told", seconds(silent))
		}
	}
}

// owe notes that the data demands a halt where the bench is energised, and an
// alarm where it is watched after an end. A clock that is off says nothing of the
// article.
func (w *witness) owe(inv int, what, format string, args ...any) {
	d := w.data
	if d.owed != nil || w.tripped {
		return
	}
	switch {
	case w.energised():
		d.owed = &owed{inv: inv, what: what, text: fmt.Sprintf(format, args...), halts: w.halts}
	case w.watching && what != offClock && !d.told[what]: // news of the article, or no news
		d.told[what] = true
		d.owed = &owed{what: what, text: fmt.Sprintf(format, args...), alarm: true, alarms: w.alarms}
	}
}

// given looks at a frame that the loop is about to be given.
func (w *witness) given(f *drivers.Frame) {
	d, p := w.data, w.c.plan
	if d == nil {
		return
	}
	now, l := w.rig.Now(), &p.Layout
	fine := w.stamped(f)
	d.heard = now
	fine = w.beat(f) && fine
	at := l.Find(drivers.ModuleCurrent)
	known := f.Counts[at] != drivers.NoReading
	current := l.Channels[at].Scale.Value(f.Counts[at])
	least, most := w.temps(current, known)
	for i := range l.Channels {
		c, r := &l.Channels[i], &d.rules[i]
		if c.Kind == drivers.Temperature {
			r.least, r.most = least, most
		}
		n := f.Counts[i]
		v := c.Scale.Value(n)
		if n != drivers.NoReading && v >= r.least && v <= r.most {
			d.since[i] = 0
			continue
		}
		fine = false
		if d.since[i] == 0 {
			d.since[i] = now
		}
		if now.Sub(d.since[i]) < r.lasting {
			continue
		}
		if n == drivers.NoReading {
			w.owe(2, "missing", "%s gives no reading", c.Name())
		} else {
			w.owe(3, "beyond", "%s reads %d, outside %d to %d", c.Name(), v, r.least, r.most)
		}
	}
	w.amperes(current, known)
	w.words(f)
	w.rests(f, fine)
}

// stamped looks at the frame's own time. One that is off by more than a lease may
// hide is of another time; one that repeats is no news (INV-02).
func (w *witness) stamped(f *drivers.Frame) bool {
	d, lease := w.data, w.c.plan.Bench.Lease
	ahead := f.At.Sub(w.rig.Now())
	before := d.stamp
	d.stamp = f.At
	switch {
	case ahead > lease/2 || ahead < -2*lease:
		w.owe(2, offClock, "the frame is stamped %d ms off", ahead/drivers.Millisecond)
	case f.At == before:
		w.owe(2, "stale", "two frames are of one instant")
	default:
		return true
	}
	return false
}

// beat looks at the counters of real measurements.
func (w *witness) beat(f *drivers.Frame) bool {
	d, l, now := w.data, &w.c.plan.Layout, w.rig.Now()
	fine := true
	for i, k := range heartbeats {
		b, n := &d.beats[i], f.Counts[l.Find(k)]
		// Counters wrap from the greatest number to 0; what is ahead is the nearer
		// half.
		ahead := (uint32(n)-uint32(b.count))&(1<<31-1) - 1
		switch {
		case n < 0:
		case !b.known || ahead < 1<<30-1:
			*b = heartbeat{true, n, now}
		case n != b.count:
			fine = false
			w.owe(2, "stale", "%s went back from %d to %d", k, b.count, n)
			if !w.energised() { // a driver that was opened again counts anew
				*b = heartbeat{true, n, now}
			}
		}
		if now.Sub(b.since) > w.c.plan.Limits.Stale {
			fine = false
			w.owe(2, "stale", "%s stands at %d", k, b.count)
		}
	}
	at := l.Find(drivers.ModuleVoltage)
	if n := f.Counts[l.Find(drivers.MeterBeat)]; n != d.meter {
		d.meter = n
		if v := f.Counts[at]; v != drivers.NoReading && l.Channels[at].Scale.Value(v) > 0 {
			d.volts = now
		}
	}
	return fine
}

// amperes holds the measured current against the plan's greatest.
func (w *witness) amperes(current int64, known bool) {
	d, l, now := w.data, &w.c.plan.Limits, w.rig.Now()
	if !known {
		return // says so itself; a condition stays as it was
	}
	for i, over := range [...]int64{current - int64(l.ChargeMax), -current - int64(l.DischargeMax)} {
		switch {
		case over <= 0:
			d.over[i] = 0
		case d.over[i] == 0:
			d.over[i] = now
		}
		if d.over[i] != 0 && now.Sub(d.over[i]) >= l.CurrentPersistence {
			w.owe(3, "current", "the shunt reads %d uA", current)
		}
	}
}

// words looks at what the instruments say of themselves.
func (w *witness) words(f *drivers.Frame) {
	l := &w.c.plan.Layout
	word := func(k drivers.Kind) int32 { return max(0, f.Counts[l.Find(k)]) }
	if word(drivers.BoxState)&drivers.BoxEmergencyStop != 0 {
		w.owe(3, "emergency stop", "the emergency stop is engaged")
	}
	const broken = drivers.PowerTripped | drivers.PowerFault
	if word(drivers.BoxState)&drivers.BoxFault != 0 || (word(drivers.SupplyState)|word(drivers.LoadState))&broken != 0 {
		w.owe(3, "device", "an instrument reports a fault")
	}
}

// rests notes since when the frames show a bench and an article that are in good
// order at rest (INV-08).
func (w *witness) rests(f *drivers.Frame, fine bool) {
	p := w.c.plan
	l, r := &p.Layout, &p.Ready
	value := func(i int) int64 { return l.Channels[i].Scale.Value(f.Counts[i]) }
	if fine {
		var sum int64
		for k := range l.Cells() {
			v := value(l.Cell(k))
			sum += v
			fine = fine && v >= int64(r.CellMin) && v <= int64(r.CellMax)
		}
		cold, hot := value(l.Temp(0)), value(l.Temp(0))
		for j := range l.Temps() {
			cold, hot = min(cold, value(l.Temp(j))), max(hot, value(l.Temp(j)))
		}
		off := sum - value(l.Find(drivers.ModuleVoltage))
		current := value(l.Find(drivers.ModuleCurrent))
		fine = fine && max(off, -off) <= int64(r.SumTolerance) && hot-cold <= int64(r.TempBand) &&
			max(current, -current) <= int64(p.Limits.NearZero) &&
			f.Counts[l.Find(drivers.BoxState)]&contactorBits == 0 &&
			(f.Counts[l.Find(drivers.SupplyState)]|f.Counts[l.Find(drivers.LoadState)])&drivers.PowerOn == 0
	}
	switch {
	case !fine:
		w.data.ready = 0
	case w.data.ready == 0:
		w.data.ready = w.rig.Now()
	}
}
