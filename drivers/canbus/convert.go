package canbus

import (
	"fmt"
	"math"
	"math/big"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// linear is what a signal's numbers mean in a channel's base unit (uV, uA,
// mK): value = raw*gain + zero, exactly.
type linear struct{ gain, zero *big.Rat }

// unitOf maps a unit of a DBC file to its size in base units and its zero.
type unitOf struct {
	mult, zero int64
}

// quantities are what channels measure; the units are as DBC files write them.
var (
	volts = map[string]unitOf{"V": {1e6, 0}, "mV": {1e3, 0}, "uV": {1, 0}, "µV": {1, 0}, "Volt": {1e6, 0}}
	amps  = map[string]unitOf{"A": {1e6, 0}, "mA": {1e3, 0}, "uA": {1, 0}, "µA": {1, 0}, "Ampere": {1e6, 0}}
	temps = map[string]unitOf{
		"degC": {1e3, int64(drivers.ZeroC)}, "°C": {1e3, int64(drivers.ZeroC)}, "deg C": {1e3, int64(drivers.ZeroC)},
		"C": {1e3, int64(drivers.ZeroC)}, "Celsius": {1e3, int64(drivers.ZeroC)}, "K": {1e3, 0}, "mK": {1, 0},
	}
)

// linearOf returns what a signal means under a unit and a sign.
func linearOf(s *signal, u unitOf, sign int64) linear {
	m := new(big.Rat).SetInt64(u.mult * sign)
	l := linear{gain: new(big.Rat).Mul(s.factor, m), zero: new(big.Rat).Mul(s.offset, m)}
	l.zero.Add(l.zero, new(big.Rat).SetInt64(u.zero))
	return l
}

// convert turns raw values into counts of the bench's step:
// count = floor((raw*mul + add) / div), which is (raw*gain + zero)/step rounded
// to the nearest, halves up. lo and hi bound the raw values inside the declared
// range; outside there is no count.
type convert struct {
	mul, add, div int64
	lo, hi        int64
	absent        []int64
	// For floats: count = floor(x*fmul + fadd), for flo <= x <= fhi.
	number     number
	fmul, fadd float64
	flo, fhi   float64
}

// converter compiles a signal's conversion, exactly. What cannot be computed in
// 64 bits for every raw value in range is refused.
func converter(s *signal, b bits, l linear, step int64, absent []int64) (convert, error) {
	per := new(big.Rat).SetInt64(step)
	gain, zero := new(big.Rat).Quo(l.gain, per), new(big.Rat).Quo(l.zero, per)
	c := convert{absent: absent, number: s.number}
	if s.number != integer {
		c.fmul, _ = gain.Float64()
		c.fadd, _ = new(big.Rat).Add(zero, big.NewRat(1, 2)).Float64()
		c.flo, c.fhi = floatRange(s)
		return c, nil
	}
	c.lo, c.hi = rawRange(s, b)
	// (raw*gain + zero + 1/2) over the common denominator, twice to hold the
	// half.
	two := big.NewInt(2)
	den := new(big.Int).Mul(gain.Denom(), zero.Denom())
	den.Div(den, new(big.Int).GCD(nil, nil, gain.Denom(), zero.Denom()))
	scaled := func(r *big.Rat) *big.Int {
		n := new(big.Int).Div(den, r.Denom())
		return n.Mul(n, r.Num()).Mul(n, two)
	}
	mul, add, div := scaled(gain), scaled(zero), new(big.Int).Mul(den, two)
	add.Add(add, den)
	for _, raw := range []int64{c.lo, c.hi} {
		v := new(big.Int).Mul(mul, big.NewInt(raw))
		if v.BitLen() > 62 || v.Add(v, add).BitLen() > 62 {
			div = nil
			break
		}
	}
	if div == nil || !mul.IsInt64() || !add.IsInt64() || !div.IsInt64() {
		return c, fmt.Errorf("signal %s: factor %s and offset %s need more than 64 bits to be computed exactly", s.full(), s.factor.RatString(), s.offset.RatString())
	}
	if c.mul, c.add, c.div = mul.Int64(), add.Int64(), div.Int64(); den.IsInt64() && den.Int64() == 1 {
		// Nothing to round: the usual case, and no division on its path.
		c.mul, c.add, c.div = c.mul/2, (c.add-1)/2, 1
	}
	return c, nil
}

// rawRange is the raw values that can be and lie inside the declared range; lo
// > hi where there are none.
func rawRange(s *signal, b bits) (lo, hi int64) {
	top := new(big.Int).Lsh(big.NewInt(1), uint(b.size))
	least := new(big.Int)
	if b.signed {
		top.Rsh(top, 1)
		least.Neg(top)
	}
	top.Sub(top, big.NewInt(1))
	if s.ranged() && s.factor.Sign() != 0 {
		x := new(big.Rat).Sub(s.least, s.offset)
		y := new(big.Rat).Sub(s.top, s.offset)
		x.Quo(x, s.factor)
		y.Quo(y, s.factor)
		if s.factor.Sign() < 0 {
			x, y = y, x
		}
		// Big Div rounds down for positive denominators; up is minus down.
		up := new(big.Int).Div(new(big.Int).Neg(x.Num()), x.Denom())
		up.Neg(up)
		down := new(big.Int).Div(y.Num(), y.Denom())
		if up.Cmp(least) > 0 {
			least = up
		}
		if down.Cmp(top) < 0 {
			top = down
		}
	}
	limit := big.NewInt(math.MaxInt64)
	if top.Cmp(limit) > 0 {
		top = limit
	}
	if least.Cmp(top) > 0 {
		return 1, 0
	}
	return least.Int64(), top.Int64()
}

// floatRange is the declared range of a float signal in the signal's own
// numbers.
func floatRange(s *signal) (lo, hi float64) {
	if !s.ranged() || s.factor.Sign() == 0 {
		return -math.MaxFloat64, math.MaxFloat64
	}
	x := new(big.Rat).Quo(new(big.Rat).Sub(s.least, s.offset), s.factor)
	y := new(big.Rat).Quo(new(big.Rat).Sub(s.top, s.offset), s.factor)
	if s.factor.Sign() < 0 {
		x, y = y, x
	}
	lo, _ = x.Float64()
	hi, _ = y.Float64()
	if s.number == float32Bits {
		// The range's end as the sender can write it is inside.
		lo, hi = min(lo, float64(float32(lo))), max(hi, float64(float32(hi)))
	}
	return lo, hi
}

// verdict says what a raw value is.
type verdict uint8

const (
	good       verdict = iota
	absent             // the monitor says that it has none
	impossible         // outside of what the DBC file declares, or too great
)

// count converts a frame's value.
func (c *convert) count(b bits, little, big uint64) (int32, verdict) {
	if c.number != integer {
		return c.floatCount(b.word(little, big))
	}
	raw, ok := b.raw(little, big)
	if len(c.absent) > 0 && ok && slices.Contains(c.absent, raw) {
		return drivers.NoReading, absent
	}
	if !ok || raw < c.lo || raw > c.hi {
		return drivers.NoReading, impossible
	}
	q := c.at(raw)
	if q <= math.MinInt32 || q > math.MaxInt32 {
		return drivers.NoReading, impossible
	}
	return int32(q), good
}

// at is the count of a raw value inside the range.
func (c *convert) at(raw int64) int64 {
	n := raw*c.mul + c.add
	if c.div == 1 {
		return n
	}
	q := n / c.div
	if n < 0 && q*c.div != n {
		q--
	}
	return q
}

func (c *convert) floatCount(w uint64) (int32, verdict) {
	x := math.Float64frombits(w)
	if c.number == float32Bits {
		x = float64(math.Float32frombits(uint32(w)))
	}
	if !(x >= c.flo && x <= c.fhi) { // not a number is neither
		return drivers.NoReading, impossible
	}
	q := math.Floor(float64(x*c.fmul) + c.fadd)
	if !(q > math.MinInt32 && q <= math.MaxInt32) {
		return drivers.NoReading, impossible
	}
	return int32(q), good
}
