package balance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// simCurve is the simulation's curve as somebody else would have measured it:
// at few points, and a few millivolts off.
func simCurve(rng *rand.Rand) Curve {
	var c Curve
	last := 0.0
	for _, ppm := range []int64{0, 100_000, 300_000, 500_000, 700_000, 800_000, 900_000, 950_000, 970_000, 980_000, 990_000, 995_000, 1_000_000} {
		v := simOCV(float64(ppm)*1e-6) + 0.003*(2*rng.Float64()-1)
		v = max(v, last+0.0005)
		last = v
		c.Points = append(c.Points, Point{ppm, drivers.Microvolts(v * 1e6)})
	}
	return c
}

// From 3 % true spread to 0.3 % within few rounds and near the least time that
// the bleed resistors allow.
func TestReachesTarget(t *testing.T) {
	for seed := range uint64(6) {
		for _, spread := range []float64{0.02, 0.03} {
			t.Run(fmt.Sprintf("seed %d spread %g", seed, spread), func(t *testing.T) {
				rng := rand.New(rand.NewPCG(seed, 1))
				m := newSim(rng, 24, spread, 0.4)
				b := newBench(t, m, 24, simCurve(rng), seed)
				b.charge(20)
				b.idle(600)
				before := imbalance(m, 24)
				least := leastBleed(m, 24)
				var c machine.Computed
				rounds := 0
				for rounds < 12 {
					rounds++
					truth := imbalance(m, 24) // what is measured; then it bleeds
					c = b.round(drivers.Hour)
					t.Logf("round %d: true about %.3f %%, told %d +- %d ppm, %.2f Ah left", rounds, 100*truth, c.ImbalancePPM, c.UncertaintyPPM, float64(c.Left)/float64(drivers.AmpereHour))
					require.Empty(t, c.GiveUp)
					if c.ImbalancePPM <= 3000 {
						break
					}
				}
				after := imbalance(m, 24)
				t.Logf("true imbalance %.3f %% -> %.3f %% in %d rounds, bled for %.2f h, least %.2f h", 100*before, 100*after, rounds, b.bled/3600, least/3600)
				require.Less(t, after, 0.003)
				require.LessOrEqual(t, c.ImbalancePPM, int64(3000))
				require.Less(t, b.bled, 1.05*least)
			})
		}
	}
}

// leastBleed is the least time, s, in which everything over the lowest cell and
// the target can be bled when neighbours take turns: the neediest pair decides.
func leastBleed(a article, n int) float64 {
	most := math.Inf(-1)
	for i := range n {
		most = max(most, a.lack(i))
	}
	over := func(i int) float64 { return max(0, most-a.lack(i)-0.003*rated) }
	longest := 0.0
	for i := 1; i < n; i++ {
		longest = max(longest, over(i-1)+over(i))
	}
	return longest / (3.34 / 6.8) * 3600
}

// 2 % of spread hide behind a few millivolts on the flat part: that must never
// be told as balanced, whatever the voltages say.
func TestFlatPartIsNotBalance(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	m := newSim(rng, 24, 0.02, 0.55)
	b := newBench(t, m, 24, simCurve(rng), 8)
	b.idle(1800)
	high, low := 0.0, 9.0
	for i := range 24 {
		high, low = max(high, m.tap(i)), min(low, m.tap(i))
	}
	require.Less(t, high-low, 0.005, "the premise: under 5 mV apart at rest")
	require.Greater(t, imbalance(m, 24), 0.02)
	c := b.p.Compute(machine.Compute{Epoch: 1, TargetPPM: 3000, Capacity: 40 * drivers.AmpereHour, Chunk: drivers.Hour})
	require.Greater(t, c.ImbalancePPM, int64(3000))
	require.Equal(t, int64(unknown), c.UncertaintyPPM)
	require.Zero(t, c.Left)
	for _, s := range c.Spans {
		require.Zero(t, s)
	}
}

// A cell far behind does not reach the knee: the others bleed what is certain,
// it does not, and nothing is called balanced.
func TestBoundedCell(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 1))
	m := newSim(rng, 24, 0.004, 0.4)
	m.cells[11].charge -= 0.06 * 40
	b := newBench(t, m, 24, simCurve(rng), 9)
	b.charge(20)
	b.idle(600)
	c := b.round(drivers.Hour)
	require.Equal(t, int64(unknown), c.UncertaintyPPM)
	require.Greater(t, c.ImbalancePPM, int64(15_000), "at least the length of the knee")
	require.Less(t, float64(c.ImbalancePPM), 1e6*0.065)
	require.Zero(t, c.Spans[11])
	for i, s := range c.Spans {
		if i != 11 {
			require.Greater(t, s, 8*drivers.Minute, "cell %d", i+1)
		}
	}
	for range 12 {
		if c = b.round(2 * drivers.Hour); c.ImbalancePPM <= 3000 {
			break
		}
		require.Empty(t, c.GiveUp)
	}
	require.Less(t, imbalance(m, 24), 0.003)
}

// What is told covers the truth: over many modules and rounds the true
// imbalance lies within the stated 95 % in nearly all, and a bound is a bound.
func TestUncertaintyIsHonest(t *testing.T) {
	told, covered := 0, 0
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(seed, 2))
		m := newSim(rng, 12, 0.005+0.03*rng.Float64(), 0.5)
		b := newBench(t, m, 12, simCurve(rng), seed)
		b.charge(20)
		b.idle(600)
		for range 4 {
			b.charge(8)
			b.idle(600)
			truth := imbalance(m, 12) * 1e6
			c := b.p.Compute(machine.Compute{TargetPPM: 3000, Capacity: 40 * drivers.AmpereHour, Chunk: drivers.Hour})
			told++
			if math.Abs(truth-float64(c.ImbalancePPM)) <= float64(c.UncertaintyPPM) {
				covered++
			} else {
				t.Logf("seed %d: true %.0f, told %d +- %d ppm", seed, truth, c.ImbalancePPM, c.UncertaintyPPM)
			}
			if c.UncertaintyPPM == unknown {
				require.Less(t, float64(c.ImbalancePPM), truth+5000, "seed %d: a bound lies under the truth", seed)
			}
			b.drain(c.Spans)
		}
	}
	t.Logf("%d of %d covered", covered, told)
	require.Greater(t, float64(covered), 0.9*float64(told))
}

// Rounds fit the chunk: neighbours in turn, together within it.
func TestFit(t *testing.T) {
	h := drivers.Hour
	s := []drivers.Span{h, 3 * h, 0, h}
	fit(s, 2*h, false)
	require.Equal(t, []drivers.Span{h / 2, 3 * h / 2, 0, h / 2}, s)
	s = []drivers.Span{h, 3 * h, 0, h}
	fit(s, 2*h, true)
	require.Equal(t, []drivers.Span{2 * h / 3, 2 * h, 0, 2 * h / 3}, s)
	s = []drivers.Span{h, h / 2}
	fit(s, 2*h, false)
	require.Equal(t, []drivers.Span{h, h / 2}, s)
	s = []drivers.Span{h, h / 2}
	fit(s, 0, false)
	require.Equal(t, []drivers.Span{h, h / 2}, s)
}

func TestNewRefusesCurves(t *testing.T) {
	plan := planOf(t, 4)
	_, err := New(plan, Curve{})
	require.EqualError(t, err, "balance: open-circuit curve has 0 points; expected at least 3")
	_, err = New(plan, Curve{Points: []Point{{0, 3_000_000}, {500_000, 3_400_000}, {400_000, 3_500_000}}})
	require.ErrorContains(t, err, "point 3 (400000 ppm, 3500000 uV) must lie over point 2 (500000 ppm, 3400000 uV)")
	_, err = New(plan, Curve{Points: []Point{{0, 3_300_000}, {500_000, 3_301_000}, {1_000_000, 3_302_000}}})
	require.ErrorContains(t, err, "too flat to show an imbalance of 0.30 %")
	plan.Rated, plan.Code = 0, nil
	_, err = New(plan, simCurve(rand.New(rand.NewPCG(1, 1))))
	require.ErrorContains(t, err, "rated capacity is 0 nC")
}

// A module so small that a five-hundredth of its capacity is less than the
// shunt's own error must not seem to charge for ever: 20 mA of error, 10 mA read
// at rest, a capacity of 1 Ah.
func TestShuntErrorIsNoCurrent(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	b := newBench(t, newSim(rng, 24, 0.01, 0.4), 24, simCurve(rng), 12)
	b.plan.Code[0].Bleed.Capacity = drivers.AmpereHour
	var err error
	b.p, err = New(b.plan, simCurve(rng))
	require.NoError(t, err)
	for range 60 {
		b.second(8)
	}
	require.True(t, b.p.top.on)
	b.idle(5)
	require.False(t, b.p.top.on, "the charge has ended")
	require.NotZero(t, b.p.rest.since)
}

// Frames that are misshapen, doubled or lack a reading do no harm; a long gap
// with current flowing makes the planner forget rather than guess.
func TestOddFrames(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 1))
	m := newSim(rng, 24, 0.01, 0.4)
	b := newBench(t, m, 24, simCurve(rng), 10)
	b.charge(20)
	b.idle(600)
	ask := machine.Compute{TargetPPM: 3000, Capacity: 40 * drivers.AmpereHour, Chunk: drivers.Hour}
	before := b.p.Compute(ask)
	b.p.Observe(nil, nil)
	b.p.Observe(&drivers.Frame{At: b.f.At.Add(drivers.Second)}, nil)
	b.p.Observe(&b.f, nil)
	missing := b.f.Clone()
	missing.At = missing.At.Add(drivers.Second)
	missing.Counts[3] = drivers.NoReading
	missing.Counts[b.plan.Layout.Find(drivers.ModuleCurrent)] = drivers.NoReading
	b.p.Observe(missing, nil)
	after := b.p.Compute(ask)
	for i := range before.Spans {
		require.InDelta(t, float64(before.Spans[i]), float64(after.Spans[i]), float64(drivers.Second), "cell %d", i+1)
	}
	require.InDelta(t, float64(before.ImbalancePPM), float64(after.ImbalancePPM), 5)

	b.second(8)
	b.f.At = b.f.At.Add(2 * drivers.Minute)
	b.second(8)
	b.idle(5)
	for i := range b.p.cells {
		require.True(t, math.IsNaN(b.p.cells[i].anchor), "cell %d: what was counted no longer holds", i+1)
	}
	// What is left is a look at cells that have just carried current.
	require.Greater(t, b.p.Compute(ask).UncertaintyPPM, after.UncertaintyPPM)
}

// A frame costs little and allocates nothing; the virtual bench shows a day of
// them in seconds.
func TestObserveAllocatesNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	b := newBench(t, newSim(rng, 24, 0.01, 0.4), 24, simCurve(rng), 11)
	b.second(8)
	require.Zero(t, testing.AllocsPerRun(1000, func() {
		b.f.At = b.f.At.Add(100 * drivers.Millisecond)
		b.p.Observe(&b.f, nil)
	}))
}

func BenchmarkObserve(b *testing.B) {
	rng := rand.New(rand.NewPCG(11, 1))
	r := newBench(b, newSim(rng, 24, 0.01, 0.4), 24, simCurve(rng), 11)
	r.second(8)
	b.ReportAllocs()
	for b.Loop() {
		r.f.At = r.f.At.Add(100 * drivers.Millisecond)
		r.p.Observe(&r.f, nil)
	}
}
