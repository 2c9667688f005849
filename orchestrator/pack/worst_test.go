package pack

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// On any curve and for any number of branches: no charge is made or lost, all rest
// at one voltage, and what the stores lose is what the resistances turn into heat.
func TestChargeAndEnergyAreKept(t *testing.T) {
	const seed = 4
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for range 30 {
		b := bank(t, r, 2+r.IntN(5))
		sources := likeliest(b)
		c, err := run(sources, false)
		require.NoError(t, err)
		moved, heat, lost := 0.0, 0.0, 0.0
		for i := range sources {
			s := &sources[i]
			moved += c.Moved[i]
			heat += c.Heat[i]
			end := s.soc + c.Moved[i]*3600/s.capacity
			assert.InDelta(t, c.Final, s.volts(end), 1e-6)
			mean := s.series*s.curve.mean(s.soc, end) + s.shift
			lost -= mean * (end - s.soc) * s.capacity
		}
		assert.InDelta(t, 0, moved, 1e-9)
		assert.InEpsilon(t, lost, heat, 1e-3)
	}
}

// Whatever the intervals allow stays under what is stated as the worst, at closing
// and ever after; and a bank within the intervals reaches the worst at closing.
func TestNothingExceedsTheWorst(t *testing.T) {
	const seed = 9
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	banks := 15
	if testing.Short() {
		banks = 3
	}
	for range banks {
		b := bank(t, r, 2+r.IntN(4))
		states := settledStates(b)
		w := worst(b, states)
		for range 40 {
			c, err := run(anyOf(r, b, states), true)
			require.NoError(t, err)
			for i := range b {
				first := c.Moments[0].Amps[i]
				assert.LessOrEqual(t, first, w[i].ClosingCharge+1e-9, "charging of %d at closing", i)
				assert.LessOrEqual(t, -first, w[i].ClosingDischarge+1e-9, "discharging of %d at closing", i)
				assert.LessOrEqual(t, c.Charging[i], w[i].Charge*(1+1e-9)+1e-9, "charging of %d", i)
				assert.LessOrEqual(t, c.Discharging[i], w[i].Discharge*(1+1e-9)+1e-9, "discharging of %d", i)
			}
		}
		for range 200 { // charge, where voltages follow from states of charge
			sources := make([]source, len(b))
			for i := range b {
				soc := states[i].soc.Low + (states[i].soc.High-states[i].soc.Low)*r.Float64()
				sources[i] = b[i].source(soc, 24*b[i].Curve.Voltage(soc), b[i].Resistance)
			}
			end := settled(sources)
			for i := range sources {
				assert.LessOrEqual(t, math.Abs(sources[i].taken(end)/3600), w[i].Moved+1e-9, "charge of %d", i)
			}
		}
	}
}

func settledStates(b []Branch) []state {
	states := make([]state, len(b))
	for i := range b {
		states[i] = b[i].settle()
	}
	return states
}

// The current at closing, over all resistances and voltages within their intervals,
// against every combination of their ends.
func TestClosingAgainstEveryCombination(t *testing.T) {
	const seed = 11
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for range 100 {
		b := bank(t, r, 2+r.IntN(3))
		for i := range b {
			b[i].ResistanceWithin = 0.9 * b[i].Resistance * r.Float64()
		}
		states := settledStates(b)
		taken, given := make([]float64, len(b)), make([]float64, len(b))
		for mask := range 1 << (2 * len(b)) {
			n := &node{amps: make([]float64, len(b))}
			y := make([]float64, len(b))
			for j := range b {
				v, ohms := states[j].volts.Low, b[j].lowest()
				if mask>>(2*j)&1 == 1 {
					v = states[j].volts.High
				}
				if mask>>(2*j+1)&1 == 1 {
					ohms = b[j].highest()
				}
				y[j] = states[j].mid
				n.sources = append(n.sources, b[j].source(y[j], v, ohms))
			}
			n.solve(y)
			for i, a := range n.amps {
				taken[i], given[i] = max(taken[i], a), max(given[i], -a)
			}
		}
		for i := range b {
			assert.InDelta(t, taken[i], closing(b, states, i, true), 1e-9*(1+taken[i]))
			assert.InDelta(t, given[i], closing(b, states, i, false), 1e-9*(1+given[i]))
		}
	}
}

// Found by drawing banks: a branch between two others takes most only after a small
// one beside it has filled, so the moment of closing is not the worst for it.
func TestTheMostMayComeAfterClosing(t *testing.T) {
	c := straight(t)
	mk := func(name string, ah, volts float64) Branch {
		return Branch{Name: name, Chemistry: "NMC", Curve: c, Series: 32, Capacity: ah, Resistance: 0.05, Voltage: volts,
			ChargeMax: 100, DischargeMax: 100, Joint: 100, Fuse: 100, Breaking: 50e3, Isolated: true, CellMin: 2.9, CellMax: 4.1, NoCharge: 2}
	}
	b := []Branch{mk("high", 400, 120), mk("small", 1, 116), mk("large", 400, 116)}
	p, err := Check(b, rules())
	require.NoError(t, err)
	w := p.Modules[2]
	assert.InEpsilon(t, 4/0.05/3, w.First, 1e-9)
	assert.InEpsilon(t, 4/0.05/3, w.Worst.ClosingCharge, 1e-9)
	course, err := run(likeliest(b), false)
	require.NoError(t, err)
	assert.InDelta(t, 4/0.05/2, course.Charging[2], 1, "the small one has filled and takes nothing any more")
	assert.GreaterOrEqual(t, w.Worst.Charge, course.Charging[2])
}
