package guard

import "github.com/rigwarden/rigwarden/drivers"

// beat is one instrument's counter of real measurements: last is its latest
// count, since when it last advanced.
type beat struct {
	known bool
	last  int32
	since drivers.Instant
}

// checkBeats looks for instruments that no longer measure (INV-02). Frames may
// come faster than an instrument measures (a contactor box in precharge): what
// counts is the time since its counter last moved, never a number of frames.
func (g *Guard) checkBeats(f *drivers.Frame) {
	g.fresh = false
	for i := range g.beats {
		b, at := &g.beats[i], g.ch.beat[i]
		n := f.Counts[at]
		switch {
		case n < 0: // NoReading or nonsense, reported as such; it did not advance
		case !b.known || ahead(b.last, n):
			b.known, b.last, b.since = true, n, f.At
			g.fresh = g.fresh || i == monitor
		case n != b.last: // an old reading comes again
			g.add(Finding{Cause: Stale, Channel: at, Value: int64(n), Limit: int64(b.last), Since: f.At})
		}
		if f.At.Sub(b.since) > g.lim.stale {
			g.add(Finding{Cause: Stale, Channel: at, Value: int64(b.last), Limit: int64(b.last), Since: b.since})
		}
	}
}

// ahead says whether counter b lies after a; counters wrap from MaxInt32 to 0.
func ahead(a, b int32) bool {
	const half = 1 << 30
	d := (uint32(b) - uint32(a)) & (1<<31 - 1)
	return d > 0 && d < half
}
