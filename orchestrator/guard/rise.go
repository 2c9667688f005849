package guard

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// How temperatures move is judged between means over short buckets, each without
// its greatest and least sample, so that neither noise nor a single bad sample
// can look like a movement. Within the minute behind a bucket no earlier one may
// lie lower by more than a minute's credible rise, and no sensor may have moved
// away from the median of all; a fast movement is thus found at the next
// bucket's end rather than after a minute.
const (
	riseBucket   = 10 * drivers.Second
	riseWindow   = drivers.Minute + riseBucket
	riseBuckets  = 7
	riseSamples  = 3 // least number of samples in a bucket
	riseFraction = 256
)

type rise struct {
	n     int64
	begun drivers.Instant
	acc   []riseAcc // per sensor, the bucket being filled
	means []int64   // riseBuckets rows of one mean per sensor, in 1/256 count
	at    [riseBuckets]drivers.Instant
	used  int
	next  int
	since drivers.Instant
	// What the latest bucket's end found per sensor, 0 where nothing.
	rose, parted, stood []int64
	any                 bool
	sorted              []int64
}

type riseAcc struct {
	sum         int64
	least, most int32
}

func newRise(temps int) rise {
	n := func() []int64 { return make([]int64, temps) }
	return rise{acc: make([]riseAcc, temps), means: make([]int64, temps*riseBuckets), rose: n(), parted: n(), stood: n(), sorted: n()}
}

func (r *rise) reset() {
	r.n, r.used, r.next, r.any = 0, 0, 0, false
	r.forget()
}

func (r *rise) forget() {
	clear(r.rose)
	clear(r.parted)
	clear(r.stood)
}

func (r rise) clone() rise {
	r.acc, r.means, r.sorted = slices.Clone(r.acc), slices.Clone(r.means), make([]int64, len(r.sorted))
	r.rose, r.parted, r.stood = slices.Clone(r.rose), slices.Clone(r.parted), slices.Clone(r.stood)
	return r
}

func (g *Guard) checkRise(f *drivers.Frame, temps []int32, whole bool) {
	r := &g.rise
	if g.fresh && whole {
		r.take(temps, f.At)
		g.tempStill.take(temps)
		if r.n >= riseSamples && f.At.Sub(r.begun) >= riseBucket {
			g.closeBucket(f.At)
		}
	}
	if !r.any {
		return
	}
	for i := range r.rose {
		g.addTempMove(TempRise, i, r.rose[i], g.lim.tempRise)
		g.addTempMove(LoneTemp, i, r.parted[i], g.lim.tempLone)
		g.addTempMove(Frozen, i, r.stood[i], g.lim.tempFrozen*riseFraction)
	}
}

func (g *Guard) addTempMove(cause Cause, i int, moved, limit int64) {
	if moved == 0 {
		return
	}
	s := g.ch.tempScale
	g.add(Finding{
		Cause: cause, Channel: g.ch.cells + i, Since: g.rise.since,
		Value: moved * s.Num / s.Den / riseFraction, Limit: limit * s.Num / s.Den / riseFraction,
	})
}

// take adds one sample of every sensor to the bucket.
func (r *rise) take(temps []int32, at drivers.Instant) {
	if r.n == 0 {
		r.begun = at
		for i, c := range temps {
			r.acc[i] = riseAcc{sum: int64(c), least: c, most: c}
		}
		r.n = 1
		return
	}
	acc := r.acc[:len(temps)]
	for i, c := range temps {
		a := &acc[i]
		a.sum += int64(c)
		a.least = min(a.least, c)
		a.most = max(a.most, c)
	}
	r.n++
}

// closeBucket ends the bucket and compares it with those of the minute before.
func (g *Guard) closeBucket(at drivers.Instant) {
	r := &g.rise
	r.forget()
	mine := r.row(r.next)
	for i := range r.acc {
		a := &r.acc[i]
		mine[i] = (a.sum - int64(a.least) - int64(a.most)) * riseFraction / (r.n - 2)
	}
	found := false
	for k := range r.used {
		if k != r.next && r.begun.Sub(r.at[k]) <= riseWindow {
			found = g.compareBuckets(mine, r.row(k)) || found
		}
	}
	if l := g.lim.tempFrozen * riseFraction; l > 0 {
		found = g.tempStill.close(r, mine, l) || found
	}
	if found && !r.any {
		r.since = at
	}
	r.any = found
	r.at[r.next] = r.begun
	r.next = (r.next + 1) % riseBuckets
	r.used = min(r.used+1, riseBuckets)
	r.n = 0
}

// compareBuckets keeps the greatest rise of each sensor and its greatest parting
// from the median of all.
func (g *Guard) compareBuckets(mine, before []int64) (found bool) {
	r := &g.rise
	least, most := mine[0]-before[0], mine[0]-before[0]
	for i := range mine {
		d := mine[i] - before[i]
		least, most = min(least, d), max(most, d)
		if limit := g.lim.tempRise; limit > 0 && d > limit {
			r.rose[i], found = max(r.rose[i], d), true
		}
	}
	limit := g.lim.tempLone
	if limit == 0 || most-least <= limit { // in health this is all
		return found
	}
	for i := range mine {
		r.sorted[i] = mine[i] - before[i]
	}
	middle := middleOf(r.sorted)
	for i := range mine {
		d := mine[i] - before[i] - middle
		if (d > limit || d < -limit) && max(d, -d) > max(r.parted[i], -r.parted[i]) {
			r.parted[i], found = d, true
		}
	}
	return found
}

func (r *rise) row(k int) []int64 { n := len(r.acc); return r.means[k*n : (k+1)*n] }

// middleOf sorts the movements and returns what most of them are: their median,
// of two the lesser movement.
func middleOf(moved []int64) int64 {
	slices.Sort(moved)
	a, b := moved[0], moved[len(moved)-1]
	switch {
	case len(moved) > 2:
		return moved[len(moved)/2]
	case max(a, -a) < max(b, -b):
		return a
	}
	return b
}

// still remembers on which count each sensor stands, and what the median of all
// was when it came to stand there.
type still struct {
	known bool
	count []int32
	moved []bool // in the bucket being filled
	from  []int64
}

func newStill(n int) still {
	return still{count: make([]int32, n), moved: make([]bool, n), from: make([]int64, n)}
}

func (s still) clone() still {
	s.count, s.moved, s.from = slices.Clone(s.count), slices.Clone(s.moved), slices.Clone(s.from)
	return s
}

func (s *still) take(temps []int32) {
	for i, c := range temps {
		if c != s.count[i] || !s.known {
			s.count[i], s.moved[i] = c, true
		}
	}
	s.known = true
}

// close finds sensors that have stood on one count while the median of all moved
// by more than limit. The median does not follow a single sensor that jumps, so
// that its healthy siblings are not taken for frozen.
func (s *still) close(r *rise, means []int64, limit int64) (found bool) {
	copy(r.sorted, means)
	slices.Sort(r.sorted)
	for i := range s.count {
		middle := r.sorted[len(means)/2]
		if len(means) == 2 {
			middle = means[1-i] // of two, the other
		}
		if s.moved[i] {
			s.moved[i], s.from[i] = false, middle
			continue
		}
		if d := middle - s.from[i]; d > limit || d < -limit {
			r.stood[i], found = max(d, -d), true
		}
	}
	return found
}
