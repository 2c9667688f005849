package balance

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// article is a module under test as its judge knows it.
type article interface {
	// step moves time on by seconds at a module current (A), with the given
	// cells bleeding.
	step(seconds, amps float64, bleeding []bool)
	tap(i int) float64  // V
	lack(i int) float64 // Ah to full
}

// imbalance is the true one, part of the rated capacity.
func imbalance(a article, n int) float64 {
	most, least := math.Inf(-1), math.Inf(1)
	for i := range n {
		most, least = max(most, a.lack(i)), min(least, a.lack(i))
	}
	return (most - least) / rated
}

const rated = 40.0 // Ah

// simCell is the small simulation's cell: an open-circuit curve of its own, a
// resistance, two RC pairs, hysteresis, self-discharge.
type simCell struct {
	charge, capacity, res, u1, u2, h, leak float64
}

// simModule is independent of the virtual bench and of the planner's table.
type simModule struct {
	cells []simCell
	bleed float64
	deaf  int // cell whose bleed does nothing, -1 for none
	v     []float64
}

// simOCV has LFP's shape: flat, a small step, a knee at the top; 3.6 V full.
func simOCV(soc float64) float64 {
	return 3.275 + 0.02*soc + 0.018*math.Tanh((soc-0.72)*18) + 0.047*math.Exp((soc-1)*28) + 0.24*math.Exp((soc-1)*170) - 0.6*math.Exp(-soc*35)
}

func newSim(rng *rand.Rand, n int, spread, soc float64) *simModule {
	m := &simModule{bleed: 6.8, deaf: -1, v: make([]float64, n)}
	for i := range n {
		capacity := 40.4 * (1 + 0.015*(2*rng.Float64()-1))
		place := float64(i) / float64(n-1)
		m.cells = append(m.cells, simCell{
			capacity: capacity, charge: capacity * (soc + spread*(place-0.5)),
			res: 0.0008 * (1 + 0.1*(2*rng.Float64()-1)), leak: 0.0004 * rng.Float64(),
		})
	}
	rng.Shuffle(n, func(i, j int) { m.cells[i], m.cells[j] = m.cells[j], m.cells[i] })
	m.step(0, 0, make([]bool, n))
	return m
}

func (m *simModule) step(s, amps float64, bleeding []bool) {
	for i := range m.cells {
		c := &m.cells[i]
		own := amps - c.leak
		if bleeding[i] && i != m.deaf {
			own -= m.v[i] / m.bleed
		}
		q := own * s / 3600
		c.charge += q
		c.u1 += (own*c.res*0.5 - c.u1) * -math.Expm1(-s/5)
		c.u2 += (own*c.res*0.7 - c.u2) * -math.Expm1(-s/120)
		c.h += (math.Copysign(0.006, q) - c.h) * -math.Expm1(-math.Abs(q)/(0.03*c.capacity))
		m.v[i] = simOCV(c.charge/c.capacity) + own*c.res + c.u1 + c.u2 + c.h
	}
}

func (m *simModule) tap(i int) float64  { return m.v[i] }
func (m *simModule) lack(i int) float64 { return m.cells[i].capacity - m.cells[i].charge }

// bench runs the plan's balancing loop: top up until the highest cell holds,
// settle, ask the planner, bleed with neighbours taking turns.
type bench struct {
	t       testing.TB
	a       article
	n       int
	p       *Planner
	plan    *machine.Plan
	f       drivers.Frame
	rng     *rand.Rand
	offset  []float64
	bleed   []bool
	seconds float64
	bled    float64 // seconds of bleeding
	hold    float64
	taper   float64
}

func planOf(t testing.TB, n int) *machine.Plan {
	t.Helper()
	b := drivers.Bench{
		Monitor: drivers.MonitorSpec{
			Cells: n, Temps: 2, CellStep: 100, CellAccuracy: drivers.Accuracy{Offset: 500},
			TempStep: 100, CurrentStep: 1000, CurrentAcc: drivers.Accuracy{GainPPM: 1000, Offset: 20_000},
			Bleed: 6_800_000,
		},
		Supply: drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Load:   drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Box:    drivers.BoxSpec{LinkStep: 1000},
		Meter:  drivers.MeterSpec{VoltageStep: 1000},
	}
	l, err := b.Layout()
	require.NoError(t, err)
	return &machine.Plan{
		Bench: b, Layout: *l, Rated: 40 * drivers.AmpereHour, CellResistance: 2000, Series: n,
		Code: []machine.Instruction{{Op: machine.OpBleed, Bleed: &machine.Bleed{TargetPPM: 3000, Capacity: 40 * drivers.AmpereHour}}},
	}
}

func newBench(t testing.TB, a article, n int, curve Curve, seed uint64) *bench {
	t.Helper()
	b := &bench{t: t, a: a, n: n, plan: planOf(t, n), rng: rand.New(rand.NewPCG(seed, 99)), bleed: make([]bool, n), hold: 3.55, taper: 2}
	p, err := New(b.plan, curve)
	require.NoError(t, err)
	b.p = p
	for range n {
		b.offset = append(b.offset, 0.0005*(2*b.rng.Float64()-1))
	}
	b.f = drivers.Frame{At: 1_000_000_000, Counts: make([]int32, len(b.plan.Layout.Channels))}
	return b
}

// second lets one second pass and shows the planner its frame.
func (b *bench) second(amps float64) (highest float64) {
	b.a.step(1, amps, b.bleed)
	b.seconds++
	b.f.At = b.f.At.Add(drivers.Second)
	for i := range b.n {
		v := b.a.tap(i) + b.offset[i] + 0.0001*b.rng.NormFloat64()
		b.f.Counts[i] = int32(math.Round(v / 1e-4))
		highest = max(highest, v)
	}
	b.f.Counts[b.plan.Layout.Find(drivers.ModuleCurrent)] = int32(math.Round((amps*1.0005 + 0.01) * 1000))
	for k := 0; b.plan.Layout.Bleed(k) >= 0; k++ {
		word := int32(0)
		for i := range min(16, b.n-16*k) {
			if b.bleed[16*k+i] {
				word |= 1 << i
			}
		}
		b.f.Counts[b.plan.Layout.Bleed(k)] = word
	}
	b.p.Observe(&b.f, nil)
	return highest
}

func (b *bench) idle(seconds int) {
	for range seconds {
		b.second(0)
	}
}

// charge holds the highest cell by lowering the current, and ends at the taper.
func (b *bench) charge(amps float64) {
	for range 100_000 {
		high := b.second(amps)
		if high > b.hold {
			amps *= 1 - min(0.3, 20*(high-b.hold)+0.01)
		}
		if amps < b.taper {
			return
		}
	}
	b.t.Fatal("the charge never ended")
}

// round is one turn of the loop.
func (b *bench) round(chunk drivers.Span) machine.Computed {
	b.charge(8)
	b.idle(600)
	c := b.p.Compute(machine.Compute{Epoch: 7, TargetPPM: 3000, Capacity: 40 * drivers.AmpereHour, Chunk: chunk})
	require.Equal(b.t, uint64(7), c.Epoch)
	require.Len(b.t, c.Spans, b.n)
	if c.GiveUp != "" {
		return c
	}
	b.drain(c.Spans)
	return c
}

// drain bleeds: even cells first, an odd one once both its neighbours are done.
func (b *bench) drain(spans []drivers.Span) {
	left := make([]float64, b.n)
	for i, s := range spans {
		left[i] = float64(s) / float64(drivers.Second)
	}
	for {
		any := false
		for i := range left {
			b.bleed[i] = left[i] > 0.5 && (i%2 == 0 || left[i-1] <= 0.5 && (i+1 >= b.n || left[i+1] <= 0.5))
			any = any || b.bleed[i]
		}
		if !any {
			return
		}
		b.second(0)
		b.bled++
		for i := range left {
			if b.bleed[i] {
				left[i]--
			}
		}
	}
}
