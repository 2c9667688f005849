package virtual_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// both lets time pass on the bench and on its twin.
func (x *faulty) both(d drivers.Span) {
	x.frame, x.twinFrame = frames(x.bench, d), frames(x.twin, d)
}

// sameTruth asserts that the physics is the healthy twin's, bit for bit.
func (x *faulty) sameTruth(why string) {
	x.t.Helper()
	assert.Equal(x.t, x.twin.Plant().AppendState(nil), x.bench.Plant().AppendState(nil), why)
}

// Whatever a sensor or a frame says, the truth stays as it is: only those who
// believe it change anything.
func TestSensorsAndFramesLeaveTheTruth(t *testing.T) {
	for _, info := range virtual.Faults() {
		if info.Class != virtual.ClassSensor && info.Class != virtual.ClassFrames {
			continue
		}
		f := info.Default
		f.When, f.For = virtual.Trigger{On: virtual.AfterStart, Span: 5 * drivers.Second}, 5*drivers.Second
		x := inject(t, f.String())
		x.sameTruth(info.Name)
		assert.False(t, x.bench.FaultStatus()[0].Active, info.Name)
		x.both(drivers.Second)
		if info.Default.Kind == virtual.MonitorSilent {
			x.others(x.bench.Layout().Find(drivers.MonitorBeat)) // it did not count
			continue
		}
		x.others() // over, and nothing of it is left
	}
}

func TestNoisyTap(t *testing.T) {
	x := inject(t, "tap-noisy cell=7 noise=20mV charging=5s for=1h")
	square := 0.0
	const n = 2000
	for range n {
		x.both(100 * drivers.Millisecond)
		x.others(6)
		d := float64(x.shift(drivers.CellVoltage, 6)) / 1e3
		square += d * d
	}
	// The deviation of a deviation over n draws is 1/sqrt(2n): five of them.
	assert.InDelta(t, 20, math.Sqrt(square/n), 20*5/math.Sqrt(2*n), "mV")
	x.sameTruth("noise is no voltage")
}

func TestDriftWithoutStep(t *testing.T) {
	for _, text := range []string{"tap-drifts cell=7 drift=-36V/h charging=5s", "tap-reads-low cell=7 offset=0V drift=-36V/h charging=5s"} {
		x := inject(t, text)
		for range 3 {
			x.both(2 * drivers.Second)
			since := float64(x.bench.Now().Sub(x.bench.FaultStatus()[0].Begin)) / 1e6
			assert.InDelta(t, -10_000*since, x.shift(drivers.CellVoltage, 6), 110, "%s: 10 mV/s", text)
			x.others(6)
		}
	}
}

func TestMonitorFaultsOfAllCells(t *testing.T) {
	cells := make([]int, 24)
	for k := range cells {
		cells[k] = k
	}
	x := inject(t, "scale-wrong gain=-2% charging=5s")
	for k := range cells {
		v := value(t, x.twin, x.twinFrame, drivers.CellVoltage, k)
		assert.InDelta(t, -0.02*float64(v), x.shift(drivers.CellVoltage, k), 150, "cell %d", k+1)
	}
	x.others(cells...)

	x = inject(t, "reference-drifts gain-drift=36%/h charging=5s for=1min")
	since := float64(x.bench.Now().Sub(x.bench.FaultStatus()[0].Begin)) / 1e6
	for k := range cells {
		v := value(t, x.twin, x.twinFrame, drivers.CellVoltage, k)
		assert.InDelta(t, 1e-4*since*float64(v), x.shift(drivers.CellVoltage, k), 150, "cell %d: 100 ppm/s", k+1)
	}
	x.others(cells...)
	x.both(drivers.Minute)
	x.others()
}

func TestCurrentSaturates(t *testing.T) {
	for device, kind := range map[string]drivers.Kind{
		"monitor": drivers.ModuleCurrent, "box": drivers.BoxCurrent, "supply": drivers.SupplyCurrent,
	} {
		at := open(t, config()).Layout().Find(kind)
		x := inject(t, "current-saturates limit=15A charging=5s device="+device)
		assert.InDelta(t, 15e6, value(t, x.bench, x.frame, kind, 0), 100_000, device)
		x.others(at)
		assert.InDelta(t, 20e6, float64(x.bench.Truth().Current), 100_000, device)
		for _, b := range []*virtual.Bench{x.bench, x.twin} {
			require.NoError(t, b.Set().Supply.Set(t.Context(), drivers.Setpoint{On: true, Current: 12 * drivers.Ampere, Voltage: 88 * drivers.Volt}))
		}
		x.both(2 * drivers.Second)
		x.others() // under its limit it reads as it always did
	}
	x := inject(t, "current-reversed charging=5s")
	require.NoError(t, x.bench.Inject(parse("current-saturates limit=15A after=0s")))
	x.both(drivers.Second)
	assert.InDelta(t, -15e6, value(t, x.bench, x.frame, drivers.ModuleCurrent, 0), 100_000, "in both directions")
}

func TestFramesDoubledAndReordered(t *testing.T) {
	beats := func(x *faulty, n int) (list []int32, at []drivers.Instant) {
		var f drivers.Frame
		for range n {
			x.bench.Advance(x.bench.Next())
			for x.bench.Next() == x.bench.Now() {
				if x.bench.Frame(&f) {
					list = append(list, state(x.bench, &f, drivers.MonitorBeat))
					at = append(at, f.At)
				}
			}
		}
		return list, at
	}
	x := inject(t, "frames-doubled rate=100% charging=5s for=20s")
	beats(x, 1) // the second of the frame that was fetched last
	first := x.count(drivers.MonitorBeat, 0)
	got, at := beats(x, 3)
	assert.Equal(t, []int32{first + 1, first + 1, first + 2, first + 2, first + 3, first + 3}, got)
	assert.Equal(t, at[0], at[1])
	assert.Equal(t, at[0].Add(100*drivers.Millisecond), at[2])
	beats(x, 200)
	got, _ = beats(x, 10)
	assert.Len(t, got, 10, "over")

	x = inject(t, "frames-doubled rate=30% charging=5s")
	got, _ = beats(x, 1000)
	assert.InDelta(t, 1300, len(got), 60, "four standard deviations")

	x = inject(t, "frames-reordered rate=100% charging=5s for=20s")
	beats(x, 1) // either the first of a pair or the second
	got, _ = beats(x, 5)
	if len(got)%2 == 0 {
		first = got[1]
		assert.Equal(t, []int32{first + 1, first, first + 3, first + 2}, got)
	} else {
		assert.Len(t, got, 6)
		first = got[1]
		assert.Equal(t, []int32{first + 1, first, first + 3, first + 2, first + 5, first + 4}, got)
	}
	beats(x, 200)
	got, _ = beats(x, 10)
	assert.True(t, slices.IsSorted(got), "over: %v", got)
	assert.Len(t, got, 10)

	// Several ways of going wrong at once lose or double no more than they say.
	x = inject(t, "frames-reordered rate=10% charging=5s")
	require.NoError(t, x.bench.Inject(parse("frames-doubled rate=20% after=0s")))
	got, _ = beats(x, 1000)
	// A frame that is held back or overtakes is not doubled: 1000*(1-2*10/110)*20 %.
	assert.InDelta(t, 1164, len(got), 60)
}

func TestFramesHalfFilled(t *testing.T) {
	x := inject(t, "frames-half-empty rate=100% share=50% charging=5s for=30s")
	last := make([]int, 15)
	for k := range last {
		last[k] = 15 + k // of 24 cells and 6 temperatures
		assert.Equal(t, drivers.NoReading, x.frame.Counts[15+k])
	}
	x.others(last...)
	var r drivers.MonitorReading
	require.NoError(t, x.bench.Set().Monitor.Read(t.Context(), &r))
	assert.Equal(t, drivers.NoReading, r.Cells[23], "its driver says no other")
	x.both(drivers.Minute)
	x.others()

	x = inject(t, "frames-half-old rate=100% share=50% charging=5s for=6min")
	before := slices.Clone(x.frame.Counts)
	x.both(5 * drivers.Minute)
	assert.Equal(t, before[15:30], x.frame.Counts[15:30])
	assert.NotEqual(t, before[:15], x.frame.Counts[:15])
	x.others(last...)
	x.both(2 * drivers.Minute)
	x.others()

	x = inject(t, "frames-half-empty rate=10% share=1% charging=5s")
	missing := 0
	for range 1000 {
		x.both(100 * drivers.Millisecond)
		x.others(29)
		if x.frame.Counts[29] == drivers.NoReading {
			missing++
		}
	}
	assert.InDelta(t, 100, missing, 40, "four standard deviations; a share of one channel at least")
}

func TestTimeSteps(t *testing.T) {
	for _, step := range []drivers.Span{5 * drivers.Second, -5 * drivers.Second} {
		x := inject(t, fmt.Sprintf("time-steps step=%dus charging=5s for=20s", step))
		assert.Equal(t, x.bench.Now().Add(step), x.frame.At)
		assert.Equal(t, x.twinFrame.Counts, x.frame.Counts)
		x.both(20 * drivers.Second)
		assert.Equal(t, x.bench.Now(), x.frame.At, "it steps again when it is over")
	}
}

func TestDriverReconnects(t *testing.T) {
	x := inject(t, "driver-reconnects device=supply charging=5s for=20s")
	supply := x.bench.Set().Supply
	assert.ErrorIs(t, supply.Halt(t.Context()), drivers.ErrNoAnswer)
	assert.InDelta(t, 20e6, float64(x.bench.Truth().Current), 50_000, "the output goes on")
	x.both(20 * drivers.Second)
	assert.Less(t, x.count(drivers.SupplyBeat, 0), int32(150), "counted anew")
	require.NoError(t, supply.Halt(t.Context()))
	x.both(drivers.Second)
	assert.InDelta(t, 0, float64(x.bench.Truth().Current), 50_000)
}

// A device that browned out has stopped and knows nothing of it.
func TestSetupLost(t *testing.T) {
	ctx := t.Context()
	x := inject(t, "setup-lost device=supply charging=5s")
	assert.Zero(t, x.bench.Truth().Supply)
	assert.Zero(t, x.count(drivers.SupplyState, 0), "no word of it")
	assert.Less(t, x.count(drivers.SupplyBeat, 0), x.twinFrame.Counts[x.twin.Layout().Find(drivers.SupplyBeat)])
	supply, point := x.bench.Set().Supply, drivers.Setpoint{On: true, Current: 5 * drivers.Ampere, Voltage: 88 * drivers.Volt}
	assert.ErrorIs(t, supply.Set(ctx, point), drivers.ErrRefused, "not armed")
	_, err := supply.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere})
	require.NoError(t, err)
	require.NoError(t, supply.Set(ctx, point))
	x.both(drivers.Second)
	assert.InDelta(t, 5e6, float64(x.bench.Truth().Current), 50_000)

	x = inject(t, "setup-lost device=box charging=5s")
	assert.Zero(t, x.bench.Plant().Contacts())
	assert.Zero(t, x.count(drivers.BoxState, 0))
	require.NoError(t, x.bench.Set().Box.Switch(ctx, drivers.BoxNegative))

	x = inject(t, "setup-lost device=supply charging=5s")
	require.NoError(t, x.bench.Set().Monitor.Bleed(ctx, []int32{1, 0}))
	x.both(drivers.Second)
	require.True(t, x.bench.Plant().Module().Bleeding(0))
	require.NoError(t, x.bench.Inject(parse("setup-lost device=monitor after=0s")))
	x.both(5 * drivers.Second)
	assert.False(t, x.bench.Plant().Module().Bleeding(0))
	assert.Less(t, x.count(drivers.MonitorBeat, 0), int32(80))
}

// With open sense leads the link is held too high by the offset and too low by
// the leads' drop; the supply reads what it believes.
func TestSenseOpen(t *testing.T) {
	hold := func(text string) (x *faulty, bound float64) {
		c := config()
		c.Sensing.Ideal = true
		x = &faulty{t: t, twin: open(t, c)}
		c.Faults = []virtual.Fault{parse(text)}
		x.bench = open(t, c)
		charge(t, x.bench)
		charge(t, x.twin)
		v := x.twin.Truth().Link - 200_000
		v -= v % c.Bench.Supply.VoltageStep
		for _, b := range []*virtual.Bench{x.bench, x.twin} {
			require.NoError(t, b.Set().Supply.Set(t.Context(), drivers.Setpoint{On: true, Current: 20 * drivers.Ampere, Voltage: v}))
		}
		x.both(10 * drivers.Second)
		require.InDelta(t, float64(v), float64(x.twin.Truth().Link), 2_000, "the twin holds its voltage")
		return x, float64(v)
	}
	x, bound := hold("sense-open offset=100mV resistance=1uOhm charging=1s")
	assert.InDelta(t, bound+100_000, float64(x.bench.Truth().Link), 2_000)
	assert.InDelta(t, bound, value(t, x.bench, x.frame, drivers.SupplyVoltage, 0), 10_000)
	assert.Greater(t, x.bench.Truth().Current, x.twin.Truth().Current)

	x, bound = hold("sense-open offset=0V resistance=20mOhm charging=1s for=1min")
	current := float64(x.bench.Truth().Supply)
	assert.Greater(t, current, 3e6)
	assert.InDelta(t, bound-0.02*current, float64(x.bench.Truth().Link), 4_000)
	assert.InDelta(t, bound, value(t, x.bench, x.frame, drivers.SupplyVoltage, 0), 14_000)
	assert.Less(t, x.bench.Truth().Current, x.twin.Truth().Current)
	x.both(drivers.Minute)
	assert.InDelta(t, bound, float64(x.bench.Truth().Link), 2_000, "mended")
}

func TestSupplyDrains(t *testing.T) {
	x := inject(t, "supply-drains current=500mA charging=5s for=1min")
	x.sameTruth("a supply that is on gives, and takes nothing")
	require.NoError(t, x.bench.Set().Supply.Halt(t.Context()))
	require.NoError(t, x.twin.Set().Supply.Halt(t.Context()))
	x.both(2 * drivers.Second)
	// The link's own bleed draws a few mA on both.
	assert.InDelta(t, -500_000, float64(x.bench.Truth().Current-x.twin.Truth().Current), 20_000)
	assert.InDelta(t, -500_000, float64(x.bench.Truth().Supply), 20_000)
	assert.InDelta(t, 0, value(t, x.bench, x.frame, drivers.SupplyCurrent, 0), 80_000, "it does not know")
	assert.InDelta(t, -500_000, value(t, x.bench, x.frame, drivers.ModuleCurrent, 0), 150_000)
	x.both(drivers.Minute)
	assert.Zero(t, x.bench.Truth().Supply)
	assert.InDelta(t, float64(x.twin.Truth().Current), float64(x.bench.Truth().Current), 1_000)
}

// drawing is a bench that discharges with 10 A.
func drawing(t *testing.T, faults ...string) *virtual.Bench {
	t.Helper()
	c := config()
	for _, text := range faults {
		c.Faults = append(c.Faults, parse(text))
	}
	b := open(t, c)
	connect(t, b)
	load := b.Set().Load
	_, err := load.Arm(t.Context(), drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere})
	require.NoError(t, err)
	require.NoError(t, load.Set(t.Context(), drivers.Setpoint{On: true, Current: 10 * drivers.Ampere, Voltage: 60 * drivers.Volt}))
	frames(b, 2*drivers.Second)
	require.InDelta(t, -10e6, float64(b.Truth().Current), 60_000)
	return b
}

func TestLoadLosesItsMains(t *testing.T) {
	b := drawing(t, "load-dies discharging=5s for=1min")
	began := until(t, b, 10*drivers.Second, "10 A end", func(x virtual.Truth) bool { return x.Load == 0 })
	f := frames(b, drivers.Second)
	assert.LessOrEqual(t, b.Truth().Since.Sub(began), 2*drivers.Millisecond, "from one moment to the next, but for the link's charge")
	assert.Zero(t, b.Truth().Load)
	assert.Equal(t, int32(drivers.PowerFault), state(b, f, drivers.LoadState))
	point := drivers.Setpoint{On: true, Current: 10 * drivers.Ampere, Voltage: 60 * drivers.Volt}
	assert.ErrorIs(t, b.Set().Load.Set(t.Context(), point), drivers.ErrRefused)
	f = frames(b, began.Add(61*drivers.Second).Sub(b.Now()))
	assert.Zero(t, state(b, f, drivers.LoadState), "mains are back, and the input stays off")
	assert.Zero(t, b.Truth().Load)

	b = drawing(t, "load-shorts resistance=4Ohm discharging=5s for=1min")
	frames(b, 5*drivers.Second)
	require.NoError(t, b.Set().Load.Halt(t.Context()))
	f = frames(b, 10*drivers.Second)
	want := float64(b.Truth().Link) / 4
	assert.InDelta(t, -want, float64(b.Truth().Current), 0.01*want, "no command helps")
	assert.InDelta(t, -want, value(t, b, f, drivers.ModuleCurrent, 0), 0.02*want)
	assert.InDelta(t, 0, value(t, b, f, drivers.LoadCurrent, 0), 80_000, "the load's own meter sees nothing")

	// Beside a second path each counts, and the end of one leaves the other.
	require.NoError(t, b.Inject(parse("link-short resistance=4Ohm after=0s for=5s")))
	frames(b, drivers.Second)
	assert.InDelta(t, -2*want, float64(b.Truth().Current), 0.03*2*want)
	frames(b, 10*drivers.Second)
	assert.InDelta(t, -want, float64(b.Truth().Current), 0.02*want)
	require.NoError(t, b.Set().Box.Halt(t.Context()))
	frames(b, drivers.Second)
	assert.Zero(t, b.Truth().Current, "contactors do")
}

// watcher notes when the main contacts change.
type watcher struct {
	last    plant.Contacts
	changes []drivers.Instant
}

func (w *watcher) Stepped(b *virtual.Bench) {
	if c := b.Plant().Contacts(); c != w.last {
		w.last = c
		w.changes = append(w.changes, b.Now())
	}
}
func (*watcher) Swept(*virtual.Bench) {}

func TestContactorBounces(t *testing.T) {
	run := func(faults ...virtual.Fault) (*watcher, int) {
		c := config()
		c.Faults = faults
		b := open(t, c)
		w := &watcher{}
		b.Observe(w)
		require.NoError(t, b.Set().Box.Switch(t.Context(), drivers.BoxNegative))
		frames(b, drivers.Second)
		b.Fast(true)
		w.changes = nil
		require.NoError(t, b.Set().Box.Switch(t.Context(), drivers.BoxNegative|drivers.BoxPositive))
		var f drivers.Frame
		open, closed := 0, false
		for end := b.Now().Add(drivers.Second); b.Now() < end; {
			b.Advance(b.Next())
			if b.Frame(&f) {
				on := state(b, &f, drivers.BoxState)&drivers.BoxPositive != 0
				if closed && !on {
					open++
				}
				closed = closed || on
			}
		}
		assert.True(t, b.Plant().Contacts().Positive, "it comes to rest closed")
		require.NoError(t, b.Set().Box.Halt(t.Context()))
		frames(b, drivers.Second)
		assert.False(t, b.Plant().Contacts().Positive, "and opens")
		return w, open
	}
	healthy, open := run()
	assert.Len(t, healthy.changes, 3, "it closes; both open")
	assert.Zero(t, open)
	w, open := run(parse("contactor-bounces bounce=100ms"))
	closing := w.changes[:len(w.changes)-2]
	assert.Equal(t, 1, len(closing)%2)
	assert.Greater(t, len(closing), 100/3)
	assert.LessOrEqual(t, closing[len(closing)-1].Sub(closing[0]), 100*drivers.Millisecond)
	assert.Greater(t, closing[len(closing)-1].Sub(closing[0]), 90*drivers.Millisecond)
	assert.Greater(t, open, 3, "seen by the auxiliary contact, every 5 ms")
	over, _ := run(parse("contactor-bounces bounce=100ms for=500ms after=0s"))
	assert.Len(t, over.changes, 3, "over before it closed")
}

// Two faults of one thing add up, and the end of one leaves the other.
func TestFaultsOfOneThing(t *testing.T) {
	x := inject(t, "tap-open cell=3 charging=5s")
	require.NoError(t, x.bench.Inject(parse("tap-open cell=3 after=0s for=5s")))
	x.both(10 * drivers.Second)
	assert.Equal(t, drivers.NoReading, x.count(drivers.CellVoltage, 2))

	x = inject(t, "current-reversed charging=5s for=30s")
	require.NoError(t, x.bench.Inject(parse("current-gain gain=10% after=0s for=1min")))
	x.both(drivers.Second)
	assert.InDelta(t, -22e6, value(t, x.bench, x.frame, drivers.ModuleCurrent, 0), 100_000)
	x.both(30 * drivers.Second)
	assert.InDelta(t, 22e6, value(t, x.bench, x.frame, drivers.ModuleCurrent, 0), 100_000)
	x.both(drivers.Minute)
	x.others()

	x = inject(t, "cell-leaks cell=2 current=2A charging=5s")
	require.NoError(t, x.bench.Inject(parse("cell-leaks cell=2 current=1A after=0s for=10s")))
	leaked := func(d drivers.Span) float64 {
		before := x.twin.Plant().Module().Charge(1) - x.bench.Plant().Module().Charge(1)
		x.both(d)
		return x.twin.Plant().Module().Charge(1) - x.bench.Plant().Module().Charge(1) - before
	}
	assert.InDelta(t, 3*8, leaked(8*drivers.Second), 0.5, "C")
	x.both(3 * drivers.Second)
	assert.InDelta(t, 2*8, leaked(8*drivers.Second), 0.5)

	x = inject(t, "frames-late delay=2s charging=5s")
	require.NoError(t, x.bench.Inject(parse("frames-late delay=1s after=0s for=10s")))
	x.both(5 * drivers.Second)
	late := func() int32 {
		return state(x.twin, x.twinFrame, drivers.MonitorBeat) - x.count(drivers.MonitorBeat, 0)
	}
	assert.EqualValues(t, 30, late())
	x.both(10 * drivers.Second)
	assert.EqualValues(t, 20, late())

	x = inject(t, "emergency-stop charging=5s")
	require.NoError(t, x.bench.Inject(parse("emergency-stop after=0s for=1s")))
	x.both(3 * drivers.Second)
	assert.ErrorIs(t, x.bench.Set().Box.Switch(context.Background(), drivers.BoxNegative), drivers.ErrRefused)
}
