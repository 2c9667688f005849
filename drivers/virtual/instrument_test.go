package virtual_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// until advances by 1 ms until the truth meets a condition.
func until(t *testing.T, b *virtual.Bench, limit drivers.Span, what string, cond func(virtual.Truth) bool) drivers.Instant {
	t.Helper()
	var f drivers.Frame
	for end := b.Now().Add(limit); b.Now() < end; {
		b.Advance(min(b.Now().Add(drivers.Millisecond), b.Next()))
		b.Frame(&f)
		if cond(b.Truth()) {
			return b.Now()
		}
	}
	require.Fail(t, "condition not met", "%s within %d us", what, limit)
	return 0
}

// From a command to the output's first reaction passes a delay inside the
// declared one, different each time; then the current moves at the declared
// slew, up and down.
func TestSupplyDelayAndSlew(t *testing.T) {
	c := still(config())
	c.Bench.Supply.Delay = 300 * drivers.Millisecond
	c.Bench.Supply.Slew = 20 * drivers.Ampere
	b := open(t, c)
	connect(t, b)
	ctx, supply := t.Context(), b.Set().Supply
	_, err := supply.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere, CommTimeout: drivers.Second})
	require.NoError(t, err)
	seen := map[drivers.Span]bool{}
	for range 10 {
		start := b.Now()
		require.NoError(t, supply.Set(ctx, drivers.Setpoint{On: true, Current: 20 * drivers.Ampere, Voltage: 95 * drivers.Volt}))
		began := until(t, b, drivers.Second, "current begins", func(x virtual.Truth) bool { return x.Supply > 1000 })
		delay := began.Sub(start)
		assert.LessOrEqual(t, delay, c.Bench.Supply.Delay+2*drivers.Millisecond)
		assert.GreaterOrEqual(t, delay, c.Bench.Supply.Delay*3/10)
		seen[delay] = true
		at5 := until(t, b, 2*drivers.Second, "5 A", func(x virtual.Truth) bool { return x.Supply >= 5_000_000 })
		at15 := until(t, b, 2*drivers.Second, "15 A", func(x virtual.Truth) bool { return x.Supply >= 15_000_000 })
		assert.InDelta(t, 500, float64(at15.Sub(at5))/1000, 2.5, "ms from 5 A to 15 A at 20 A/s")
		frames(b, drivers.Second)

		start = b.Now()
		require.NoError(t, supply.Halt(ctx))
		falls := until(t, b, drivers.Second, "current falls", func(x virtual.Truth) bool { return x.Supply < 19_500_000 })
		assert.LessOrEqual(t, falls.Sub(start), c.Bench.Supply.Delay+40*drivers.Millisecond)
		zero := until(t, b, 2*drivers.Second, "zero", func(x virtual.Truth) bool { return x.Supply == 0 })
		assert.InDelta(t, 1000, float64(zero.Sub(falls))/1000, 40, "ms from 20 A to none at 20 A/s")
		frames(b, drivers.Second/2)
	}
	assert.Greater(t, len(seen), 5, "delays %v", seen)
}

// Whoever halts again and again must not put off the first halt (INV-04).
func TestHaltingAgainDelaysNothing(t *testing.T) {
	c := still(config())
	c.Bench.Supply.Delay = 500 * drivers.Millisecond
	b := open(t, c)
	charge(t, b)
	start := b.Now()
	for b.Truth().Supply > 19*drivers.Ampere && b.Now() < start.Add(2*drivers.Second) {
		require.NoError(t, b.Set().Supply.Halt(t.Context()))
		frames(b, 20*drivers.Millisecond)
	}
	assert.LessOrEqual(t, b.Now().Sub(start), 530*drivers.Millisecond)
}

// A supply at its voltage bound whose current is then lowered reacts within the
// declared delay, and one whose bound is raised goes up no faster than its slew.
func TestSupplyLeavesItsVoltageBound(t *testing.T) {
	c := still(config())
	c.Bench.Supply.Slew = 10 * drivers.Ampere
	b := open(t, c)
	charge(t, b)
	ctx, supply := t.Context(), b.Set().Supply
	bound := b.Truth().Link - 150_000
	held := drivers.Setpoint{On: true, Current: 50 * drivers.Ampere, Voltage: bound}
	require.NoError(t, supply.Set(ctx, held))
	frames(b, 10*drivers.Second)
	before := b.Truth().Supply
	require.InDelta(t, 8e6, float64(before), 7e6, "held under the 20 A of before")

	held.Voltage = 95 * drivers.Volt
	require.NoError(t, supply.Set(ctx, held))
	started := until(t, b, 120*drivers.Millisecond, "current rises", func(x virtual.Truth) bool { return x.Supply > before+200_000 })
	b.Advance(started.Add(500 * drivers.Millisecond))
	assert.InDelta(t, float64(before)+5.2e6, float64(b.Truth().Supply), 0.3e6, "10 A/s for half a second")

	held.Voltage = bound
	require.NoError(t, supply.Set(ctx, held))
	frames(b, 10*drivers.Second)
	before = b.Truth().Supply
	start := b.Now()
	require.NoError(t, supply.Halt(ctx))
	falls := until(t, b, drivers.Second, "current falls", func(x virtual.Truth) bool { return x.Supply < before-100_000 })
	assert.LessOrEqual(t, falls.Sub(start), c.Bench.Supply.Delay+15*drivers.Millisecond)
}

// What the supply gives for a setpoint is the setpoint in its steps, off by a
// fixed error inside its declared accuracy.
func TestSupplyRegulation(t *testing.T) {
	worst := 0.0
	for seed := range uint64(12) {
		c := still(config())
		c.Seed = seed
		c.Bench.Supply.CurrentStep = 100_000
		b := open(t, c)
		charge(t, b)
		supply := b.Set().Supply
		for _, set := range []drivers.Microamps{10_000_000, 10_040_000, 10_060_000} {
			require.NoError(t, supply.Set(t.Context(), drivers.Setpoint{On: true, Current: set, Voltage: 95 * drivers.Volt}))
			frames(b, drivers.Second)
			steps := (set + 50_000) / 100_000 * 100_000
			e := float64(b.Truth().Supply - steps)
			declared := float64(c.Bench.Supply.CurrentAcc.At(int64(set)))
			assert.LessOrEqual(t, max(e, -e), declared*0.6+1, "seed %d, %d uA", seed, set)
			worst = max(worst, max(e, -e)/declared)
		}
	}
	assert.Greater(t, worst, 0.3)
}

// At the voltage bound the supply says so, and holds the link within its
// declared accuracy; under its power limit it gives less than it was set to.
func TestSupplyBounds(t *testing.T) {
	c := config()
	b := open(t, c)
	charge(t, b)
	ctx, supply := t.Context(), b.Set().Supply
	bound := drivers.Microvolts(b.Truth().Link)
	require.NoError(t, supply.Set(ctx, drivers.Setpoint{On: true, Current: 20 * drivers.Ampere, Voltage: bound}))
	f := frames(b, 20*drivers.Second)
	truth := b.Truth()
	assert.InDelta(t, float64(bound), float64(truth.Link), float64(c.Bench.Supply.VoltageAcc.At(int64(bound)))+10_000)
	assert.Less(t, truth.Supply, 20*drivers.Ampere)
	assert.Equal(t, int32(drivers.PowerOn|drivers.PowerVoltage), state(b, f, drivers.SupplyState))

	c = config()
	c.Bench.Supply.PowerMaxMW = 800_000
	b = open(t, c)
	charge(t, b)
	f = frames(b, 10*drivers.Second)
	truth = b.Truth()
	watts := float64(truth.Supply) / 1e6 * float64(truth.Link) / 1e6
	assert.InEpsilon(t, 800, watts, 0.005, "W; 20 A would be %.0f W", 20*float64(truth.Link)/1e6)
	assert.Equal(t, int32(drivers.PowerOn), state(b, f, drivers.SupplyState))
}

// The load takes nothing while the link is under its floor, and stops there.
func TestLoadFloor(t *testing.T) {
	c := still(config())
	b := open(t, c)
	connect(t, b)
	ctx, load := t.Context(), b.Set().Load
	_, err := load.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere})
	require.NoError(t, err)
	link := b.Truth().Link
	require.NoError(t, load.Set(ctx, drivers.Setpoint{On: true, Current: 10 * drivers.Ampere, Voltage: link + 500_000}))
	frames(b, drivers.Second)
	assert.Zero(t, b.Truth().Load)
	require.NoError(t, load.Set(ctx, drivers.Setpoint{On: true, Current: 10 * drivers.Ampere, Voltage: link / 2}))
	f := frames(b, drivers.Second)
	assert.InDelta(t, 10e6, float64(b.Truth().Load), 45_000)
	assert.InDelta(t, -10e6, float64(value(t, b, f, drivers.ModuleCurrent, 0)), 150_000, "discharge is negative")
	assert.InDelta(t, 10e6, float64(value(t, b, f, drivers.LoadCurrent, 0)), 120_000, "out of the link is positive")
}

// After silence of exactly the armed timeout the output goes off by itself.
func TestCommTimeoutToTheMicrosecond(t *testing.T) {
	c := still(config())
	c.Bench.Supply.Slew = 0 // at once
	b := open(t, c)
	charge(t, b)
	ctx, supply := t.Context(), b.Set().Supply
	_, err := supply.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere, CommTimeout: 1_234_567})
	require.NoError(t, err)
	heard := b.Now()
	b.Advance(heard.Add(1_234_566))
	assert.Positive(t, b.Truth().Supply)
	b.Advance(heard.Add(1_234_567))
	assert.Zero(t, b.Truth().Supply)
	r, err := supply.Read(ctx)
	require.NoError(t, err)
	b.Advance(b.Now().Add(c.Bench.Monitor.Period))
	r, err = supply.Read(ctx)
	require.NoError(t, err)
	assert.Equal(t, int32(drivers.PowerLeaseOut), r.State)
	err = supply.Set(ctx, drivers.Setpoint{On: true, Current: 1_000_000, Voltage: 95 * drivers.Volt})
	assert.ErrorIs(t, err, drivers.ErrLease)
}

// Precharge through R into C: v(t) = V(1 - exp(-t/RC)) (check values, section
// 5: 63.212056 % at one time constant, 95.021293 % at three), here with a bleed
// of 10 kOhm that takes 1 % of the final value. Frames come at the link period,
// the monitor goes on at its own.
func TestPrechargeAtLinkPeriod(t *testing.T) {
	c := still(config())
	c.Sensing.Ideal = true
	b := open(t, c)
	frames(b, drivers.Second)
	before := frames(b, drivers.Second)
	b.Fast(true)
	require.NoError(t, b.Set().Box.Switch(t.Context(), drivers.BoxNegative|drivers.BoxPrecharge))
	closed := until(t, b, 50*drivers.Millisecond, "precharge begins", func(x virtual.Truth) bool { return x.Current != 0 })
	v := b.Plant().Module().TerminalVoltage()
	const tau, share = 0.1 / 1.01, 1 / 1.01
	// Truth at one and three time constants, from the contact's closing.
	for _, x := range []struct{ n, want float64 }{{1, 0.63212056}, {3, 0.95021293}} {
		b.Advance(closed.Add(drivers.Span(x.n * tau * 1e6)))
		assert.InDelta(t, x.want, float64(b.Truth().Link)/1e6/v/share, 0.002, "%g tau", x.n)
	}
	var f drivers.Frame
	b.Frame(&f)
	start, beats, monitors := b.Now(), state(b, &f, drivers.BoxBeat), state(b, &f, drivers.MonitorBeat)
	n := int32(0)
	for b.Now() < start.Add(drivers.Second) {
		b.Advance(b.Next())
		if b.Frame(&f) {
			n++
		}
	}
	assert.InDelta(t, 200, n, 11, "frames in a second at 5 ms, and the monitor's own")
	assert.Equal(t, n, state(b, &f, drivers.BoxBeat)-beats)
	assert.InDelta(t, 10, state(b, &f, drivers.MonitorBeat)-monitors, 1)
	assert.Greater(t, state(b, &f, drivers.SupplyBeat), state(b, before, drivers.SupplyBeat)+150)
	assert.Equal(t, int32(drivers.BoxNegative|drivers.BoxPrecharge), state(b, &f, drivers.BoxState))
	b.Fast(false)
	at := b.Now()
	b.Advance(b.Next())
	b.Frame(&f)
	b.Advance(b.Next())
	assert.Equal(t, c.Bench.Monitor.Period, b.Now().Sub(at)-(b.Now().Sub(at)%c.Bench.Monitor.Period))
}

// The emergency stop opens everything whatever software says; its release
// energises nothing (INV-13).
func TestEmergencyStop(t *testing.T) {
	b := open(t, config())
	charge(t, b)
	b.PressEmergencyStop(true)
	f := frames(b, drivers.Second)
	assert.Equal(t, int32(drivers.BoxEmergencyStop), state(b, f, drivers.BoxState))
	assert.Zero(t, b.Truth().Current)
	err := b.Set().Box.Switch(t.Context(), drivers.BoxNegative)
	assert.ErrorIs(t, err, drivers.ErrRefused)
	b.PressEmergencyStop(false)
	f = frames(b, drivers.Second)
	assert.Zero(t, state(b, f, drivers.BoxState))
}

// Bleeding draws what Ohm's law says: 33 Ohm at 3.30 V is 0.100 A (check
// values, section 15); at a third of its charge the cell has a little less.
func TestBleedCurrent(t *testing.T) {
	c := still(config())
	b := open(t, c)
	require.NoError(t, b.Set().Monitor.Bleed(t.Context(), []int32{1 << 4, 0}))
	f := frames(b, drivers.Second)
	m := b.Plant().Module()
	assert.InEpsilon(t, m.Tap(4)/33, m.BleedCurrent(4), 1e-9)
	assert.InDelta(t, 0.1, m.BleedCurrent(4), 0.003)
	assert.Equal(t, int32(1<<4), f.Counts[b.Layout().Bleed(0)])
	frames(b, c.Bench.Monitor.BleedTimeout)
	assert.False(t, m.Bleeding(4), "nobody renewed the command")
}

func TestNewRefuses(t *testing.T) {
	for want, change := range map[string]func(*virtual.Config){
		"monitor has 0 cells":           func(c *virtual.Config) { c.Bench.Monitor.Cells = 0 },
		"article of 12 cells":           func(c *virtual.Config) { c.Article.Series = 12 },
		"do not fit into the monitor's": func(c *virtual.Config) { c.Bench.Monitor.Skew = drivers.Second },
		"link capacitance":              func(c *virtual.Config) { c.Bench.Box.LinkNF = 0 },
		"must be from 0 to 1":           func(c *virtual.Config) { c.Article.SoC = 1.2 },
		`chemistry "LTO" is unknown`:    func(c *virtual.Config) { c.Article.Chemistry = "LTO" },
		"the bench has 1 to 24":         func(c *virtual.Config) { c.Faults = []virtual.Fault{parse("tap-open cell=25")} },
		"the bench has 1 to 23":         func(c *virtual.Config) { c.Faults = []virtual.Fault{parse("taps-swapped cell=24")} },
		"the bench has 1 to 6":          func(c *virtual.Config) { c.Faults = []virtual.Fault{parse("temp-open sensor=7")} },
		"unknown fault":                 func(c *virtual.Config) { c.Faults = []virtual.Fault{{Kind: "gremlin"}} },
		"cell index 40":                 func(c *virtual.Config) { c.Article.Defects = []plant.Defect{{Kind: plant.WeakCell, Cell: 40}} },
	} {
		c := config()
		change(&c)
		_, err := virtual.New(c)
		if assert.Error(t, err, want) {
			assert.Contains(t, err.Error(), want)
		}
	}
}

func parse(s string) virtual.Fault {
	f, err := virtual.ParseFault(s)
	if err != nil {
		panic(err)
	}
	return f
}
