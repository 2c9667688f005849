package plant

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// ideal is a bench on a source of fixed voltage without resistance.
func ideal(t testing.TB, volts float64, n Network) *Bench {
	t.Helper()
	s := CellSpec{Chemistry: Linear(volts, volts), Capacity: 40 * 3600}
	b, err := NewBench(alone(t, s, 0.5), n)
	require.NoError(t, err)
	return b
}

// Check values 5 (computed): the percentages, from a link that starts empty,
// whatever pieces time comes in.
func TestPrechargePercentages(t *testing.T) {
	for _, piece := range []drivers.Span{100, drivers.Millisecond, drivers.Second} {
		b := ideal(t, 116.8, Network{Link: 1e-3, Precharge: 100})
		b.Switch(Contacts{Negative: true, Precharge: true})
		const tau = 0.1
		for _, row := range []struct{ at, percent float64 }{
			{0.1, 9.516258}, {0.5, 39.346934}, {math.Ln2, 50}, {0.7, 50.341470}, {1, 63.212056},
			{2, 86.466472}, {math.Ln10, 90}, {3, 95.021293}, {4, 98.168436}, {math.Log(100), 99},
			{5, 99.326205}, {math.Log(1000), 99.9},
		} {
			until := drivers.Span(math.Round(row.at * tau * 1e6))
			for b.Now() < until {
				b.Advance(min(piece, until-b.Now()))
			}
			// An instant is rounded to a microsecond: 1e-5 of tau.
			assert.InDelta(t, row.percent, 100*b.LinkVoltage()/116.8, 3e-4, "%g tau", row.at)
			exact := -math.Expm1(-float64(b.Now()) / 1e6 / tau)
			assertRelative(t, exact, b.LinkVoltage()/116.8, 1e-9, "%d us", b.Now())
		}
	}
}

// Check values 5, worked examples (computed).
func TestPrechargeWorked(t *testing.T) {
	for _, c := range []struct {
		volts, ohm, farad      float64
		tau, i0, p0, energy    float64
		fiveTau, t95, t98, t99 float64
	}{
		{116.8, 100, 1e-3, 0.1, 1.168, 136.4224, 6.821120, 6.820810322, 0.299573, 0.391202, 0.460517},
		{400, 33, 0.5e-3, 0.0165, 12.1212, 4848.48, 40.0000, 0, 0, 0, 0},
	} {
		b := ideal(t, c.volts, Network{Link: c.farad, Precharge: c.ohm})
		b.Switch(Contacts{Negative: true, Precharge: true})
		i0 := -b.Module().Current()
		assert.InDelta(t, c.i0, i0, 5e-5)
		assert.InDelta(t, c.p0, i0*i0*c.ohm, 5e-3)
		b.Advance(drivers.Span(c.tau * 1e6))
		assertRelative(t, (1-1/math.E)*c.volts, b.LinkVoltage(), 1e-6, "link after one tau")
		b.Advance(drivers.Span(c.tau * 4e6))
		if c.fiveTau > 0 {
			assertRelative(t, c.fiveTau, b.Counters().Precharge, 1e-6, "energy in five tau")
		}
		b.Advance(drivers.Span(c.tau * 20e6))
		assertRelative(t, c.energy, b.Counters().Precharge, 1e-6, "energy in the resistor")
		for part, at := range map[float64]float64{0.95: c.t95, 0.98: c.t98, 0.99: c.t99} {
			if at == 0 {
				continue
			}
			b := ideal(t, c.volts, Network{Link: c.farad, Precharge: c.ohm})
			b.Switch(Contacts{Negative: true, Precharge: true})
			b.Advance(drivers.Span(math.Round(at * 1e6)))
			// The printed time is good to half a microsecond.
			assert.InDelta(t, part, b.LinkVoltage()/c.volts, 1e-6)
		}
	}
}

// Check values 5 (computed): with 10 kOhm across the link the final voltage is
// 115.643564 V and tau 0.099009901 s, so a 99.5 % rule never passes.
func TestPrechargeWithBleed(t *testing.T) {
	b := ideal(t, 116.8, Network{Link: 1e-3, Precharge: 100, LinkBleed: 10e3})
	b.Switch(Contacts{Negative: true, Precharge: true})
	at := func(d drivers.Span) float64 { b.Advance(d); return b.LinkVoltage() }
	v1, v2, v3 := at(20*drivers.Millisecond), at(70*drivers.Millisecond), 0.0
	b.Advance(10 * drivers.Second)
	v3 = b.LinkVoltage()
	assertRelative(t, 115.643564, v3, 1e-8, "final voltage")
	assert.InDelta(t, 99.0099, 100*v3/116.8, 5e-5)
	// tau from two points, as in check values 5.
	assertRelative(t, 0.099009901, 0.07/math.Log((v3-v1)/(v3-v2)), 1e-6, "tau")
}

// Check values 5 (computed): 116.8 V on 1 mF fall to 60 V through 10 kOhm in
// 6.661185 s.
func TestTouchSafe(t *testing.T) {
	b := ideal(t, 116.8, Network{Link: 1e-3, Precharge: 100, LinkBleed: 10e3})
	b.link = 116.8
	b.Advance(6_661_185)
	assertRelative(t, 60, b.LinkVoltage(), 1e-6, "link")
}

// A shorted link stays down, and the precharge resistor bears the module.
func TestShortUnderPrecharge(t *testing.T) {
	b := benchOf(t, 3, 0.5)
	b.Short(0.05)
	b.Switch(Contacts{Negative: true, Precharge: true})
	b.Advance(500 * drivers.Millisecond)
	volts := b.Module().TerminalVoltage()
	assert.Less(t, b.LinkVoltage(), 0.05)
	assertRelative(t, -volts/100.05, b.Module().Current(), 1e-4, "current")
	b.Short(0)
	b.Advance(5 * drivers.Second)
	assert.Greater(t, b.LinkVoltage(), 0.98*volts)
}
