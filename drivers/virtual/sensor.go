package virtual

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// sensor turns a true quantity (SI) into a raw count:
//
//	count = round(truth*slope + zero + noise*normal)
//
// slope and zero, in counts, hold the sensor's gain and offset errors.
type sensor struct {
	slope, zero, noise float64
	lo, hi             float64 // counts outside are NoReading
	last               int32

	// What faults make of it; see Bench.retune.
	healthy      float64 // the slope without
	bias         float64 // counts added
	rough        float64 // deviation of further noise, counts
	clip         float64 // saturates at this many counts; 0: never
	frozen, open bool    // holds the last count, or gives none
}

// unbounded is the range of a sensor that reads all a count can hold.
const unbounded = math.MaxInt32 - 1

// newSensor draws a sensor's errors. base is the number of base units (uV, uA,
// mK) in one SI unit: the step and the accuracy are in base units. lo and hi
// bound what it can read, in base units; both 0: no bounds.
func newSensor(r *plant.Rand, s Sensing, step int64, a drivers.Accuracy, base float64, lo, hi int64) sensor {
	gain := float64(float64(spread(r)*s.Static) * float64(a.GainPPM) / 1e6)
	offset := float64(float64(spread(r)*s.Static) * float64(a.Offset))
	noise := max(float64(s.Noise*float64(a.Offset)), float64(step)/2)
	if s.Edge != EdgeNone {
		gain, offset, noise = s.edge(r, step, a)
	}
	if s.Ideal {
		gain, offset, noise = 0, 0, 0
	}
	q := sensor{
		slope: float64(base*(1+gain)) / float64(step),
		zero:  offset / float64(step),
		noise: noise / float64(step),
		lo:    -unbounded, hi: unbounded,
		last: drivers.NoReading,
	}
	q.healthy = q.slope
	if lo != 0 || hi != 0 {
		q.lo, q.hi = float64(lo)/float64(step), float64(hi)/float64(step)
	}
	return q
}

// edge returns gain, offset and noise of a sensor that keeps its declaration in
// every reading.
func (s Sensing) edge(r *plant.Rand, step int64, a drivers.Accuracy) (gain, offset, noise float64) {
	side := 1.0
	switch drawn := spread(r); {
	case s.Edge == EdgeWithin:
		side = drawn
	case s.Edge == EdgeCrossed || s.Edge == EdgeDrawn && drawn < 0:
		side = -1
	}
	noise = float64(s.Steps * float64(step))
	room := float64(a.Offset) - float64(float64(step)/2) - float64(4*noise)
	return float64(side * float64(a.GainPPM) / 1e6), float64(side * max(room, 0)), noise
}

// spread draws evenly from -1 to 1.
func spread(r *plant.Rand) float64 { return float64(2*r.Float64()) - 1 }

// read measures; it draws its noise whatever happens to the reading, so that a
// fault in one channel leaves all others as they were.
func (s *sensor) read(truth float64, r *plant.Rand) int32 {
	n := r.Normal()
	if s.frozen && s.last != drivers.NoReading {
		return s.last
	}
	y := float64(truth*s.slope) + s.zero + s.bias
	if s.clip > 0 {
		y = min(max(y, -s.clip), s.clip)
	}
	y += float64(n * (s.noise + s.rough))
	if s.open || !(y >= s.lo && y <= s.hi) {
		s.last = drivers.NoReading
	} else {
		s.last = int32(math.Floor(y + 0.5))
	}
	return s.last
}

// tally counts real measurements: it wraps at MaxInt32 to 0.
func tally(n int32) int32 {
	if n == math.MaxInt32 {
		return 0
	}
	return n + 1
}
