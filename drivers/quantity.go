package drivers

import "math"

// Instant is a point in time in microseconds since the Unix epoch. It comes
// from a bench's monotonic clock, anchored to the wall clock once when the
// bench opens, so that a stepped wall clock never moves it.
type Instant int64

// Span is a length of time in microseconds.
type Span int64

// Lengths of time.
const (
	Microsecond Span = 1
	Millisecond      = 1000 * Microsecond
	Second           = 1000 * Millisecond
	Minute           = 60 * Second
	Hour             = 60 * Minute
)

// Add returns the instant d later.
func (t Instant) Add(d Span) Instant { return t + Instant(d) }

// Sub returns the time from u to t.
func (t Instant) Sub(u Instant) Span { return Span(t - u) }

// Integer quantities. Charge current is positive, discharge current negative;
// a resistance is never negative. Temperatures are absolute.
type (
	// Microvolts is a voltage in uV.
	Microvolts int64
	// Microamps is a current in uA; into the article is positive.
	Microamps int64
	// Millikelvins is an absolute temperature in mK.
	Millikelvins int64
	// Microohms is a resistance in uOhm.
	Microohms int64
	// Charge is an electric charge in uA.ms (nanocoulombs).
	Charge int64
	// Energy is an energy in mW.ms (microjoules).
	Energy int64
)

// Handy sizes.
const (
	Volt       Microvolts   = 1_000_000
	Ampere     Microamps    = 1_000_000
	Kelvin     Millikelvins = 1_000
	ZeroC      Millikelvins = 273_150 // 0 degC, by definition of the Celsius scale
	AmpereHour Charge       = 3_600_000_000_000
	WattHour   Energy       = 3_600_000_000
)

// NoReading marks a channel that gave no value: missing, an instrument's
// "not a number", an open wire. It is never a quantity (INV-02).
const NoReading int32 = math.MinInt32

// Scale turns a channel's raw counts into its base unit (uV, uA or mK):
// value = Offset + count*Num/Den. Num and Den are positive.
type Scale struct {
	Num    int64 `json:"num"`
	Den    int64 `json:"den"`
	Offset int64 `json:"offset,omitempty"`
}

// Value returns the quantity that count stands for, rounded to the nearest
// base unit. The caller has already dealt with NoReading.
func (s Scale) Value(count int32) int64 {
	n := int64(count) * s.Num
	if s.Den == 1 { // the usual case: no division on the path of every frame
		return s.Offset + n
	}
	half := s.Den / 2
	if n < 0 {
		half = -half
	}
	return s.Offset + (n+half)/s.Den
}

// CountAtOrBelow returns the greatest count whose value does not exceed v: the
// safe side for an upper limit, which trips at counts above the result.
func (s Scale) CountAtOrBelow(v int64) int32 { return clampCount(floorDiv((v-s.Offset)*s.Den, s.Num)) }

// CountAtOrAbove returns the least count whose value is not below v: the safe
// side for a lower limit, which trips at counts under the result.
func (s Scale) CountAtOrAbove(v int64) int32 {
	return clampCount(-floorDiv(-(v-s.Offset)*s.Den, s.Num))
}

// Nearest returns the count whose value lies nearest to v.
func (s Scale) Nearest(v int64) int32 {
	return clampCount(floorDiv(2*(v-s.Offset)*s.Den+s.Num, 2*s.Num))
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

func clampCount(n int64) int32 {
	switch {
	case n > math.MaxInt32:
		return math.MaxInt32
	case n <= math.MinInt32:
		return math.MinInt32 + 1 // MinInt32 is NoReading
	}
	return int32(n)
}
