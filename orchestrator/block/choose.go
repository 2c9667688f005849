package block

import "math/bits"

// Choosing. What is decided here only costs or saves bytes; the decoder is told
// the outcome and never repeats the decision.

const (
	trialWindow  = 384 // counts over which predictors are compared, twice that at an edge
	trialWarm    = 96  // of these, not judged: trackers are still settling
	trialFewest  = 24  // shorter series use the cheap rule
	edgeFactor   = 16  // an edge moves the reference this much more than its mean
	edgeShareMax = 4   // and edges are at most this fraction (1/n) of all counts
)

// cost is a measure of the bits that prediction errors take: the sum of the
// logarithms of e^2, with a floor at a quarter of a count, under which an error
// is as good as none.
func cost(e int64) int {
	if e < 0 {
		e = -e
	}
	e = min(e>>(fraction-10), 1<<31-1)
	return bits.Len64(uint64(e*e) + 1<<16)
}

// trial is the stretch of a series on which predictors are compared.
type trial struct {
	x, ref, edges []int32
	gain          int64
	from          int // counts before it are not judged
	brief, steady bool
}

// newTrial takes the middle of x, or where the reference has edges the stretch
// around a middle one: what follows an edge is what predictors differ in.
func (e *Encoder) newTrial(x []int32, gain int64) trial {
	middle, window := len(x)/2, trialWindow
	if len(e.edges) > 0 {
		window *= 2
		middle = int(e.edges[len(e.edges)/2]) + window/4
	}
	from := max(0, min(middle-window/2, len(x)-window))
	to := min(len(x), from+window)
	t := trial{x: x[from:to], gain: gain, brief: e.Brief, steady: len(e.edges) == 0}
	t.from = max(min(trialWarm, len(t.x)/4), 1) + 1
	if gain != 0 {
		t.ref = e.ref[from:to]
		e.trialEdges = e.trialEdges[:0]
		for _, i := range e.edges {
			if int(i) > from && int(i) < to {
				e.trialEdges = append(e.trialEdges, i-int32(from))
			}
		}
		t.edges = e.trialEdges
	}
	return t
}

// choosePredictor returns the predictor that costs least on the trial. Where the
// reference has no edges a tracker's cost falls and rises again with its share, so
// that the search begins with the slowest, which most series want, and ends where
// one costs more than that before it.
func choosePredictor(t trial) predictor {
	best, least := tracker1, 1<<62
	if t.gain == 0 {
		d, l := t.simple()
		best, least = delta, d
		if l < least {
			best, least = linear, l
		}
		if len(t.x) < trialFewest || t.brief {
			return best
		}
	}
	tracks := false
	for p := trackerLast; p >= tracker1; p-- {
		c := t.tracker(p, least)
		if c >= least && tracks && t.steady {
			break
		}
		if c < least {
			best, least, tracks = p, c, true
		}
	}
	return best
}

// simple is the cost of delta and of linear.
func (t trial) simple() (d, l int) {
	x := t.x
	for i := t.from; i < len(x); i++ {
		d += cost((int64(x[i]) - int64(x[i-1])) << fraction)
		l += cost((int64(x[i]) - 2*int64(x[i-1]) + int64(x[i-2])) << fraction)
	}
	return d, l
}

// tracker is the cost of tracker p, or least where it costs that much or more.
func (t trial) tracker(p predictor, least int) int {
	m := model{predictor: p, gain: t.gain}
	level, slope := int64(t.x[0])<<fraction-m.load(t.ref, 0), int64(0)
	total := 0
	for s := m.stages(len(t.x), t.edges); s.next(); {
		a, b := s.share&31, (2*s.share+1)&31
		for i := s.from; i < s.to; i++ {
			q := level + slope
			e := int64(t.x[i])<<fraction - q - m.load(t.ref, i)
			level = q + e>>a
			slope += e >> b
			if i < t.from {
				continue
			}
			if total += cost(e); total >= least {
				return least
			}
		}
	}
	return total
}

// edgeLimit is the least step of the reference that counts as an edge: the
// current steps of a pulse or of a switch-over, which every cell follows at
// once. 0 where there are none, or so many that they are noise.
func edgeLimit(ref []int32) int64 {
	if len(ref) < 2 {
		return 0
	}
	var sum int64
	for i := 1; i < len(ref); i++ {
		sum += abs(int64(ref[i]) - int64(ref[i-1]))
	}
	limit := edgeFactor*sum/int64(len(ref)-1) + 2
	count := 0
	for i := 1; i < len(ref); i++ {
		if abs(int64(ref[i])-int64(ref[i-1])) >= limit {
			count++
		}
	}
	if count == 0 || count > len(ref)/edgeShareMax {
		return 0
	}
	return limit
}

// edges lists where the reference steps by limit or more; none where limit is 0.
func edges(dst []int32, ref []int32, limit int64) []int32 {
	dst = dst[:0]
	if limit <= 0 {
		return dst
	}
	for i := 1; i < len(ref); i++ {
		if abs(int64(ref[i])-int64(ref[i-1])) >= limit {
			dst = append(dst, int32(i))
		}
	}
	return dst
}

// chooseGain fits, over the edges, how much x follows the reference (least
// squares through zero: sum of dx*dr over sum of dr^2); 0 where it does not.
func chooseGain(x, ref, edges []int32) int64 {
	var xx, xr, rr float64
	for _, i := range edges {
		dx := float64(int64(x[i]) - int64(x[i-1]))
		dr := float64(int64(ref[i]) - int64(ref[i-1]))
		xx += dx * dx
		xr += dx * dr
		rr += dr * dr
	}
	// Worth it only where edges move x by several counts and the fit explains
	// most of that.
	if rr == 0 || xx < 16*float64(len(edges)) || xr*xr < 0.75*xx*rr {
		return 0
	}
	gain := xr / rr * (1 << gainBits)
	if gain > maxGain || gain < -maxGain {
		return 0
	}
	return int64(gain)
}

// maxGain keeps gain times a count inside 63 bits.
const maxGain = 1<<31 - 1

func abs(v int64) int64 {
	if v < 0 {
		return -v
	}
	return v
}
