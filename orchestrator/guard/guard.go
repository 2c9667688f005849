package guard

import (
	"fmt"
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// never is the instant of things that have not begun.
const never = drivers.Instant(math.MinInt64)

// Guard judges the frames of one bench, in the order of their arrival. It is
// for one goroutine.
type Guard struct {
	ch   *channels
	base Limits
	lim  compiled

	// bad holds for each channel when it began to be anything but good, never
	// for good ones. What is wrong may change meanwhile (a cell over its limit
	// goes missing): it stays bad, and only a good reading ends it.
	bad                           []drivers.Instant
	badCells, badTemps, badOthers int

	begun  bool // a frame was seen since Reset
	last   drivers.Instant
	beats  [instruments]beat
	fresh  bool // the monitor measured anew in this frame
	flow   flow
	timers [timers]timer
	explained

	coldest, hottest int32 // counts; coldest over hottest: no sensor reads
	rise             rise
	tempStill        still
	softs            int
	softOn           bool

	history history
	swing   swing
	frozen  suspicion
	lone    suspicion
	scratch []int32

	out []Finding
}

// timer is how long a condition has lasted; since is never while it does not.
type timer struct{ since drivers.Instant }

// Conditions that belong to no single channel.
const (
	timeForbidden = iota
	timeChargeHigh
	timeDischargeHigh
	timeUncommanded
	timeBothOn
	timeContactors
	timeSum
	timePower
	timeBox
	timeLink
	timeSupply
	timeLoad
	timeSoft
	timers
)

// set starts or ends the condition and says whether it lasted long enough.
func (t *timer) set(on bool, at drivers.Instant, persistence drivers.Span) bool {
	if !on {
		t.since = never
		return false
	}
	if t.since == never {
		t.since = at
	}
	return at.Sub(t.since) >= persistence
}

// New compiles limits for frames of the layout, rounded to the safe side. It
// refuses limits that contradict themselves and layouts that lack a channel
// the guard needs, naming everything that is wrong with the limits at once.
func New(l *Limits, layout *drivers.Layout) (*Guard, error) {
	ch, err := newChannels(layout)
	if err != nil {
		return nil, fmt.Errorf("guard: %w", err)
	}
	if err := l.validate(); err != nil {
		return nil, fmt.Errorf("guard: limits: %w", err)
	}
	g := &Guard{ch: ch, base: *l}
	g.base.ChargeTable = slices.Clone(l.ChargeTable)
	g.lim.rows = make([]row, 0, len(l.ChargeTable))
	g.lim.tighter = make([]row, 0, 16)
	g.lim.other = make([]otherBand, 0, ch.total-ch.cells-ch.temps)
	g.lim.load(&g.base, nil, ch)
	g.bad = make([]drivers.Instant, ch.total)
	g.scratch = make([]int32, ch.cells)
	g.rise = newRise(ch.temps)
	g.tempStill = newStill(ch.temps)
	g.history = newHistory(ch.cells)
	g.frozen = newSuspicion(ch.cells)
	g.lone = newSuspicion(ch.cells)
	g.out = make([]Finding, 0, 3*ch.total+int(timers)+instruments+8)
	g.Reset(0)
	return g, nil
}

// Reset forgets everything seen so far, and a step's tighter limits: a run
// begins at the given instant, and counters must advance from there on.
func (g *Guard) Reset(at drivers.Instant) {
	g.lim.load(&g.base, nil, g.ch)
	for i := range g.bad {
		g.bad[i] = never
	}
	g.badCells, g.badTemps, g.badOthers = 0, 0, 0
	g.begun, g.fresh, g.flow = false, false, flowUnknown
	for i := range g.beats {
		g.beats[i] = beat{since: at}
	}
	for i := range g.timers {
		g.timers[i].since = never
	}
	g.explained = explained{}
	g.rise.reset()
	g.tempStill.known = false
	g.swing.reset()
	g.softs, g.softOn = 0, false
	g.history.reset(&g.lim)
	g.frozen.clear()
	g.lone.clear()
	g.out = g.out[:0]
}

// Tighten makes the tightest of the guard's own limits and l hold from the
// next frame on; nil goes back to the guard's own. What is zero in l, and
// everything that describes the bench rather than the article (tolerances,
// plausible ranges), stays as it is. Nothing can be loosened (INV-10). On an
// error the present limits stay.
func (g *Guard) Tighten(l *Limits) error {
	if l == nil {
		g.lim.load(&g.base, nil, g.ch)
		return nil
	}
	t := g.base.tightest(l)
	if err := t.validate(); err != nil {
		return fmt.Errorf("guard: tighter limits: %w", err)
	}
	for i, r := range l.ChargeTable {
		if r.Current < 0 || i > 0 && l.ChargeTable[i-1].Temp >= r.Temp {
			return fmt.Errorf("guard: tighter limits: charge_table row %d: expected a positive current and rising temperatures", i+1)
		}
	}
	g.lim.load(&t, l.ChargeTable, g.ch)
	return nil
}

// Softs is how often a soft limit was newly exceeded since Reset; the machine
// bounds how many pauses a run may take (INV-15).
func (g *Guard) Softs() int { return g.softs }

// Check judges one frame, which must not be older than the one before it, and
// returns the findings whose persistence is over, the most telling first, in
// an order that depends on nothing but frames and contexts. The slice is the
// guard's own and holds until the next call. A nil context explains nothing.
func (g *Guard) Check(f *drivers.Frame, c *Context) []Finding {
	g.out = g.out[:0]
	if f == nil || len(f.Counts) != g.ch.total {
		return g.misshapen(f)
	}
	if c == nil {
		c = &noContext
	}
	if g.begun && f.At <= g.last {
		g.add(Finding{Cause: Stale, Channel: -1, Value: int64(f.At.Sub(g.last)), Limit: 1, Since: g.last})
	}
	g.begun, g.last = true, max(g.last, f.At)
	if len(g.out) == 0 {
		g.last = f.At // the first frame since Reset sets the time
	}

	g.checkBeats(f)
	g.flow = g.direction(f.Counts[g.ch.current])
	sum, whole := g.checkCells(f)
	g.checkTemps(f)
	g.checkOther(f)
	g.checkCurrent(f, c)
	g.checkStates(f, c)
	g.checkCross(f, c, sum, whole)
	g.checkMovement(f, c, sum, whole)
	if len(g.out) > 1 {
		slices.SortFunc(g.out, order)
	}
	return g.out
}

var noContext Context

// misshapen reports a frame that does not follow the layout: nothing in it can
// be trusted to stand where it should.
func (g *Guard) misshapen(f *drivers.Frame) []Finding {
	found := Finding{Cause: Impossible, Channel: -1, Limit: int64(g.ch.total), Since: g.last}
	if f != nil {
		found.Value, found.Since = int64(len(f.Counts)), f.At
	}
	g.add(found)
	return g.out
}

// add reports a finding; every finding but a soft one trips.
func (g *Guard) add(f Finding) {
	if len(g.out) == cap(g.out) {
		return // more than one finding of each sort on every channel
	}
	f.Hard = f.Cause != TempSoft
	g.out = append(g.out, f)
}

// order is total, so that a replay sorts alike: by cause, then the farthest
// beyond its limit, then by channel.
func order(a, b Finding) int {
	switch {
	case rank[a.Cause] != rank[b.Cause]:
		return int(rank[a.Cause]) - int(rank[b.Cause])
	case beyond(a) != beyond(b):
		if beyond(a) > beyond(b) {
			return -1
		}
		return 1
	}
	return a.Channel - b.Channel
}

func beyond(f Finding) uint64 {
	if f.Value > f.Limit {
		return uint64(f.Value) - uint64(f.Limit)
	}
	return uint64(f.Limit) - uint64(f.Value)
}

// mark keeps one channel's bad time and says whether it has lasted.
func (g *Guard) mark(i int, good bool, count *int, at drivers.Instant, persistence drivers.Span) bool {
	switch {
	case good && g.bad[i] != never:
		g.bad[i] = never
		*count--
	case !good && g.bad[i] == never:
		g.bad[i] = at
		*count++
	}
	return !good && at.Sub(g.bad[i]) >= persistence
}

// Clone returns a copy that shares nothing that changes.
func (g *Guard) Clone() *Guard {
	h := *g
	h.base.ChargeTable = slices.Clone(g.base.ChargeTable)
	h.lim = g.lim.clone()
	h.bad = slices.Clone(g.bad)
	h.rise = g.rise.clone()
	h.tempStill = g.tempStill.clone()
	h.history = g.history.clone()
	h.frozen = g.frozen.clone()
	h.lone = g.lone.clone()
	h.scratch = make([]int32, len(g.scratch))
	h.out = append(make([]Finding, 0, cap(g.out)), g.out...)
	return &h
}

func (c compiled) clone() compiled {
	c.rows = append(make([]row, 0, cap(c.rows)), c.rows...)
	c.tighter = append(make([]row, 0, cap(c.tighter)), c.tighter...)
	c.other = append(make([]otherBand, 0, cap(c.other)), c.other...)
	return c
}
