package virtual_test

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// faulty is a bench under steady charge with one fault, ten seconds after the
// fault began, beside its healthy twin at the same instant.
type faulty struct {
	t                *testing.T
	bench, twin      *virtual.Bench
	frame, twinFrame *drivers.Frame
}

func inject(t *testing.T, text string) *faulty {
	t.Helper()
	f, err := virtual.ParseFault(text)
	require.NoError(t, err)
	c := config()
	x := &faulty{t: t, twin: open(t, c)}
	c.Faults = []virtual.Fault{f}
	x.bench = open(t, c)
	charge(t, x.bench)
	charge(t, x.twin)
	x.frame, x.twinFrame = frames(x.bench, 15*drivers.Second), frames(x.twin, 15*drivers.Second)
	s := x.bench.FaultStatus()
	require.Len(t, s, 1)
	require.True(t, s[0].Began, "%s did not begin", text)
	return x
}

func (x *faulty) cell() int { return x.bench.FaultStatus()[0].Fault.Cell }

// shift is how far a channel reads from the twin's.
func (x *faulty) shift(k drivers.Kind, index int) int64 {
	x.t.Helper()
	return value(x.t, x.bench, x.frame, k, index) - value(x.t, x.twin, x.twinFrame, k, index)
}

func (x *faulty) count(k drivers.Kind, index int) int32 {
	return x.frame.Counts[x.bench.Layout().Find(k)+index]
}

// others asserts that every channel but some reads as the twin's does: a fault
// in one place must not move another's noise.
func (x *faulty) others(but ...int) {
	x.t.Helper()
	for i, ch := range x.bench.Layout().Channels {
		skip := false
		for _, b := range but {
			skip = skip || i == b
		}
		if !skip {
			assert.Equal(x.t, x.twinFrame.Counts[i], x.frame.Counts[i], ch.Name())
		}
	}
}

func TestSensorFaults(t *testing.T) {
	l := open(t, config()).Layout()

	x := inject(t, "tap-reads-low cell=7 offset=-80mV charging=5s")
	assert.InDelta(t, -80_000, x.shift(drivers.CellVoltage, 6), 100)
	x.others(6)

	x = inject(t, "tap-reads-low cell=7 offset=0V drift=-36V/h charging=5s")
	begun := x.bench.FaultStatus()[0].Begin
	assert.InDelta(t, -10_000*float64(x.bench.Now().Sub(begun))/1e6, x.shift(drivers.CellVoltage, 6), 110, "10 mV/s")
	x.others(6)

	x = inject(t, "tap-open cell=24 charging=5s")
	assert.Equal(t, drivers.NoReading, x.count(drivers.CellVoltage, 23))
	x.others(23)

	x = inject(t, "taps-swapped cell=3 charging=5s")
	assert.Equal(t, x.twinFrame.Counts[2], x.frame.Counts[3])
	assert.Equal(t, x.twinFrame.Counts[3], x.frame.Counts[2])
	x.others(2, 3)

	x = inject(t, "sensor-freezes cell=9 charging=5s")
	stuck := x.count(drivers.CellVoltage, 8)
	x.others(8)
	later := frames(x.bench, 5*drivers.Minute)
	assert.Equal(t, stuck, later.Counts[8])
	assert.NotEqual(t, x.frame.Counts[7], later.Counts[7])

	x = inject(t, "temp-open sensor=2 charging=5s")
	assert.Equal(t, drivers.NoReading, x.count(drivers.Temperature, 1))
	x.others(l.Temp(1))

	x = inject(t, "temp-short sensor=2 charging=5s")
	assert.Greater(t, value(t, x.bench, x.frame, drivers.Temperature, 1), int64(drivers.ZeroC)+200_000)
	x.others(l.Temp(1))

	x = inject(t, "temp-stuck sensor=1 charging=5s")
	assert.Equal(t, x.count(drivers.Temperature, 0), frames(x.bench, drivers.Minute).Counts[l.Temp(0)])

	x = inject(t, "temp-reads-low temp=-15K charging=5s")
	assert.InDelta(t, -15_000, x.shift(drivers.Temperature, 0), 100)
	x.others(l.Temp(0))

	x = inject(t, "meter-reads-off offset=-2V charging=5s")
	assert.InDelta(t, -2_000_000, x.shift(drivers.ModuleVoltage, 0), 2000)
}

func TestCurrentFaults(t *testing.T) {
	for device, kind := range map[string]drivers.Kind{
		"monitor": drivers.ModuleCurrent, "box": drivers.BoxCurrent, "supply": drivers.SupplyCurrent,
	} {
		at := open(t, config()).Layout().Find(kind)
		x := inject(t, "current-offset current=2A charging=5s device="+device)
		assert.InDelta(t, 2e6, x.shift(kind, 0), 20_000, device)
		x.others(at)

		x = inject(t, "current-gain gain=-20% charging=5s device="+device)
		assert.InDelta(t, -4e6, x.shift(kind, 0), 100_000, device)
		x.others(at)

		x = inject(t, "current-reversed charging=5s device="+device)
		assert.InDelta(t, -20e6, value(t, x.bench, x.frame, kind, 0), 500_000, device)
		x.others(at)
	}
}

func TestFrameFaults(t *testing.T) {
	x := inject(t, "frames-stop charging=5s")
	x.bench.Advance(x.bench.Next())
	assert.False(t, x.bench.Frame(&drivers.Frame{}))
	x.twin.Advance(x.twin.Next())
	assert.True(t, x.twin.Frame(&drivers.Frame{}))

	x = inject(t, "frames-repeat charging=5s for=20s")
	f := frames(x.bench, drivers.Second)
	assert.Equal(t, x.frame.Counts, f.Counts)
	assert.Greater(t, f.At, x.frame.At, "the frame arrives anew each time")
	f = frames(x.bench, 20*drivers.Second)
	assert.Greater(t, state(x.bench, f, drivers.MonitorBeat), state(x.bench, x.frame, drivers.MonitorBeat)+150, "over after 20 s")

	x = inject(t, "frames-late delay=3s charging=5s")
	assert.EqualValues(t, 30, state(x.twin, x.twinFrame, drivers.MonitorBeat)-x.count(drivers.MonitorBeat, 0), "frames of 100 ms")

	x = inject(t, "frames-lost rate=30% charging=5s")
	lost := 0
	for range 1000 {
		x.bench.Advance(x.bench.Next())
		if !x.bench.Frame(f) {
			lost++
		}
	}
	assert.InDelta(t, 300, lost, 60, "of 1000; four standard deviations")

	x = inject(t, "monitor-silent charging=5s")
	f = frames(x.bench, drivers.Second)
	assert.Equal(t, x.count(drivers.MonitorBeat, 0), state(x.bench, f, drivers.MonitorBeat))
	assert.Equal(t, x.frame.Counts[:24], f.Counts[:24])
	assert.Greater(t, state(x.bench, f, drivers.SupplyBeat), x.count(drivers.SupplyBeat, 0))
	assert.ErrorIs(t, x.bench.Set().Monitor.Halt(t.Context()), drivers.ErrNoAnswer)

	x = inject(t, "readings-missing charging=5s")
	for i := range 30 {
		assert.Equal(t, drivers.NoReading, x.frame.Counts[i])
	}
	assert.Equal(t, drivers.NoReading, x.count(drivers.ModuleCurrent, 0))
	assert.Equal(t, x.twinFrame.Counts[x.twin.Layout().Find(drivers.MonitorBeat)], x.count(drivers.MonitorBeat, 0))
}

func TestDriverHangs(t *testing.T) {
	ctx := t.Context()
	x := inject(t, "driver-hangs device=supply charging=5s")
	supply := x.bench.Set().Supply
	assert.ErrorIs(t, supply.Halt(ctx), drivers.ErrNoAnswer)
	assert.ErrorIs(t, supply.Set(ctx, drivers.Setpoint{}), drivers.ErrNoAnswer)
	f := frames(x.bench, 10*drivers.Second)
	assert.Equal(t, x.count(drivers.SupplyBeat, 0), state(x.bench, f, drivers.SupplyBeat))
	assert.InDelta(t, 20e6, float64(x.bench.Truth().Current), 50_000, "the output goes on")

	// A box that nobody reaches misses its heartbeat and drops out by itself.
	x = inject(t, "driver-hangs device=box charging=5s")
	assert.Zero(t, x.bench.Truth().Current)
	assert.Zero(t, x.bench.Plant().Contacts())
}

func TestInstrumentFaults(t *testing.T) {
	ctx := t.Context()
	lower := drivers.Setpoint{On: true, Current: 5 * drivers.Ampere, Voltage: 95 * drivers.Volt}
	current := func(x *faulty) float64 { return float64(x.bench.Truth().Current) / 1e6 }
	command := func(x *faulty, do func(context.Context) error) float64 {
		t.Helper()
		require.NoError(t, do(ctx))
		frames(x.bench, drivers.Second)
		return current(x)
	}

	x := inject(t, "supply-ignores-setdown charging=5s")
	supply := x.bench.Set().Supply
	assert.InDelta(t, 20, command(x, func(ctx context.Context) error { return supply.Set(ctx, lower) }), 0.05)
	assert.InDelta(t, 0, command(x, supply.Halt), 0.05, "off works")

	x = inject(t, "supply-ignores-off charging=5s")
	supply = x.bench.Set().Supply
	assert.InDelta(t, 20, command(x, supply.Halt), 0.05)
	assert.InDelta(t, 5, command(x, func(ctx context.Context) error { return supply.Set(ctx, lower) }), 0.05)

	x = inject(t, "commands-ignored charging=5s")
	supply = x.bench.Set().Supply
	assert.InDelta(t, 20, command(x, func(ctx context.Context) error { return supply.Set(ctx, lower) }), 0.05)
	assert.InDelta(t, 20, command(x, supply.Halt), 0.05)
	assert.InDelta(t, 0, command(x, x.bench.Set().Box.Halt), 0.001, "the contactors are the way out")

	x = inject(t, "supply-overdelivers current=5A charging=5s")
	assert.InDelta(t, 25, current(x), 0.06)
	assert.InDelta(t, 20e6, value(t, x.bench, x.frame, drivers.SupplyCurrent, 0), 200_000, "and does not know it")
	assert.InDelta(t, 25e6, value(t, x.bench, x.frame, drivers.ModuleCurrent, 0), 300_000)

	x = inject(t, "supply-overdelivers current=0A gain=10% charging=5s")
	assert.InDelta(t, 22, current(x), 0.06)

	x = inject(t, "supply-dies charging=5s")
	assert.InDelta(t, 0, current(x), 0.05)
	assert.EqualValues(t, drivers.PowerFault, x.count(drivers.SupplyState, 0))
	assert.ErrorIs(t, x.bench.Set().Supply.Set(ctx, lower), drivers.ErrRefused)

	x = inject(t, "supply-ignores-voltage charging=5s")
	under := drivers.Setpoint{On: true, Current: 20 * drivers.Ampere, Voltage: 40 * drivers.Volt}
	supply = x.bench.Set().Supply
	assert.InDelta(t, 20, command(x, func(ctx context.Context) error { return supply.Set(ctx, under) }), 0.05)
	supply = x.twin.Set().Supply
	require.NoError(t, supply.Set(ctx, under))
	frames(x.twin, drivers.Second)
	assert.Zero(t, x.twin.Truth().Supply, "the healthy twin gives nothing above its bound")
}

func TestLoadFaults(t *testing.T) {
	ctx := t.Context()
	for text, want := range map[string][2]float64{ // before and after a halt, A
		"load-ignores-off discharging=5s":             {-10, -10},
		"load-overdraws current=3A discharging=5s":    {-13, 0},
		"load-overdraws current=0A gain=20% after=0s": {-12, 0},
		"commands-ignored device=load discharging=5s": {-10, -10},
	} {
		c := config()
		c.Faults = []virtual.Fault{parse(text)}
		b := open(t, c)
		connect(t, b)
		load := b.Set().Load
		_, err := load.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere})
		require.NoError(t, err)
		require.NoError(t, load.Set(ctx, drivers.Setpoint{On: true, Current: 10 * drivers.Ampere, Voltage: 60 * drivers.Volt}))
		frames(b, 10*drivers.Second)
		assert.InDelta(t, want[0], float64(b.Truth().Current)/1e6, 0.1, text)
		require.NoError(t, load.Halt(ctx))
		frames(b, drivers.Second)
		assert.InDelta(t, want[1], float64(b.Truth().Current)/1e6, 0.1, text)
	}
}

func TestBoxFaults(t *testing.T) {
	ctx := t.Context()
	// A weld shows after opening: the contact stays, and the feedback says so.
	x := inject(t, "contactor-welded contactor=positive charging=5s")
	require.NoError(t, x.bench.Set().Supply.Halt(ctx))
	require.NoError(t, x.bench.Set().Box.Halt(ctx))
	f := frames(x.bench, drivers.Second)
	assert.Equal(t, plant.Contacts{Positive: true}, x.bench.Plant().Contacts())
	assert.EqualValues(t, drivers.BoxPositive, state(x.bench, f, drivers.BoxState))

	x = inject(t, "emergency-stop charging=5s")
	assert.EqualValues(t, drivers.BoxEmergencyStop, x.count(drivers.BoxState, 0))
	assert.Zero(t, x.bench.Truth().Current)

	for text, want := range map[string]struct {
		state    int32
		link, at float64
	}{
		"contactor-stuck contactor=precharge":          {drivers.BoxNegative, 0, 1},
		"contactor-stuck contactor=negative":           {drivers.BoxPrecharge, 0, 1},
		"precharge-open":                               {drivers.BoxNegative | drivers.BoxPrecharge, 0, 1},
		"link-short resistance=0.1Ohm":                 {drivers.BoxNegative | drivers.BoxPrecharge, 0.001, 1},
		"link-short resistance=0.1Ohm precharge=500ms": {drivers.BoxNegative | drivers.BoxPrecharge, 0.001, 1},
		"frames-lost rate=0ppm":                        {drivers.BoxNegative | drivers.BoxPrecharge, 0.99, 1}, // healthy
	} {
		c := config()
		c.Faults = []virtual.Fault{parse(text)}
		b := open(t, c)
		frames(b, drivers.Second)
		require.NoError(t, b.Set().Box.Switch(ctx, drivers.BoxNegative|drivers.BoxPrecharge))
		f := frames(b, drivers.Second)
		assert.Equal(t, want.state, state(b, f, drivers.BoxState), text)
		v := b.Plant().Module().TerminalVoltage()
		assert.InDelta(t, want.link, float64(b.Truth().Link)/1e6/v, 0.003, text)
	}
}

func TestArticleFaults(t *testing.T) {
	x := inject(t, "bleed-stuck cell=5 charging=5s")
	assert.True(t, x.bench.Plant().Module().Bleeding(4))
	assert.Zero(t, x.frame.Counts[x.bench.Layout().Bleed(0)], "the monitor does not know")

	x = inject(t, "bleed-open cell=5 charging=5s")
	require.NoError(t, x.bench.Set().Monitor.Bleed(t.Context(), []int32{1 << 4, 0}))
	f := frames(x.bench, drivers.Second)
	assert.False(t, x.bench.Plant().Module().Bleeding(4))
	assert.EqualValues(t, 1<<4, f.Counts[x.bench.Layout().Bleed(0)], "the monitor does not know")

	// 60 W in a group of two cells of 450 J/K between neighbours at 3 W/K each:
	// 10 K*(1 - exp(-t/150 s)), while the neighbours are still cold.
	x = inject(t, "cell-overheats power=60W charging=5s for=70s")
	k := x.cell()
	assert.Equal(t, x.bench.SensorCell(3), k, "beside a sensor, or nobody would see it")
	since := float64(x.bench.Now().Sub(x.bench.FaultStatus()[0].Begin)) / 1e6
	before := x.bench.Plant().Module().Kelvin(k)
	frames(x.bench, drivers.Minute)
	rise := x.bench.Plant().Module().Kelvin(k) - before
	assert.InDelta(t, 10*(math.Exp(-since/150)-math.Exp(-(since+60)/150)), rise, 0.15)
	frames(x.bench, drivers.Minute)
	assert.Less(t, x.bench.Plant().Module().Kelvin(k)-before, rise, "over after 70 s: the heat spreads")

	// 2 A of leak in a group for 10 s is 20 C less charge.
	x = inject(t, "cell-leaks cell=2 current=2A charging=5s")
	m, twin := x.bench.Plant().Module(), x.twin.Plant().Module()
	leaked := float64(x.bench.Now().Sub(x.bench.FaultStatus()[0].Begin)) / 1e6 * 2
	assert.InDelta(t, leaked, twin.Charge(1)-m.Charge(1), 0.3)
	assert.InDelta(t, 0, twin.Charge(2)-m.Charge(2), 0.01)
}

// Every fault of the catalogue can be configured as it stands and begins in a
// charge followed by a discharge.
func TestDefaultsBegin(t *testing.T) {
	for _, info := range virtual.Faults() {
		c := config()
		c.Faults = []virtual.Fault{info.Default}
		b := open(t, c)
		charge(t, b)
		limit := b.Now().Add(11 * drivers.Minute)
		if info.Default.When.On == virtual.AfterDischarging {
			ctx, set := t.Context(), b.Set()
			require.NoError(t, set.Supply.Halt(ctx))
			_, err := set.Load.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere})
			require.NoError(t, err)
			frames(b, drivers.Second)
			require.NoError(t, set.Load.Set(ctx, drivers.Setpoint{On: true, Current: 10 * drivers.Ampere, Voltage: 60 * drivers.Volt}))
		}
		var f drivers.Frame
		for b.Now() < limit && !b.FaultStatus()[0].Began {
			b.Advance(b.Next())
			b.Frame(&f)
		}
		assert.True(t, b.FaultStatus()[0].Began, info.Name)
	}
}
