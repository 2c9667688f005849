package guard

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

const (
	mV = 1000
	ms = drivers.Millisecond
)

// bench24 is the scenario's bench: 24 cells in 0.1 mV steps, 6 temperatures in
// 0.05 K steps, currents in 1 mA steps.
func benchOf(cells, temps int) *drivers.Bench {
	return &drivers.Bench{
		Monitor: drivers.MonitorSpec{Cells: cells, Temps: temps, CellStep: 100, TempStep: 50, CurrentStep: 1000},
		Supply:  drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Load:    drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Box:     drivers.BoxSpec{LinkStep: 1000, CurrentStep: 10_000},
		Meter:   drivers.MeterSpec{VoltageStep: 1000},
	}
}

func layoutOf(t testing.TB, cells, temps int) *drivers.Layout {
	t.Helper()
	l, err := benchOf(cells, temps).Layout()
	require.NoError(t, err)
	return l
}

// limitsOf are a 40 Ah LFP module's limits: invented, in the range of common
// practice (no source).
func limitsOf(cells int) Limits {
	n := drivers.Microvolts(cells)
	return Limits{
		CellMax: 3_600_000, CellMin: 2_500_000, NoCharge: 2_000_000,
		ModuleMax: n * 3_600_000, ModuleMin: n * 2_500_000,
		TempMax: celsius(55), TempMin: celsius(-20),
		TempChargeMax: celsius(45), TempChargeMin: celsius(0),
		TempDischargeMax: celsius(50), TempDischargeMin: celsius(-10),
		TempRateMax: 3000, TempSoftMax: celsius(40), TempSoftHysteresis: 3000,
		ChargeMax: 20_000_000, DischargeMax: 40_000_000,
		CellPersistence: 300 * ms, TempPersistence: 1000 * ms, CurrentPersistence: 200 * ms, CrossPersistence: 1000 * ms,
		Stale:            500 * ms,
		CellPlausibleMin: 500_000, CellPlausibleMax: 4_900_000,
		TempPlausibleMin: celsius(-45), TempPlausibleMax: celsius(120),
		CurrentPlausible: 100_000_000,
		SumTolerance:     60_000, CurrentTolerance: 150_000, BoxCurrentTolerance: 400_000,
		NearZero: 50_000, FrozenMove: 10_000, TempFrozenMove: 4000,
		LoneMove: 40_000, LoneSpan: 2 * drivers.Second,
	}
}

func celsius(c int64) drivers.Millikelvins { return drivers.ZeroC + drivers.Millikelvins(1000*c) }

// rig makes healthy frames, 100 ms apart, for a test to spoil.
type rig struct {
	t      testing.TB
	g      *Guard
	layout *drivers.Layout
	limits Limits
	f      drivers.Frame
	x      Context
	period drivers.Span
}

func newRig(t testing.TB, change func(l *Limits)) *rig { return newRigOf(t, 24, 6, change) }

func newRigOf(t testing.TB, cells, temps int, change func(l *Limits)) *rig {
	t.Helper()
	r := &rig{t: t, layout: layoutOf(t, cells, temps), limits: limitsOf(cells), period: 100 * ms}
	if change != nil {
		change(&r.limits)
	}
	g, err := New(&r.limits, r.layout)
	require.NoError(t, err)
	r.g = g
	r.f = drivers.Frame{At: 1_000_000_000, Counts: make([]int32, len(r.layout.Channels))}
	r.x = Context{Steady: true, ContactorsSettled: true}
	r.cells(3_300_000)
	for i := range temps {
		r.set(r.layout.Temp(i), int64(celsius(25)))
	}
	g.Reset(r.f.At)
	return r
}

// set writes a channel in base units; the test's values are whole counts.
func (r *rig) set(at int, v int64) {
	r.t.Helper()
	s := r.layout.Channels[at].Scale
	c := s.Nearest(v)
	if s.Value(c) != v {
		r.t.Fatalf("%s: %d is not a whole count", r.layout.Channels[at].Name(), v)
	}
	r.f.Counts[at] = c
}

func (r *rig) kind(k drivers.Kind, v int64) { r.t.Helper(); r.set(r.layout.Find(k), v) }

// cells sets all cells alike, and the meter to their sum.
func (r *rig) cells(uV int64) {
	for i := range r.layout.Cells() {
		r.set(i, uV)
	}
	r.meter()
}

func (r *rig) meter() {
	var sum int64
	for i := range r.layout.Cells() {
		sum += r.layout.Channels[i].Scale.Value(r.f.Counts[i])
	}
	r.kind(drivers.ModuleVoltage, sum/1000*1000)
}

// flow sets a current on every sensor, and explains it by commands.
func (r *rig) flow(uA int64) {
	r.kind(drivers.ModuleCurrent, uA)
	r.kind(drivers.BoxCurrent, uA/10_000*10_000)
	r.kind(drivers.SupplyCurrent, max(uA, 0))
	r.kind(drivers.LoadCurrent, max(-uA, 0))
	r.x.Charge, r.x.Discharge = drivers.Microamps(max(uA, 0)), drivers.Microamps(max(-uA, 0))
	r.x.Supply, r.x.Load = uA > 0, uA < 0
	r.kind(drivers.SupplyState, 0)
	r.kind(drivers.LoadState, 0)
	if uA > 0 {
		r.kind(drivers.SupplyState, drivers.PowerOn)
	}
	if uA < 0 {
		r.kind(drivers.LoadState, drivers.PowerOn)
	}
}

// next is a frame of new measurements, one period later.
func (r *rig) next() []Finding {
	for _, k := range beatKinds {
		r.f.Counts[r.layout.Find(k)]++
	}
	return r.repeat()
}

// repeat is a frame one period later in which nothing was measured anew.
func (r *rig) repeat() []Finding {
	r.f.At = r.f.At.Add(r.period)
	r.f.Seq++
	return r.g.Check(&r.f, &r.x)
}

// quiet demands that n frames show nothing.
func (r *rig) quiet(n int) {
	r.t.Helper()
	for range n {
		if got := r.next(); len(got) > 0 {
			r.t.Fatalf("unexpected: %s", Describe(got[0], r.layout))
		}
	}
}

// wait counts the frames until something is found, at most limit.
func (r *rig) wait(limit int) (frames int, found []Finding) {
	r.t.Helper()
	for n := 1; n <= limit; n++ {
		if got := r.next(); len(got) > 0 {
			return n, got
		}
	}
	r.t.Fatalf("nothing found within %d frames", limit)
	return 0, nil
}

// The edges of every limit that is a range: at the limit nothing, one count
// beyond it the finding, after exactly the persistence. A frame comes every
// 100 ms, the first bad one starts the clock, so that a persistence of p is
// over in frame 1 + p/100 ms.
func TestRangeEdges(t *testing.T) {
	const cellFrames, tempFrames, currentFrames = 4, 11, 3
	tests := []struct {
		name   string
		flow   int64
		at     func(l *drivers.Layout) int
		limit  int64 // still good
		step   int64 // to the first bad value
		cause  Cause
		frames int
	}{
		{"cell high", 0, cellAt(7), 3_600_000, +100, CellHigh, cellFrames},
		{"cell high while charging", 10_000_000, cellAt(7), 3_600_000, +100, CellHigh, cellFrames},
		{"cell low", 0, cellAt(0), 2_500_000, -100, CellLow, cellFrames},
		{"cell low while discharging", -10_000_000, cellAt(23), 2_500_000, -100, CellLow, cellFrames},
		{"cell impossible high", 0, cellAt(3), 3_600_000, +1_300_100, Impossible, cellFrames},
		{"cell impossible low", 0, cellAt(3), 2_500_000, -2_000_100, Impossible, cellFrames},
		{"temperature high at rest", 0, tempAt(2), int64(celsius(55)), +50, TempHigh, tempFrames},
		{"temperature low at rest", 0, tempAt(2), int64(celsius(-20)), -50, TempLow, tempFrames},
		{"INV-15 temperature high charging", 10_000_000, tempAt(5), int64(celsius(45)), +50, TempHigh, tempFrames},
		{"INV-15 temperature high discharging", -10_000_000, tempAt(5), int64(celsius(50)), +50, TempHigh, tempFrames},
		{"INV-15 charging cold", 10_000_000, tempAt(0), int64(celsius(0)), -50, ChargeCold, tempFrames},
		{"INV-15 discharging cold", -10_000_000, tempAt(0), int64(celsius(-10)), -50, TempLow, tempFrames},
		{"temperature impossible high", 0, tempAt(1), int64(celsius(55)), 65_050, Impossible, tempFrames},
		{"temperature impossible low", 0, tempAt(1), int64(celsius(-20)), -25_050, Impossible, tempFrames},
		{"module high", 0, kindAt(drivers.ModuleVoltage), 24 * 3_600_000, +1000, ModuleHigh, cellFrames},
		{"module low", 0, kindAt(drivers.ModuleVoltage), 24 * 2_500_000, -1000, ModuleLow, cellFrames},
		{"module impossible", 0, kindAt(drivers.ModuleVoltage), 24 * 3_600_000, 24*1_300_000 + 1000, Impossible, cellFrames},
		{"supply current impossible", 0, kindAt(drivers.SupplyCurrent), 100_000_000, 1000, Impossible, currentFrames},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, func(l *Limits) {
				l.TempSoftMax, l.TempRateMax, l.LoneMove, l.TempFrozenMove = 0, 0, 0, 0
				l.ChargeMax, l.CurrentPlausible = 20_000_000, 100_000_000
			})
			r.x.Steady = false // one channel alone is moved here
			if tt.flow != 0 {
				r.flow(tt.flow)
			}
			at := tt.at(r.layout)
			s := &r.layout.Channels[at].Scale
			r.f.Counts[at] = s.Nearest(tt.limit)
			r.quiet(20)

			r.f.Counts[at] = s.Nearest(tt.limit + tt.step)
			began := r.f.At.Add(r.period)
			n, found := r.wait(30)
			require.Equal(t, tt.frames, n, "frames until the persistence is over")
			require.Len(t, found, 1)
			require.Equal(t, tt.cause, found[0].Cause, Describe(found[0], r.layout))
			require.Equal(t, at, found[0].Channel)
			require.Equal(t, began, found[0].Since)
			require.True(t, found[0].Hard)
			require.Equal(t, s.Value(s.Nearest(tt.limit+tt.step)), found[0].Value)

			r.f.Counts[at] = s.Nearest(tt.limit)
			r.quiet(1) // a good reading ends it at once
		})
	}
}

func cellAt(i int) func(*drivers.Layout) int { return func(l *drivers.Layout) int { return l.Cell(i) } }
func tempAt(i int) func(*drivers.Layout) int { return func(l *drivers.Layout) int { return l.Temp(i) } }
func kindAt(k drivers.Kind) func(*drivers.Layout) int {
	return func(l *drivers.Layout) int { return l.Find(k) }
}

// Persistence is time between frames, not a number of frames, and one good
// reading starts it anew.
func TestPersistenceIsTime(t *testing.T) {
	r := newRig(t, func(l *Limits) { l.LoneMove = 0 })
	r.x.Steady = false
	r.quiet(3)
	r.set(7, 3_700_000)
	r.period = 10 * ms // a box in precharge drives the frames
	for n := range 30 {
		require.Empty(t, r.repeat(), "frame %d, %d ms after the first", n+1, 10*n)
	}
	require.Len(t, r.next(), 1, "300 ms after the first")

	r.period = 299 * ms
	r.set(7, 3_600_000)
	r.quiet(1)
	r.set(7, 3_700_000)
	r.quiet(2) // 299 ms apart: a millisecond too short
	r.period = ms
	require.Equal(t, CellHigh, r.next()[0].Cause)

	r.period = 100 * ms
	r.set(7, 3_600_000)
	r.quiet(1)
	for range 5 { // three bad frames, one good, over and over: never long enough
		r.set(7, 3_700_000)
		r.quiet(3)
		r.set(7, 3_600_000)
		r.quiet(1)
	}
}

// INV-02: a breach that goes missing stays bad, it does not start anew.
func TestMissingContinuesABreach(t *testing.T) {
	r := newRig(t, nil)
	r.x.Steady = false
	r.quiet(3)
	r.set(7, 3_620_000)
	r.quiet(2)
	since := r.f.At.Add(-100 * ms)
	r.f.Counts[7] = drivers.NoReading
	r.quiet(1)
	found := r.next()
	require.Len(t, found, 1)
	require.Equal(t, Finding{Cause: Missing, Channel: 7, Since: since, Hard: true}, found[0])
}

// INV-02: no reading on any channel at all is a finding.
func TestMissingAnywhere(t *testing.T) {
	for at, ch := range layoutOf(t, 24, 6).Channels {
		t.Run(ch.Name(), func(t *testing.T) {
			r := newRig(t, nil)
			r.quiet(3)
			good := r.f.Counts[at]
			r.f.Counts[at] = drivers.NoReading
			var causes []Cause
			for range 15 {
				found := r.repeatKeeping(at)
				for _, f := range found {
					if f.Channel == at {
						causes = append(causes, f.Cause)
					}
				}
			}
			require.NotEmpty(t, causes)
			require.Equal(t, Missing, causes[0])
			r.f.Counts[at] = good
		})
	}
}

// repeatKeeping is next, but leaves channel at as it is.
func (r *rig) repeatKeeping(at int) []Finding {
	for _, k := range beatKinds {
		if i := r.layout.Find(k); i != at {
			r.f.Counts[i]++
		}
	}
	return r.repeat()
}

// INV-02: an instrument whose counter stands still for longer than Stale.
func TestStale(t *testing.T) {
	for i, k := range beatKinds {
		t.Run(k.String(), func(t *testing.T) {
			r := newRig(t, nil)
			r.quiet(3)
			at := r.layout.Find(k)
			last := r.f.At
			for range 5 {
				require.Empty(t, r.repeatKeeping(at), "up to 500 ms are allowed")
			}
			r.period = 1
			found := r.repeatKeeping(at)
			require.Len(t, found, 1, "500.001 ms are not")
			require.Equal(t, Finding{Cause: Stale, Channel: at, Value: int64(r.f.Counts[at]), Limit: int64(r.f.Counts[at]), Since: last, Hard: true}, found[0])
			require.Equal(t, i, map[drivers.Kind]int{drivers.MonitorBeat: monitor, drivers.MeterBeat: meter, drivers.BoxBeat: box, drivers.SupplyBeat: supply, drivers.LoadBeat: load}[k])
			require.Empty(t, r.next(), "it measures again")
		})
	}
}

// In fast mode frames come at the box's period; the monitor measures at its
// own, and is not stale for that.
func TestFastFramesAreNotStale(t *testing.T) {
	r := newRig(t, nil)
	r.quiet(3)
	r.period = ms
	boxBeat := r.layout.Find(drivers.BoxBeat)
	for n := range 5000 {
		r.f.Counts[boxBeat]++
		if n%100 == 0 {
			for _, k := range []drivers.Kind{drivers.MonitorBeat, drivers.MeterBeat, drivers.SupplyBeat, drivers.LoadBeat} {
				r.f.Counts[r.layout.Find(k)]++
			}
		}
		require.Empty(t, r.repeat(), "frame %d", n)
	}
}

// INV-02: a counter that goes back brings an old reading; one that wraps does not.
func TestBeatBackAndWrap(t *testing.T) {
	r := newRig(t, nil)
	at := r.layout.Find(drivers.MonitorBeat)
	r.f.Counts[at] = 1<<31 - 3
	r.g.Reset(r.f.At)
	r.quiet(2)
	r.f.Counts[at] = -1 // next adds one: wrapped from MaxInt32 to 0
	r.quiet(10)
	r.f.Counts[at] -= 4
	found := r.repeatKeeping(at)
	require.Len(t, found, 1)
	require.Equal(t, Stale, found[0].Cause)
	require.Equal(t, int64(9), found[0].Limit)
	require.Equal(t, int64(5), found[0].Value)
	require.Equal(t, "the cell monitor's counter went back from 9 to 5 since 1970-01-01 00:16:41.300 UTC", Describe(found[0], r.layout))
}

// INV-02: time that does not advance, by a microsecond or by a day.
func TestTimeGoesBack(t *testing.T) {
	for _, step := range []drivers.Span{0, -1, -24 * drivers.Hour} {
		t.Run(fmt.Sprint(step), func(t *testing.T) {
			r := newRig(t, nil)
			r.quiet(3)
			r.period = step
			found := r.next()
			require.Len(t, found, 1)
			require.Equal(t, Stale, found[0].Cause)
			require.Equal(t, -1, found[0].Channel)
			require.Equal(t, int64(step), found[0].Value)
		})
	}
}

// A frame that does not follow the layout cannot be judged at all.
func TestWrongChannelCount(t *testing.T) {
	r := newRig(t, nil)
	r.quiet(2)
	n := len(r.f.Counts)
	for _, f := range []*drivers.Frame{nil, {At: 5, Counts: r.f.Counts[:n-1]}, {At: 5, Counts: append(r.f.Counts, 0)}, {At: 5}} {
		found := r.g.Check(f, &r.x)
		require.Len(t, found, 1)
		require.Equal(t, Impossible, found[0].Cause)
		require.Equal(t, -1, found[0].Channel)
		require.Equal(t, int64(n), found[0].Limit)
	}
	r.quiet(2)
}
