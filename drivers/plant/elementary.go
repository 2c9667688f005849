package plant

import "math"

// Elementary functions with one result on every processor: package math uses
// assembly on some, and leaves the compiler free to fuse elsewhere.

const (
	ln2High = 6.93147180369123816490e-01 // low 21 bits zero: k*ln2High is exact
	ln2Low  = 1.90821492927058770002e-10
	log2e   = 1.44269504088896338700
)

// expTerms are 1/n! for n = 13 down to 0.
var expTerms = [...]float64{
	1.0 / 6227020800, 1.0 / 479001600, 1.0 / 39916800, 1.0 / 3628800, 1.0 / 362880,
	1.0 / 40320, 1.0 / 5040, 1.0 / 720, 1.0 / 120, 1.0 / 24, 1.0 / 6, 1.0 / 2, 1, 1,
}

// Exp returns e to the x, to within 2 units in the last place, the same on
// every processor. It is 0 under -708 and +Inf over 709.
func Exp(x float64) float64 {
	switch {
	case x < -708:
		return 0
	case x > 709:
		return math.Inf(1)
	case x != x:
		return x
	}
	k := math.Floor(float64(x*log2e) + 0.5)
	r := x - float64(k*ln2High) - float64(k*ln2Low)
	sum := expTerms[0]
	for _, c := range expTerms[1:] {
		sum = float64(sum*r) + c
	}
	return float64(sum * math.Float64frombits(uint64(int64(k)+1023)<<52))
}

// decay returns exp(-z) and 1-exp(-z), the latter without cancellation, for
// z >= 0.
func decay(z float64) (x, y float64) {
	if z > 0.25 {
		x = Exp(-z)
		return x, 1 - x
	}
	t := 1.0
	for n := 14.0; n >= 2; n-- {
		t = 1 - float64(z*t)/n
	}
	y = float64(z * t)
	return 1 - y, y
}

// Log returns the natural logarithm of x > 0, the same on every processor.
func Log(x float64) float64 { return ln(x) }

// ln returns the natural logarithm of x > 0.
func ln(x float64) float64 {
	m, e := math.Frexp(x)
	if m < math.Sqrt2/2 {
		m, e = float64(2*m), e-1
	}
	s := (m - 1) / (m + 1)
	z := float64(s * s)
	sum := 0.0
	for n := 23.0; n >= 3; n -= 2 {
		sum = float64((sum + 1/n) * z)
	}
	k := float64(e)
	return float64(2*float64(s*(1+sum))) + float64(k*ln2Low) + float64(k*ln2High)
}

// tanh returns the hyperbolic tangent.
func tanh(x float64) float64 {
	if x < 0 {
		return -tanh(-x)
	}
	t := Exp(float64(-2 * x))
	return (1 - t) / (1 + t)
}
