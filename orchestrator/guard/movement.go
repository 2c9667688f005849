package guard

import (
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// history holds the cells' counts of the last few seconds, so that a movement
// can be seen against where each cell stood before it.
type history struct {
	spacing drivers.Span
	window  drivers.Span
	cells   []int32 // historySlots rows
	sum     [historySlots]int64
	current [historySlots]int32
	at      [historySlots]drivers.Instant
	used    int
	next    int
}

const (
	historySlots = 16
	// frozenWindow is long enough for a slow supply's edge to show.
	frozenWindow = 4 * drivers.Second
)

func newHistory(cells int) history { return history{cells: make([]int32, historySlots*cells)} }

func (h *history) reset(l *compiled) {
	h.used, h.next = 0, 0
	h.window = max(l.loneSpan, frozenWindow)
	h.spacing = h.window / (historySlots - 1)
}

func (h history) clone() history {
	h.cells = slices.Clone(h.cells)
	return h
}

func (h *history) row(k int) []int32 {
	n := len(h.cells) / historySlots
	return h.cells[k*n : (k+1)*n]
}

func (h *history) push(cells []int32, sum int64, current int32, at drivers.Instant) {
	newest := (h.next + historySlots - 1) % historySlots
	if h.used > 0 && at.Sub(h.at[newest]) < h.spacing {
		return
	}
	copy(h.row(h.next), cells)
	h.sum[h.next], h.current[h.next], h.at[h.next] = sum, current, at
	h.next = (h.next + 1) % historySlots
	h.used = min(h.used+1, historySlots)
}

// suspicion is one or a few cells that seem not to belong with the others. It
// counts once it has held for the cross-check's persistence: the taps of one
// frame are sampled one after the other, so that half of them may show an edge
// a frame earlier.
type suspicion struct {
	on    bool
	since drivers.Instant
	moved int64   // by how much the siblings moved, in counts
	base  []int32 // where all cells stood before
	who   []bool
}

func newSuspicion(cells int) suspicion {
	return suspicion{base: make([]int32, cells), who: make([]bool, cells)}
}

func (s *suspicion) clear() { s.on = false }

func (s suspicion) clone() suspicion {
	s.base, s.who = slices.Clone(s.base), slices.Clone(s.who)
	return s
}

func (s *suspicion) begin(base []int32, at drivers.Instant) {
	s.on, s.since = true, at
	copy(s.base, base)
}

// checkMovement looks for cells that stand still while the others move, and
// for cells that move while the others stand still. Both mean that a tap, or
// the cell behind it, cannot be believed. Only new measurements count, and
// only while no cell is bled.
func (g *Guard) checkMovement(f *drivers.Frame, x *Context, sum int64, whole bool) {
	if x.Bleeding {
		g.history.used = 0
		g.frozen.clear()
		g.lone.clear()
		return
	}
	current := f.Counts[g.ch.current]
	if !g.fresh || !whole || current == drivers.NoReading {
		return
	}
	cells := f.Counts[:g.ch.cells]
	g.swing.take(g.ch.value(g.ch.current, current), f.At)
	if len(cells) > 1 {
		g.checkFrozen(cells, sum, current, f.At, g.frozenLimit(x))
	}
	if g.lim.lone > 0 {
		g.checkLone(cells, f.At, g.loneLimit(x))
	}
	if !g.lone.on { // what is suspect is no base to judge others by
		g.history.push(cells, sum, current, f.At)
	}
}

// checkFrozen: a cell's count must follow when a change of current moves its
// siblings' mean. Slow movement proves nothing: on a flat part of the
// open-circuit curve, in a rest, or held by the control, a healthy cell stands
// on one count for hours while others drift. A sensor that freezes without an
// edge is found by the sum of the taps against the meter.
func (g *Guard) checkFrozen(cells []int32, sum int64, current int32, at drivers.Instant, limit int64) {
	s := &g.frozen
	if !s.on {
		k := g.edge(sum, current, at, limit)
		if k < 0 || !g.suspectStill(cells, k) {
			return
		}
		moved := sum - g.history.sum[k]
		s.begin(g.history.row(k), at)
		s.moved = moved / int64(len(cells)-1)
	}
	left := 0
	for i, c := range cells {
		s.who[i] = s.who[i] && c == s.base[i]
		if s.who[i] {
			left++
		}
	}
	if left == 0 {
		s.clear()
		return
	}
	if at.Sub(s.since) < g.lim.crossP {
		return
	}
	for i, w := range s.who {
		if w {
			g.addFrozen(i, s.moved, limit, s.since)
		}
	}
}

// frozenLimit is by how much the siblings must have moved, in counts: a cell that
// was bled lately may relax against them.
func (g *Guard) frozenLimit(x *Context) int64 {
	if x.Bled {
		return g.lim.frozen + steps(g.ch.cellScale, int64(g.base.BleedMove))
	}
	return g.lim.frozen
}

// edge returns the oldest slot since which a change of current has moved the
// cells' sum, the same way, by more than can be overlooked; or -1. The change
// must be a quarter of the current at least, and more than a lowering of it:
// while the control holds the highest cell, that cell stands on one count because
// the siblings move, and one beside it may rise by just what the falling current
// takes. The edge to no current, at the latest, shows a sensor that stands.
func (g *Guard) edge(sum int64, current int32, at drivers.Instant, limit int64) int {
	h := &g.history
	limit *= int64(g.ch.cells - 1)
	for j := range h.used {
		k := (h.next + historySlots - h.used + j) % historySlots
		ds, di := sum-h.sum[k], int64(current)-int64(h.current[k])
		if ds < 0 {
			ds, di = -ds, -di
		}
		flows := max(magnitude(current), magnitude(h.current[k]))
		if lowered(current, h.current[k], g.lim.rest) {
			continue
		}
		if ds > limit && di > int64(g.lim.rest.hi) && 4*di >= flows && at.Sub(h.at[k]) <= h.window {
			return k
		}
	}
	return -1
}

// lowered says that current flows as it did before, and less of it.
func lowered(current, before int32, rest band) bool {
	return !rest.holds(current) && (current > 0) == (before > 0) && magnitude(current) < magnitude(before)
}

func magnitude(c int32) int64 {
	if c < 0 {
		return -int64(c)
	}
	return int64(c)
}

// suspectStill marks the cells that have stood on one count since slot k. If
// most did, it was not the module that moved but one cell of it.
func (g *Guard) suspectStill(cells []int32, k int) bool {
	h, s := &g.history, &g.frozen
	slots := (h.next-k+historySlots-1)%historySlots + 1 // from k to the newest
	n := 0
	for i, c := range cells {
		s.who[i] = true
		for j := range slots {
			s.who[i] = s.who[i] && h.row((k + j) % historySlots)[i] == c
		}
		if s.who[i] {
			n++
		}
	}
	return n > 0 && n <= max(1, len(cells)/2)
}

// checkLone: no cell may move by itself, away from the median of all.
func (g *Guard) checkLone(cells []int32, at drivers.Instant, limit int64) {
	s := &g.lone
	base := s.base
	if !s.on {
		k := g.oldest(at)
		if k < 0 {
			return
		}
		base = g.history.row(k)
		if !spread(cells, base, limit) {
			return
		}
	}
	drift := g.median(cells) - g.median(base)
	n := 0
	for i, c := range cells {
		d := int64(c) - int64(base[i]) - drift
		s.who[i] = d > limit || d < -limit
		if s.who[i] {
			n++
		}
	}
	if n == 0 || n > max(2, len(cells)/4) {
		s.clear() // all back again, or too many to be a lone one
		return
	}
	if !s.on {
		s.begin(base, at)
	}
	if at.Sub(s.since) < g.lim.crossP {
		return
	}
	scale := g.ch.cellScale
	for i, w := range s.who {
		if w {
			d := int64(cells[i]) - int64(s.base[i]) - drift
			g.add(Finding{
				Cause: LoneCell, Channel: i, Since: s.since,
				Value: d * scale.Num / scale.Den, Limit: limit * scale.Num / scale.Den,
			})
		}
	}
}

// oldest returns the oldest slot that is no older than the span over which a
// lone movement counts, or -1.
func (g *Guard) oldest(at drivers.Instant) int {
	h := &g.history
	for j := range h.used {
		k := (h.next + historySlots - h.used + j) % historySlots
		if at.Sub(h.at[k]) <= g.lim.loneSpan {
			return k
		}
	}
	return -1
}

// spread says whether the cells moved so differently that one of them may have
// left the median by more than limit. In health this pass is all there is.
func spread(cells, base []int32, limit int64) bool {
	least, most := int64(math.MaxInt64), int64(math.MinInt64)
	base = base[:len(cells)]
	for i, c := range cells {
		d := int64(c) - int64(base[i])
		least = min(least, d)
		most = max(most, d)
	}
	return most-least > limit
}

func (g *Guard) median(cells []int32) int64 {
	copy(g.scratch, cells)
	slices.Sort(g.scratch)
	return int64(g.scratch[len(cells)/2])
}

// addFrozen reports how far the siblings moved against how far they may.
func (g *Guard) addFrozen(at int, moved, limit int64, since drivers.Instant) {
	s := g.ch.layout.Channels[at].Scale
	g.add(Finding{Cause: Frozen, Channel: at, Value: max(moved, -moved) * s.Num / s.Den, Limit: limit * s.Num / s.Den, Since: since})
}
