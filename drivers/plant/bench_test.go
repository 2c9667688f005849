package plant

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// What the supply gives and the load and the link's resistors do not take, the
// module gets.
func TestCurrentsAddUp(t *testing.T) {
	b := benchOf(t, 4, 0.5)
	closeUp(b)
	b.SetSupply(Source{Current: 20, Voltage: 90, Slew: 200})
	b.Advance(30 * drivers.Second)
	leak := b.LinkVoltage() / 10e3
	assert.InDelta(t, 20, b.SupplyCurrent(), 1e-12)
	assert.InDelta(t, 20-leak, b.Module().Current(), 1e-3) // the link's capacitor follows a rising voltage
	assert.False(t, b.SupplyHolding())
	b.SetSupply(Source{Slew: 200})
	b.Advance(drivers.Second)
	b.SetLoad(Source{Current: 35, Voltage: 60, Slew: 200})
	b.Advance(30 * drivers.Second)
	assert.InDelta(t, -35-b.LinkVoltage()/10e3, b.Module().Current(), 1e-3)
	assert.InDelta(t, b.LinkVoltage()-b.Module().Current()*4.4e-3, b.Module().TerminalVoltage(), 1e-9)

	taps, volts := 0.0, 0.0
	for k := range b.Module().Len() {
		taps += b.Module().Tap(k)
		volts += b.Module().Voltage(k)
		assert.InDelta(t, b.Module().Tap(k), b.Module().Voltage(k)+b.Module().Joint(k)*b.Module().Current(), 1e-12)
	}
	assert.InDelta(t, b.Module().TerminalVoltage(), taps+b.Module().Current()*300e-6, 1e-9, "taps leave out the terminals")
	assert.Greater(t, volts, taps, "discharging, joints lower the taps")
}

// The supply's own constant-voltage bound, and what happens around it.
func TestSupplyCeiling(t *testing.T) {
	b := benchOf(t, 5, 0.6)
	closeUp(b)
	ceiling := b.Module().TerminalVoltage() + 1.0
	b.SetSupply(Source{Current: 200, Voltage: ceiling, Slew: 1000})
	last := math.Inf(1)
	b.Advance(drivers.Second)
	for range 600 {
		b.Advance(100 * drivers.Millisecond)
		require.InDelta(t, ceiling, b.LinkVoltage(), 1e-9)
		require.True(t, b.SupplyHolding())
		require.Less(t, b.SupplyCurrent(), last, "the current tapers and never rings")
		last = b.SupplyCurrent()
	}
	require.Greater(t, last, 2.0)

	// A lower current limit takes over.
	b.SetSupply(Source{Current: 1, Voltage: ceiling})
	b.Advance(drivers.Second)
	assert.False(t, b.SupplyHolding())
	assert.Less(t, b.LinkVoltage(), ceiling)
	assert.InDelta(t, 1, b.SupplyCurrent(), 1e-12)

	// A ceiling under the module's voltage: nothing flows back into the supply.
	b.SetSupply(Source{Current: 20, Voltage: ceiling - 10})
	b.Advance(drivers.Second)
	assert.Zero(t, b.SupplyCurrent())
	assert.InDelta(t, -b.LinkVoltage()/10e3, b.Module().Current(), 1e-3)
}

// At its floor the load takes less, and under it nothing.
func TestLoadFloor(t *testing.T) {
	b := benchOf(t, 6, 0.5)
	closeUp(b)
	floor := b.Module().TerminalVoltage() - 1.5
	b.SetLoad(Source{Current: 150, Voltage: floor, Slew: 1000})
	b.Advance(20 * drivers.Second)
	assert.InDelta(t, floor, b.LinkVoltage(), 1e-9)
	assert.True(t, b.LoadHolding())
	assert.Greater(t, b.LoadCurrent(), 5.0)
	assert.Less(t, b.LoadCurrent(), 150.0)
	assert.InDelta(t, -b.LoadCurrent(), b.Module().Current(), 0.02)
	b.SetLoad(Source{Current: 150, Voltage: floor + 5})
	b.Advance(drivers.Second)
	assert.Zero(t, b.LoadCurrent())
}

// With open contactors the instruments see the link's capacitor alone.
func TestFloatingLink(t *testing.T) {
	b := ideal(t, 80, Network{Link: 1e-3, Precharge: 100})
	b.SetSupply(Source{Current: 0.5, Voltage: 40})
	b.Advance(40 * drivers.Millisecond)
	assertRelative(t, 0.5*0.04/1e-3, b.LinkVoltage(), 1e-9, "I t / C")
	b.Advance(drivers.Second)
	assert.InDelta(t, 40, b.LinkVoltage(), 1e-9)
	assert.InDelta(t, 0, b.SupplyCurrent(), 1e-9)
	b.SetSupply(Source{})
	b.SetLoad(Source{Current: 0.5})
	b.Advance(20 * drivers.Millisecond)
	assertRelative(t, 30, b.LinkVoltage(), 1e-9, "discharged")
	b.Advance(drivers.Second)
	assert.Zero(t, b.LinkVoltage(), "a load never drives the link negative")
	assert.Zero(t, b.Module().Current())
}

func TestSlewLandsExactly(t *testing.T) {
	b := benchOf(t, 7, 0.5)
	closeUp(b)
	b.SetSupply(Source{Current: 30, Voltage: 90, Slew: 60})
	for _, at := range []drivers.Span{1, 123_457, 250_000, 125_000} {
		b.Advance(at)
		assert.InDelta(t, float64(60*(b.Now()-2*drivers.Second))/1e6, b.SupplyCurrent(), 1e-9)
	}
	b.Advance(drivers.Second)
	assert.InDelta(t, 30, b.SupplyCurrent(), 1e-12)
	b.SetSupply(Source{Voltage: 90, Slew: 60})
	b.Advance(250 * drivers.Millisecond)
	assert.InDelta(t, 15, b.SupplyCurrent(), 1e-9)
}

func TestContactors(t *testing.T) {
	b := benchOf(t, 8, 0.5)
	b.Switch(Contacts{Positive: true})
	b.Advance(drivers.Second)
	assert.Zero(t, b.LinkVoltage(), "positive alone connects nothing")

	// Closing on to an empty link is possible, and told.
	open := b.Module().TerminalVoltage()
	b.Switch(Contacts{Negative: true, Positive: true})
	assertRelative(t, open, b.Worst().Made, 1e-9, "made over the whole voltage")
	assert.Greater(t, b.Worst().DischargeMax, 500.0, "the flash is on the record")
	b.Advance(drivers.Second)

	b.SetLoad(Source{Current: 25})
	b.Advance(drivers.Second)
	b.Weld(Contacts{Positive: true})
	b.Switch(Contacts{})
	assert.Equal(t, Contacts{Positive: true}, b.Contacts(), "a welded contact stays, the other opens the line")
	assert.InDelta(t, 25, b.Worst().Broken, 0.02)
	assert.Zero(t, b.Module().Current())
	b.Weld(Contacts{})
	b.Switch(Contacts{})
	assert.Equal(t, Contacts{}, b.Contacts())
}

// A short across a closed link blows the fuse when its melting integral is used.
func TestFuse(t *testing.T) {
	m, err := Draw(9, buildKW(0.5), Spread{})
	require.NoError(t, err)
	n := networkKW()
	n.FuseRating, n.FuseMelt = 63, 20e3
	b, err := NewBench(m, n)
	require.NoError(t, err)
	closeUp(b)
	b.Short(5e-3)
	b.Advance(drivers.Millisecond)
	i := b.Module().Current()
	require.Less(t, i, -800.0)
	want := 20e3 / (i*i - 63*63)
	start := b.Now() - drivers.Millisecond
	for !b.FuseBlown() {
		require.Less(t, b.Now()-start, drivers.Second)
		b.Advance(drivers.Millisecond)
	}
	assert.InDelta(t, want, float64(b.Now()-start)/1e6, 0.1*want+1e-3)
	assert.Zero(t, b.Module().Current())
}

// How time is cut must not matter: a lively hour, at once and in small pieces.
func TestStepSizeDoesNotMatter(t *testing.T) {
	run := func(longest drivers.Span) *Bench {
		m, err := Draw(10, buildKW(0.9), spreadKW())
		require.NoError(t, err)
		n := networkKW()
		n.MaxStep = longest
		b, err := NewBench(m, n)
		require.NoError(t, err)
		closeUp(b)
		m.SetBleed(3, true)
		b.SetSupply(Source{Current: 40, Voltage: 24 * 3.38, Slew: 100})
		b.Advance(12 * drivers.Minute)
		b.SetSupply(Source{})
		b.Advance(3 * drivers.Minute)
		b.SetLoad(Source{Current: 40, Voltage: 60, Slew: 100})
		b.Advance(15 * drivers.Minute)
		return b
	}
	fine, usual, coarse := run(10*drivers.Millisecond), run(0), run(drivers.Second)
	for k := range 24 {
		assert.InDelta(t, fine.Module().Voltage(k), usual.Module().Voltage(k), 5e-6, "cell index %d", k)
		assert.InDelta(t, fine.Module().Voltage(k), coarse.Module().Voltage(k), 5e-5, "cell index %d", k)
		assertRelative(t, fine.Module().Charge(k), usual.Module().Charge(k), 1e-6, "charge")
		assert.InDelta(t, fine.Module().Kelvin(k), usual.Module().Kelvin(k), 1e-3)
	}
	assert.InDelta(t, fine.Worst().VoltageMax, usual.Worst().VoltageMax, 2e-5)
}

func TestWorstFollowsTheTruth(t *testing.T) {
	b := benchOf(t, 13, 0.5)
	closeUp(b)
	b.ResetWorst()
	high, low := math.Inf(-1), math.Inf(1)
	look := func() {
		for k := range b.Module().Len() {
			high, low = max(high, b.Module().Voltage(k)), min(low, b.Module().Voltage(k))
		}
	}
	look()
	for n := range 200 {
		switch n {
		case 20:
			b.SetSupply(Source{Current: 40, Voltage: 90})
		case 100:
			b.SetSupply(Source{})
			b.SetLoad(Source{Current: 80})
		}
		look()
		b.Advance(100 * drivers.Millisecond)
		look()
	}
	w := b.Worst()
	assert.Equal(t, high, w.VoltageMax)
	assert.InDelta(t, low, w.VoltageMin, 1e-4)
	assert.Equal(t, 12*drivers.Second, w.VoltageMaxAt, "the end of the charge")
	assert.Equal(t, 22*drivers.Second, w.VoltageMinAt, "the end of the discharge")
	b.SetLoad(Source{})
	b.Advance(drivers.Minute)
	b.ResetWorst()
	assert.Less(t, b.Worst().DischargeMax, 0.1)
	assert.Greater(t, b.Worst().VoltageMin, w.VoltageMin)
}

// A clone goes on as its original would, and neither feels the other.
func TestClone(t *testing.T) {
	b := benchOf(t, 14, 0.5)
	closeUp(b)
	b.SetSupply(Source{Current: 30, Voltage: 85, Slew: 10})
	b.Advance(1_234_567)
	c := b.Clone()
	before := string(c.AppendState(nil))
	b.Advance(10 * drivers.Second)
	assert.Equal(t, before, string(c.AppendState(nil)), "the clone stood still")
	c.Advance(10 * drivers.Second)
	assert.Equal(t, b.AppendState(nil), c.AppendState(nil))
	assert.Equal(t, b.Counters(), c.Counters())
	assert.Equal(t, b.Worst(), c.Worst())
	c.Module().SetHeat(0, 100)
	c.Advance(10 * drivers.Second)
	b.Advance(10 * drivers.Second)
	assert.NotEqual(t, b.Module().Kelvin(1), c.Module().Kelvin(1))
}

// The hot path allocates nothing.
func TestAdvanceAllocatesNothing(t *testing.T) {
	b := benchOf(t, 15, 0.5)
	closeUp(b)
	b.SetSupply(Source{Current: 20, Voltage: 90, Slew: 100})
	b.Module().SetBleed(4, true)
	assert.Zero(t, testing.AllocsPerRun(100, func() { b.Advance(100 * drivers.Millisecond) }))
}

func TestBadBenches(t *testing.T) {
	m, err := Draw(1, buildKW(0.5), Spread{})
	require.NoError(t, err)
	for want, spoil := range map[string]func(*Network){
		"link capacitance":   func(n *Network) { n.Link = 0 },
		"precharge resistor": func(n *Network) { n.Precharge = math.NaN() },
		"longest step":       func(n *Network) { n.MaxStep = 2 * drivers.Second },
		"contact resistance": func(n *Network) { n.Contact = -1 },
		"fuse melting":       func(n *Network) { n.FuseMelt = math.Inf(1) },
	} {
		n := networkKW()
		spoil(&n)
		_, err := NewBench(m, n)
		require.ErrorContains(t, err, want)
	}
	_, err = NewBench(nil, networkKW())
	require.ErrorContains(t, err, "no module")
}
