package study

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// What a bench measures of terminals and of the weakest cell's lag is what the
// plant was made of: neither truth comes from an estimator.
func TestMeasuredIsWhatThePlantIs(t *testing.T) {
	pulse, end := plan(t, pulseOnly, pulseRules), plan(t, endOnly, endRules)
	none, _ := KindOf("none")
	for seed := range uint64(4) {
		d, _, _ := pulse.trial(seed, &none)
		f := measured(t, pulse, seed, qualify.TerminalResistance)
		assert.InDelta(t, float64(d.config.Article.Terminals)/1000, f.Value, 1.5*f.U, "terminals, seed %d", seed)
		// Contactors that close just before the pulse move the voltages, which once
		// counted as noise: 0.9 mOhm.
		assert.Less(t, f.U, 0.1)

		d, _, _ = end.trial(seed, &none)
		rig, err := d.rig()
		require.NoError(t, err)
		m := rig.Plant().Module()
		var left []float64
		for k := range m.Len() {
			left = append(left, m.Charge(k))
		}
		want := 100 * (sample.Median(left) - slices.Min(left)) / (float64(end.Module.Rated) * 1e-9)
		f = measured(t, end, seed, qualify.CapacityLag)
		assert.InDelta(t, want, f.Value, 0.15, "lag, seed %d", seed)
		assert.Equal(t, slices.Index(left, slices.Min(left))+1, f.Worst, "seed %d", seed)
	}
}

func measured(t *testing.T, s *Study, seed uint64, name string) qualify.Figure {
	h, err := s.Record(seed)
	require.NoError(t, err)
	require.Equal(t, machine.OutcomeDone, h.Ended, h.Reason)
	f, ok := s.Measure(h, seed).Find(name)
	require.True(t, ok)
	require.Equal(t, qualify.OK, f.Status, f.Reason)
	return f
}

// The same seed measures the same, another one does not; and the truth of a rising
// edge is kept to the millisecond.
func TestMeasuringIsSeeded(t *testing.T) {
	s := plan(t, pulseOnly, pulseRules)
	h, err := s.Record(1)
	require.NoError(t, err)
	name := qualify.ResistanceName(true, 1, false)
	value := func(seed uint64) float64 {
		f, ok := s.Measure(h, seed).Find(name)
		require.True(t, ok)
		return f.Value
	}
	assert.Equal(t, value(7), value(7))
	assert.NotEqual(t, value(7), value(8))
	fine, last := 0, 0.0
	for k := range h.at {
		amps := math.Abs(float64(h.row(k)[h.planes.current])) * 1e-6
		if !h.sweep[k] && amps > last && amps < 39 {
			fine++
		}
		last = amps
	}
	assert.Greater(t, fine, 50, "80 ms of a ramp")
}

// A part that was kept counts as if it had been run; one of another study does not.
func TestPartsAreKept(t *testing.T) {
	kinds := Kinds()[:2]
	one, dir := NewTally(kinds), t.TempDir()
	for i := range 20 {
		one.Add(&Trial{Seed: uint64(i), Kind: "joint", Size: 2 + float64(i), Held: i > 9, Named: i > 9, Ended: machine.OutcomeDone, Decision: qualify.Fail})
	}
	one.Cover([]Cover{{"capacity", 40, 0.1, 40.05}, {"capacity", 40, 0.1, 40.2}})
	require.NoError(t, one.Take("a", "joint").Keep(dir))
	require.NoError(t, one.Take("a", "").Keep(dir))
	two := NewTally(kinds)
	for _, kind := range []string{"joint", ""} {
		p, ok, err := Kept(dir, "a", kind)
		require.NoError(t, err)
		require.True(t, ok)
		two.Put(p)
		_, ok, err = Kept(dir, "b", kind)
		require.NoError(t, err)
		assert.False(t, ok)
	}
	assert.Equal(t, one.Curves()[0].Bands, two.Curves()[0].Bands)
	assert.Equal(t, 10, two.Curves()[0].All.Held.Hits)
	assert.Equal(t, one.Coverages(), two.Coverages())
	assert.Equal(t, 1, two.Coverages()[0].Held.Hits)
	_, ok, err := Kept(dir, "a", "none")
	require.NoError(t, err)
	assert.False(t, ok)
}

// Read every millisecond, the foot of a ramp once stood for rest: half an ampere
// already flowed, and the truth at 10 s came out half a percent too great.
func TestFootOfARampIsNoRest(t *testing.T) {
	s := plan(t, pulseOnly, pulseRules)
	h, err := s.Record(2)
	require.NoError(t, err)
	name := qualify.ResistanceName(true, 10, false)
	was, ok := h.Truth().Find(name)
	require.True(t, ok)
	sum, n := 0.0, 20
	for seed := range n {
		f, ok := s.Measure(h, uint64(seed)).Find(name)
		require.True(t, ok)
		sum += f.Value / float64(n)
	}
	// Twenty shunts within 0.1 %, rectangular: four standard deviations of their mean
	// and the meter's noise are 0.1 %.
	assert.InEpsilon(t, was.Value, sum, 1.5e-3)
}

// What balancing left once counted twice in the capacity that measured ones are held
// against: by the recorded run's own planner, and by the plant.
func TestTruthTakesNoPlannerAtItsWord(t *testing.T) {
	s := plan(t, pulseOnly, pulseRules)
	h, err := s.Record(3)
	require.NoError(t, err)
	rec := machine.Record{Kind: machine.RecordNote, Text: "imbalance 2000 ppm of capacity, uncertainty 300 ppm"}
	h.told = append([]told{{at: h.told[0].at, rec: rec}}, h.told...)
	f, ok := h.Truth().Find(qualify.Imbalance)
	require.True(t, ok)
	assert.Zero(t, f.Value)
}
