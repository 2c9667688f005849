package tree

import (
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
)

func TestParseQuantity(t *testing.T) {
	for _, x := range []struct {
		text string
		d    Dimension
		want int64
	}{
		{"20 A", DimCurrent, 20_000_000},
		{"-0.5 A", DimCurrent, -500_000},
		{"3.60 V/cell", DimCell, 3_600_000},
		{"3.55 V", DimCell, 3_550_000},
		{"86.4 V", DimVoltage, 86_400_000},
		{"10 min", DimTime, int64(10 * drivers.Minute)},
		{"25 degC", DimTemperature, 298_150},
		{"-20 degC", DimTemperature, 253_150},
		{"0.3 %", DimRatio, 3_000},
		{"0.3%", DimRatio, 3_000},
		{"1 mF", DimCapacitance, 1_000_000},
		{"100 Ohm", DimResistance, 100_000_000},
		{"40 Ah", DimCharge, int64(40 * drivers.AmpereHour)},
		{"1 As", DimCharge, int64(drivers.AmpereHour) / 3600},
		{"3 kWh", DimEnergy, int64(3000 * drivers.WattHour)},
		{"0.5 C", DimRate, 500_000},
		{"200 A/s", DimSlew, 200_000_000},
		{"9223372036854775807 uA", DimCurrent, math.MaxInt64},
		{"-9223372036854775808 uA", DimCurrent, math.MinInt64},
		// 0.1 and 3.3 have no exact binary form; decimal arithmetic has.
		{"0.1 V", DimVoltage, 100_000},
		{"3.3 V", DimVoltage, 3_300_000},
	} {
		got, err := ParseQuantity(x.text, x.d)
		require.NoError(t, err, x.text)
		assert.Equal(t, x.want, got, x.text)
	}
}

func TestParseQuantityRefuses(t *testing.T) {
	for _, x := range []struct {
		text string
		d    Dimension
		want error
	}{
		{"20", DimCurrent, ErrNotQuantity},
		{"", DimCurrent, ErrNotQuantity},
		{"A", DimCurrent, ErrNotQuantity},
		{"NaN A", DimCurrent, ErrNotQuantity},
		{"Inf A", DimCurrent, ErrNotQuantity},
		{".inf", DimCurrent, ErrNotQuantity},
		{"1e3 A", DimCurrent, ErrNotQuantity},
		{"0x10 A", DimCurrent, ErrNotQuantity},
		{"012 A", DimCurrent, ErrNotQuantity},
		{"1_000 A", DimCurrent, ErrNotQuantity},
		{"1,5 A", DimCurrent, ErrNotQuantity},
		{".5 A", DimCurrent, ErrNotQuantity},
		{"5. A", DimCurrent, ErrNotQuantity},
		{"--5 A", DimCurrent, ErrNotQuantity},
		{"5  A", DimCurrent, ErrNotQuantity},
		{"5 A ", DimCurrent, ErrNotQuantity},
		{"5 A A", DimCurrent, ErrNotQuantity},
		{"20 a", DimCurrent, ErrUnit},
		{"20 Ah", DimCurrent, ErrUnit},
		{"25 K", DimTemperature, ErrUnit},
		{"20 furlong", DimCurrent, ErrUnit},
		{"0.0000001 A", DimCurrent, ErrRange},
		{"9223372036854775808 uA", DimCurrent, ErrRange},
		{"9999999999999999999999999999999 A", DimCurrent, ErrRange},
	} {
		_, err := ParseQuantity(x.text, x.d)
		require.ErrorIs(t, err, x.want, "%q", x.text)
	}
}

// What is written reads back as the same number, for every dimension.
func TestQuantityRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom(dimensionOrder).Draw(t, "dimension")
		v := rapid.Int64Range(-1<<61, 1<<61).Draw(t, "value")
		if rapid.Bool().Draw(t, "small") {
			v %= 10_000_000
		}
		if d == DimHeat || d == DimSlew {
			v = v / units[d][0].mult * units[d][0].mult
		}
		text := FormatQuantity(v, d)
		back, err := ParseQuantity(text, d)
		if err != nil || back != v {
			t.Fatalf("%d %s is written %q, which reads as %d (%v)", v, d, text, back, err)
		}
	})
}

// Parsing agrees with rational arithmetic: exact, or refused.
func TestQuantityIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom(dimensionOrder).Draw(t, "dimension")
		u := rapid.SampledFrom(units[d]).Draw(t, "unit")
		number := rapid.StringMatching(`-?(0|[1-9][0-9]{0,12})(\.[0-9]{1,12})?`).Draw(t, "number")
		got, err := ParseQuantity(number+" "+u.name, d)
		want, ok := new(big.Rat).SetString(number)
		if !ok {
			t.Fatal(number)
		}
		want.Mul(want, new(big.Rat).SetInt64(u.mult))
		want.Add(want, new(big.Rat).SetInt64(u.offset))
		fits := want.IsInt() && want.Num().IsInt64()
		if fits != (err == nil) {
			t.Fatalf("%s %s: %v is held exactly: %t, but got error %v", number, u.name, want, fits, err)
		}
		if fits && want.Num().Int64() != got {
			t.Fatalf("%s %s: got %d, expected %v", number, u.name, got, want)
		}
	})
}

func TestNearest(t *testing.T) {
	words := []string{"charge", "discharge", "rest", "pulse", "taper", "hold"}
	for typed, want := range map[string]string{
		"chrage": "charge", "Charge": "charge", "dischrge": "discharge", "rset": "rest", "hodl": "hold", "zzz": "", "": "",
	} {
		assert.Equal(t, want, Nearest(typed, words), typed)
	}
}
