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
	if l.tempRise > 0 {
		g.checkRise(f, temps, whole)
	}
	if l.tempFrozen > 0 && g.fresh && whole {
		g.checkTempStill(f, temps)
	}
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

// Temperature rise is judged between means over short buckets, each without
// its greatest and least sample, so that neither noise nor a single bad sample
// can look like a rise. Within the minute behind a bucket no earlier one may
// lie lower by more than a minute's credible rise; a fast rise is thus found at
// the next bucket's end rather than after a minute.
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
	found []int64 // rise per sensor where found, else 0
	since drivers.Instant
	any   bool
}

type riseAcc struct {
	sum         int64
	least, most int32
}

func newRise(temps int) rise {
	return rise{acc: make([]riseAcc, temps), means: make([]int64, temps*riseBuckets), found: make([]int64, temps)}
}

func (r *rise) reset() {
	r.n, r.used, r.next, r.any = 0, 0, 0, false
	clear(r.found)
}

func (r rise) clone() rise {
	r.acc, r.means, r.found = slices.Clone(r.acc), slices.Clone(r.means), slices.Clone(r.found)
	return r
}

func (g *Guard) checkRise(f *drivers.Frame, temps []int32, whole bool) {
	r := &g.rise
	if g.fresh && whole {
		r.take(temps, f.At)
		if r.n >= riseSamples && f.At.Sub(r.begun) >= riseBucket {
			r.close(f.At, g.lim.tempRise)
		}
	}
	if !r.any {
		return
	}
	s := g.ch.tempScale
	for i, d := range r.found {
		if d > 0 {
			g.add(Finding{
				Cause: TempRise, Channel: g.ch.cells + i, Since: r.since,
				Value: d * s.Num / s.Den / riseFraction, Limit: g.lim.tempRise * s.Num / s.Den / riseFraction,
			})
		}
	}
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

// close ends the bucket and compares it with those of the minute before.
func (r *rise) close(at drivers.Instant, limit int64) {
	temps := len(r.acc)
	mine := r.means[r.next*temps : (r.next+1)*temps]
	any := false
	for i := range r.acc {
		a := &r.acc[i]
		mean := (a.sum - int64(a.least) - int64(a.most)) * riseFraction / (r.n - 2)
		low := mean
		for k := range r.used {
			if k != r.next && r.begun.Sub(r.at[k]) <= riseWindow {
				low = min(low, r.means[k*temps+i])
			}
		}
		mine[i], r.found[i] = mean, 0
		if mean-low > limit {
			r.found[i] = mean - low
			any = true
		}
	}
	if any && !r.any {
		r.since = at
	}
	r.any = any
	r.at[r.next] = r.begun
	r.next = (r.next + 1) % riseBuckets
	r.used = min(r.used+1, riseBuckets)
	r.n = 0
}

// still remembers where each sensor stood when it last moved, and the sum of
// all at that moment.
type still struct {
	known bool
	count []int32
	sum   []int64
	since []drivers.Instant
}

func newStill(n int) still {
	return still{count: make([]int32, n), sum: make([]int64, n), since: make([]drivers.Instant, n)}
}

func (s still) clone() still {
	s.count, s.sum, s.since = slices.Clone(s.count), slices.Clone(s.sum), slices.Clone(s.since)
	return s
}

// checkTempStill finds a sensor that stands on one count while the mean of its
// siblings moves. Where most stand still it is the others that are odd.
func (g *Guard) checkTempStill(f *drivers.Frame, temps []int32) {
	s := &g.tempStill
	var sum int64
	for _, c := range temps {
		sum += int64(c)
	}
	limit := g.lim.tempFrozen * int64(len(temps)-1)
	held := 0
	for i, c := range temps {
		if !s.known || c != s.count[i] {
			s.count[i], s.sum[i], s.since[i] = c, sum, f.At
		} else if d := sum - s.sum[i]; len(temps) > 1 && (d > limit || d < -limit) {
			held++
		}
	}
	s.known = true
	if held == 0 || held > max(1, len(temps)/2) {
		return
	}
	for i := range temps {
		if d := sum - s.sum[i]; d > limit || d < -limit {
			g.addFrozen(g.ch.cells+i, d/int64(len(temps)-1), g.lim.tempFrozen, s.since[i])
		}
	}
}

// addFrozen reports how far the siblings moved against how far they may.
func (g *Guard) addFrozen(at int, moved, limit int64, since drivers.Instant) {
	if moved < 0 {
		moved = -moved
	}
	s := g.ch.layout.Channels[at].Scale
	g.add(Finding{Cause: Frozen, Channel: at, Value: moved * s.Num / s.Den, Limit: limit * s.Num / s.Den, Since: since})
}
