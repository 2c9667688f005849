package plant

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// Our elementary functions against package math.
func TestElementaryFunctions(t *testing.T) {
	r := NewRand(7, 7)
	for range 40_000 {
		x := (r.Float64() - 0.5) * 200
		assertRelative(t, math.Exp(x), Exp(x), 5e-16, "exp(%g)", x)
		p := math.Exp(x)
		if l := math.Log(p); abs(l) > 1e-3 {
			assertRelative(t, l, ln(p), 5e-16, "ln(%g)", p)
		}
		assert.InDelta(t, math.Tanh(x/20), tanh(x/20), 4e-16)
		z := r.Float64() * r.Float64() * r.Float64()
		xz, yz := decay(z)
		assertRelative(t, -math.Expm1(-z), yz, 1e-15, "1-exp(-%g)", z)
		assertRelative(t, math.Exp(-z), xz, 5e-16, "exp(-%g)", z)
		if t.Failed() {
			return
		}
	}
}

func TestExpEnds(t *testing.T) {
	assert.Equal(t, 1.0, Exp(0))
	assertRelative(t, math.E, Exp(1), 3e-16, "e")
	assert.Zero(t, Exp(-750))
	assert.True(t, math.IsInf(Exp(710), 1))
	assert.True(t, math.IsNaN(Exp(math.NaN())))
	assertRelative(t, math.Exp(-707.9), Exp(-707.9), 5e-16, "least")
	assertRelative(t, math.Exp(708.9), Exp(708.9), 5e-16, "greatest")
}

func assertRelative(t testing.TB, want, got, tolerance float64, format string, args ...any) {
	t.Helper()
	if !(abs(got-want) <= tolerance*abs(want)) {
		t.Errorf(format+": want %.15g, got %.15g, relative error %.3g over %g",
			append(args, want, got, (got-want)/want, tolerance)...)
	}
}
