package virtual

import (
	"fmt"
	"reflect"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// busy is a bench that charges, bleeds and has all faults in store, each for a
// while; on is how long after the start they begin.
func busy(t *testing.T, kinds []Fault) *Bench {
	t.Helper()
	c := Config{Bench: WorkshopBench(), Article: DefaultArticle(), Seed: 11, Start: 1_790_000_000_000_000, Faults: kinds}
	b, err := New(c)
	require.NoError(t, err)
	ctx, set := t.Context(), b.Set()
	require.NoError(t, set.Box.Switch(ctx, drivers.BoxNegative|drivers.BoxPrecharge))
	pass(b, drivers.Second)
	require.NoError(t, set.Box.Switch(ctx, drivers.BoxNegative|drivers.BoxPositive))
	pass(b, drivers.Second)
	for _, p := range []drivers.Power{set.Supply, set.Load} {
		_, err = p.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere, CommTimeout: 2 * drivers.Second})
		require.NoError(t, err)
	}
	require.NoError(t, set.Supply.Set(ctx, drivers.Setpoint{On: true, Current: 20 * drivers.Ampere, Voltage: 88 * drivers.Volt}))
	require.NoError(t, set.Monitor.Bleed(ctx, []int32{0x15, 0}))
	pass(b, 2*drivers.Second)
	return b
}

// pass lets time pass as a loop does, and appends each frame to what it returns.
func pass(b *Bench, d drivers.Span) (all []int32) {
	var f drivers.Frame
	for end := b.now.Add(d); b.now < end; {
		b.Advance(min(b.Next(), end))
		for b.due && b.dueAt == b.now {
			if b.Frame(&f) {
				all = append(append(all, int32(f.At)), f.Counts...)
			}
		}
	}
	return all
}

// passing are the faults that begin and end on a bench under way: an article that
// is another one is so from the start.
func passing() []FaultInfo {
	return slices.DeleteFunc(Faults(), func(i FaultInfo) bool { return i.Class == ClassFile })
}

// staggered is the whole catalogue, one fault a second for five seconds each, so
// that five are in force at any time.
func staggered() (list []Fault) {
	for i, info := range passing() {
		f := info.Default
		f.When, f.For = Trigger{AfterStart, 6*drivers.Second + drivers.Span(i)*drivers.Second}, 5*drivers.Second
		list = append(list, f)
	}
	return list
}

// A clone and its original go on alike, whichever fault is in force when the
// clone is made: frames, truth, queues and random streams.
func TestCloneGoesOnAlike(t *testing.T) {
	for i, info := range Faults() {
		f := info.Default
		f.When, f.For = Trigger{AfterStart, 3*drivers.Second + 137*drivers.Millisecond}, 3*drivers.Second
		b := busy(t, []Fault{f})
		// Orders on their way, a contactor in flight, and a frame not fetched.
		ctx := t.Context()
		if i%2 == 0 {
			_ = b.Set().Supply.Set(ctx, drivers.Setpoint{On: true, Current: 5 * drivers.Ampere, Voltage: 88 * drivers.Volt})
		} else {
			_ = b.Set().Box.Switch(ctx, drivers.BoxNegative)
		}
		b.Advance(b.Next().Add(drivers.Millisecond))
		c := b.Clone()
		require.Equal(t, b.AppendState(nil), c.AppendState(nil), info.Name)
		require.True(t, b.FaultStatus()[0].Began, info.Name)
		assert.Equal(t, pass(b, 5*drivers.Second), pass(c, 5*drivers.Second), info.Name)
		assert.Equal(t, b.AppendState(nil), c.AppendState(nil), info.Name)
		assert.Equal(t, b.Worst(), c.Worst(), info.Name)
	}
}

// The same over an hour, with the whole catalogue passing by; and what happens
// to one leaves the other alone.
func TestCloneOverAnHour(t *testing.T) {
	b := busy(t, staggered())
	pass(b, 10*drivers.Second)
	c := b.Clone()
	for range 6 {
		pass(b, 10*drivers.Minute)
		pass(c, 10*drivers.Minute)
		require.Equal(t, b.AppendState(nil), c.AppendState(nil))
	}
	for _, s := range b.FaultStatus() {
		assert.True(t, s.Began && !s.Active, s.Fault.Kind)
	}

	before := b.AppendState(nil)
	for _, info := range passing() {
		f := info.Default
		f.When = Trigger{AfterStart, 0}
		require.NoError(t, c.Inject(f))
	}
	c.PressEmergencyStop(true)
	c.Plant().Module().SetSoC(3, 0.9)
	pass(c, drivers.Minute)
	assert.Equal(t, before, b.AppendState(nil), "the clone's fate is not the original's")
	assert.NotEqual(t, before, c.AppendState(nil))
	kept := c.AppendState(nil)
	pass(b, drivers.Minute)
	assert.Equal(t, kept, c.AppendState(nil), "nor the other way round")
}

// shared walks two values side by side and reports what both point to.
func shared(path string, a, b reflect.Value, found func(string)) {
	if constant[a.Type()] && a.Kind() != reflect.Pointer {
		return
	}
	switch a.Kind() {
	case reflect.Pointer:
		switch {
		case a.IsNil() || a.Type() == reflect.TypeFor[*drivers.Layout]() || a.Type() == reflect.TypeFor[*plant.Chemistry]():
		case a.Pointer() == b.Pointer():
			found(path)
		case a.Type() != reflect.TypeFor[*Bench](): // the way back up
			shared(path, a.Elem(), b.Elem(), found)
		}
	case reflect.Slice:
		if a.Cap() > 0 && a.Pointer() == b.Pointer() {
			found(path)
			return
		}
		fallthrough
	case reflect.Array:
		for i := range min(a.Len(), b.Len()) {
			shared(fmt.Sprintf("%s[%d]", path, i), a.Index(i), b.Index(i), found)
		}
	case reflect.Struct:
		for i := range a.NumField() {
			shared(path+"."+a.Type().Field(i).Name, a.Field(i), b.Field(i), found)
		}
	}
}

// Nothing that changes belongs to both, fields added later included.
func TestCloneSharesNothing(t *testing.T) {
	b := busy(t, staggered())
	pass(b, drivers.Minute)
	c := b.Clone()
	var paths []string
	shared("bench", reflect.ValueOf(b).Elem(), reflect.ValueOf(c).Elem(), func(p string) { paths = append(paths, p) })
	// Made once and never changed.
	assert.ElementsMatch(t, []string{
		"bench.monitor.from",
		"bench.plant.module.heatPath.air", "bench.plant.module.heatPath.keep",
		"bench.plant.module.heatPath.over", "bench.plant.module.heatPath.pivot",
		"bench.module.heatPath.air", "bench.module.heatPath.keep",
		"bench.module.heatPath.over", "bench.module.heatPath.pivot",
	}, paths)
	assert.Same(t, c.plant.Module(), c.module)
	for _, d := range []*Bench{c.supply.b, c.load.b, c.box.b, c.monitor.b, c.meter.b} {
		assert.Same(t, c, d)
	}
	assert.Same(t, &c.cfg.Bench.Supply, c.supply.spec)
	assert.Same(t, &c.cfg.Bench.Load, c.load.spec)
	assert.Same(t, &c.cfg.Bench.Box, c.box.spec)
	assert.Same(t, &c.cfg.Bench.Monitor, c.monitor.spec)
}

// Each part of what a bench remembers shows in its state.
func TestStateShowsEverything(t *testing.T) {
	fresh := func() *Bench { return busy(t, nil) }
	want := fresh().AppendState(nil)
	require.Equal(t, want, fresh().AppendState(nil))
	for name, change := range map[string]func(*Bench){
		"an order":       func(b *Bench) { b.supply.send(drivers.Setpoint{On: true, Current: 1}) },
		"a limit":        func(b *Bench) { b.load.limits.CommTimeout++ },
		"a heartbeat":    func(b *Bench) { b.box.heard++ },
		"a coil":         func(b *Bench) { b.box.energise(0) },
		"noise":          func(b *Bench) { b.noise.Uint64() },
		"chance":         func(b *Bench) { b.chance.Uint64() },
		"a held frame":   func(b *Bench) { b.path.back = append(b.path.back, 1) },
		"a window":       func(b *Bench) { b.monitor.sum[3]++ },
		"a reading":      func(b *Bench) { b.monitor.latest.Cells[3]++ },
		"a sensor":       func(b *Bench) { b.meter.volts.last++ },
		"a fault":        func(b *Bench) { require.NoError(t, b.Inject(catalogue[0].Default)) },
		"charge so far":  func(b *Bench) { b.truth.charged++ },
		"a cell":         func(b *Bench) { b.module.SetSoC(0, 0.5) },
		"what conducts":  func(b *Bench) { b.plant.Drain(1e-3) },
		"the next frame": func(b *Bench) { b.Fast(true) },
	} {
		b := fresh()
		change(b)
		assert.NotEqual(t, want, b.AppendState(nil), name)
	}
}

// The whole catalogue at once, twice over, in draws: when all is over nothing of
// any fault is left in force.
func TestFaultsEndCleanly(t *testing.T) {
	for seed := uint64(1); seed <= 6; seed++ {
		t.Logf("seed %d", seed)
		r := plant.NewRand(seed, 3)
		b := busy(t, nil)
		spec := b.Spec()
		for range 2 {
			for _, info := range passing() {
				f := info.Draw(r, &spec, 40*drivers.AmpereHour)
				f.When = Trigger{AfterStart, drivers.Span(r.IntN(int(20 * drivers.Second)))}
				f.For = drivers.Span(1 + r.IntN(int(20*drivers.Second)))
				require.NoError(t, b.Inject(f))
			}
		}
		pass(b, drivers.Minute)
		for _, s := range b.FaultStatus() {
			require.True(t, s.Began && !s.Active, "%s", s.Fault)
		}
		healthy(t, b)
	}
}

// So it is when somebody puts the bench right while all faults are in force.
func TestHeal(t *testing.T) {
	b := busy(t, nil)
	for _, info := range passing() {
		f := info.Default
		f.When, f.For = Trigger{AfterStart, 0}, 0
		require.NoError(t, b.Inject(f))
	}
	pass(b, 10*drivers.Second)
	for _, s := range b.FaultStatus() {
		require.True(t, s.Active, "%s", s.Fault)
	}
	b.Heal()
	pass(b, drivers.Second)
	assert.Empty(t, b.FaultStatus())
	healthy(t, b)
}

// healthy asserts that no fault is in force anywhere.
func healthy(t *testing.T, b *Bench) {
	t.Helper()
	sensors := []*sensor{&b.supply.volts, &b.supply.amps, &b.load.volts, &b.load.amps, &b.box.link, &b.box.amps, &b.meter.volts, &b.monitor.shunt}
	for k := range b.monitor.cells {
		sensors = append(sensors, &b.monitor.cells[k])
	}
	for k := range b.monitor.temps {
		sensors = append(sensors, &b.monitor.temps[k])
	}
	for _, s := range sensors {
		assert.Equal(t, s.healthy, s.slope)
		assert.Zero(t, s.bias+s.rough+s.clip)
		assert.False(t, s.frozen || s.open)
	}
	assert.Equal(t, powerFaults{}, b.supply.faults)
	assert.Equal(t, powerFaults{}, b.load.faults)
	assert.Equal(t, boxFaults{}, b.box.faults)
	m := b.monitor.faults
	assert.Empty(t, m.swapped)
	m.swapped = nil
	assert.Equal(t, monitorFaults{shorted: make([]int, len(m.shorted))}, m)
	assert.Zero(t, b.meter.hung)
	assert.False(t, b.box.stop)
	p := b.path
	assert.Zero(t, p.stopped+p.repeating)
	assert.Zero(t, p.lostPPM+p.doubledPPM+p.reorderedPPM)
	assert.Zero(t, p.delay)
	assert.Zero(t, p.stepped)
	assert.False(t, p.holdsBack)
	assert.Zero(t, b.plant.DrainCurrent())
	for k := range b.monitor.stuckBleed {
		assert.Zero(t, b.monitor.stuckBleed[k])
	}
	assert.Equal(t, never, b.pending)
	assert.Zero(t, b.supply.state&drivers.PowerFault|b.load.state&drivers.PowerFault)
}
