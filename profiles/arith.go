package profiles

import (
	"math"
	"math/bits"

	"github.com/rigwarden/rigwarden/drivers"
)

// mulDiv returns a*b/c in 128 bits, rounded down, for non-negative a and b and
// positive c. What does not fit is the greatest int64: a bound that large
// bounds nothing, and a limit that large is refused by its range.
func mulDiv(a, b, c int64) int64 {
	hi, lo := bits.Mul64(uint64(a), uint64(b))
	if hi >= uint64(c) {
		return math.MaxInt64
	}
	q, _ := bits.Div64(hi, lo, uint64(c))
	if q > math.MaxInt64 {
		return math.MaxInt64
	}
	return int64(q)
}

// mulDivUp is mulDiv rounded up: the safe side of an allowance.
func mulDivUp(a, b, c int64) int64 {
	q := mulDiv(a, b, c)
	if q == math.MaxInt64 {
		return q
	}
	hi, lo := bits.Mul64(uint64(a), uint64(b))
	back, low := bits.Mul64(uint64(q), uint64(c))
	if hi != back || lo != low {
		q++
	}
	return q
}

// drop is the voltage that a current makes over a resistance, rounded up.
func drop(i drivers.Microamps, r drivers.Microohms) drivers.Microvolts {
	return drivers.Microvolts(mulDivUp(int64(i), int64(r), 1_000_000))
}

// energy is a charge at a voltage: uV times uA.ms is pW.ms.
func energy(v drivers.Microvolts, q drivers.Charge) drivers.Energy {
	return drivers.Energy(mulDivUp(int64(v), int64(q), 1_000_000_000))
}

// down and up round to an instrument's step.
func down(v, step int64) int64 { return v / step * step }
func up(v, step int64) int64   { return (v + step - 1) / step * step }
