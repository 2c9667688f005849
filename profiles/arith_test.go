package profiles

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

func TestMulDivAgreesWithBig(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Int64Range(0, math.MaxInt64).Draw(t, "a"), rapid.Int64Range(0, math.MaxInt64).Draw(t, "b")
		c := rapid.Int64Range(1, math.MaxInt64).Draw(t, "c")
		q, rest := new(big.Int).QuoRem(new(big.Int).Mul(big.NewInt(a), big.NewInt(b)), big.NewInt(c), new(big.Int))
		down, up := int64(math.MaxInt64), int64(math.MaxInt64)
		if q.IsInt64() {
			down, up = q.Int64(), q.Int64()
			if rest.Sign() > 0 && up < math.MaxInt64 {
				up++
			}
		}
		if mulDiv(a, b, c) != down || mulDivUp(a, b, c) != up {
			t.Fatalf("%d*%d/%d: got %d and %d, expected %d and %d", a, b, c, mulDiv(a, b, c), mulDivUp(a, b, c), down, up)
		}
	})
}
