package block

// Prediction. A series' next count is predicted from those before it, and only
// the difference is stored. Everything is integer arithmetic that wraps in two's
// complement, so that encoder and decoder agree on every processor and no input
// is out of range: the residual is taken modulo 2^32.
//
// Trackers are alpha-beta filters (a level and a slope, each corrected by a
// share of the prediction's error), in fixed point with fraction bits. Their
// shares are powers of two: alpha = 2^-a, beta = 2^-(2a+1), which is near
// critical damping (beta = alpha^2/(2-alpha)).

// predictor says how a series is predicted. Values are stored; never renumber.
type predictor uint8

const (
	constant    predictor = iota // every count is the base
	delta                        // the count before
	linear                       // the straight line through the two before
	tracker1                     // alpha-beta tracker with a = 1; the next have a = 2 to 6
	trackerLast = tracker1 + 5
)

const (
	fraction  = 20 // of levels, slopes and predictions
	half      = 1 << (fraction - 1)
	gainBits  = 24 // fraction bits of a reference gain
	gainShift = gainBits - fraction
)

// share is the tracker's a.
func (p predictor) share() uint { return uint(p-tracker1) + 1 }

// warmUp is how many counts a tracker passes with share a before it goes on to
// a+1, on its way to its own: a fresh tracker must first find level and slope.
func warmUp(a uint) int { return 8 << a }

// fold orders integers by their distance from the prediction: the residual r
// counted from the rounded prediction, whose fraction is frac, becomes 0, 1, 2...
// beginning on the side where the prediction lies.
func fold(r int32, frac int64) uint32 {
	s := int32(^(frac >> 63))
	r = (r ^ s) - s
	return uint32(r<<1) ^ uint32(r>>31)
}

// unfold is the inverse of fold.
func unfold(u uint32, frac int64) int32 {
	r := int32(u>>1) ^ -int32(u&1)
	s := int32(^(frac >> 63))
	return (r ^ s) - s
}

// model is one series' prediction.
type model struct {
	predictor predictor
	// gain times the reference's count, in 2^-gainBits, is taken off the count
	// before the tracker sees it; 0 without reference.
	gain int64
}

// residuals writes the folded residual of x[1:] to u[:len(x)-1].
func (m model) residuals(u []uint32, x, ref []int32, edges []int32) {
	u = u[:len(x)-1]
	switch {
	case m.predictor == delta:
		for i := range u {
			u[i] = fold(x[i+1]-x[i], 0)
		}
	case m.predictor == linear:
		before := x[0]
		for i := range u {
			u[i] = fold(x[i+1]-2*x[i]+before, 0)
			before = x[i]
		}
	default:
		m.track(u, x, ref, edges)
	}
}

func (m model) track(u []uint32, x, ref []int32, edges []int32) {
	t := tracking{level: int64(x[0])<<fraction - m.load(ref, 0)}
	for s := m.stages(len(x), edges); s.next(); {
		if m.gain == 0 {
			t.encode(u[s.from-1:s.to-1], x[s.from:s.to], s.share)
		} else {
			t.encodeLoaded(u[s.from-1:s.to-1], x[s.from:s.to], ref[s.from:s.to], s.share, m.gain)
		}
	}
}

// load is what the reference adds to count i.
func (m model) load(ref []int32, i int) int64 {
	if m.gain == 0 {
		return 0
	}
	return m.gain * int64(ref[i]) >> gainShift
}

// counts writes x[1:] from the residuals u; x[0] is set.
func (m model) counts(x []int32, u []uint32, ref []int32, edges []int32) {
	switch {
	case m.predictor == delta:
		v := x[0]
		for i, r := range u {
			v += unfold(r, 0)
			x[i+1] = v
		}
	case m.predictor == linear:
		before, v := x[0], x[0]
		for i, r := range u {
			before, v = v, 2*v-before+unfold(r, 0)
			x[i+1] = v
		}
	default:
		m.retrack(x, u, ref, edges)
	}
}

func (m model) retrack(x []int32, u []uint32, ref []int32, edges []int32) {
	t := tracking{level: int64(x[0])<<fraction - m.load(ref, 0)}
	for s := m.stages(len(x), edges); s.next(); {
		if m.gain == 0 {
			t.decode(x[s.from:s.to], u[s.from-1:s.to-1], s.share)
		} else {
			t.decodeLoaded(x[s.from:s.to], u[s.from-1:s.to-1], ref[s.from:s.to], s.share, m.gain)
		}
	}
}

// stages walks through n counts in stretches of one share: it begins with 1 and
// rises to the tracker's own, each lasting its warm-up. At an edge of the
// reference a series with a gain begins anew, because the slope changes there.
type stages struct {
	from, to int
	share    uint
	last     uint
	n        int
	edges    []int32
}

func (m model) stages(n int, edges []int32) stages {
	if m.gain == 0 {
		edges = nil
	}
	return stages{to: 1, last: m.predictor.share(), n: n, edges: edges}
}

func (s *stages) next() bool {
	if s.to >= s.n {
		return false
	}
	s.from = s.to
	if s.share < s.last {
		s.share++
	}
	for len(s.edges) > 0 && int(s.edges[0]) <= s.from {
		if int(s.edges[0]) == s.from {
			s.share = 1
		}
		s.edges = s.edges[1:]
	}
	s.to = s.n
	if s.share < s.last {
		s.to = min(s.n, s.from+warmUp(s.share))
	}
	if len(s.edges) > 0 {
		s.to = min(s.to, int(s.edges[0]))
	}
	return true
}

// tracking is a tracker's state, with fraction bits.
type tracking struct{ level, slope int64 }

func (t *tracking) encode(u []uint32, x []int32, a uint) {
	level, slope := t.level, t.slope
	a, b := a&31, (2*a+1)&31
	for i, v := range x[:len(u)] {
		p := level + slope
		n := (p + half) >> fraction
		e := int64(v)<<fraction - p
		u[i] = fold(v-int32(n), p-n<<fraction)
		level = p + e>>a
		slope += e >> b
	}
	t.level, t.slope = level, slope
}

func (t *tracking) decode(x []int32, u []uint32, a uint) {
	level, slope := t.level, t.slope
	a, b := a&31, (2*a+1)&31
	for i, r := range u[:len(x)] {
		p := level + slope
		n := (p + half) >> fraction
		v := int32(n) + unfold(r, p-n<<fraction)
		x[i] = v
		e := int64(v)<<fraction - p
		level = p + e>>a
		slope += e >> b
	}
	t.level, t.slope = level, slope
}

func (t *tracking) encodeLoaded(u []uint32, x, ref []int32, a uint, gain int64) {
	level, slope := t.level, t.slope
	a, b := a&31, (2*a+1)&31
	ref = ref[:len(u)]
	for i, v := range x[:len(u)] {
		p := level + slope
		q := p + gain*int64(ref[i])>>gainShift
		n := (q + half) >> fraction
		e := int64(v)<<fraction - q
		u[i] = fold(v-int32(n), q-n<<fraction)
		level = p + e>>a
		slope += e >> b
	}
	t.level, t.slope = level, slope
}

func (t *tracking) decodeLoaded(x []int32, u []uint32, ref []int32, a uint, gain int64) {
	level, slope := t.level, t.slope
	a, b := a&31, (2*a+1)&31
	ref = ref[:len(x)]
	for i, r := range u[:len(x)] {
		p := level + slope
		q := p + gain*int64(ref[i])>>gainShift
		n := (q + half) >> fraction
		v := int32(n) + unfold(r, q-n<<fraction)
		x[i] = v
		e := int64(v)<<fraction - q
		level = p + e>>a
		slope += e >> b
	}
	t.level, t.slope = level, slope
}
