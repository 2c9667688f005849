package firstcheck

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// article is what stands on the bench of these tests: its cells, how its sense
// wires run, and what flows.
type article struct {
	volts   []float64
	ohm     []float64
	temps   []float64
	amps    float64
	given   float64                              // what supply (positive) or load (negative) says
	reading func(k int, true_ []float64) float64 // nil: each channel reads its own cell
	meter   func(sum float64) float64
	rng     *rand.Rand
}

var testBench = drivers.Bench{
	Name: "slip 3",
	Monitor: drivers.MonitorSpec{
		Cells: 24, Temps: 4, Period: 100 * drivers.Millisecond, CellStep: 100, TempStep: 100, CurrentStep: 1000, Bleed: 33_000_000,
		CellAccuracy: drivers.Accuracy{Offset: 500}, TempAccuracy: drivers.Accuracy{Offset: 500}, CurrentAcc: drivers.Accuracy{GainPPM: 1000, Offset: 20_000},
	},
	Supply: drivers.PowerSpec{VoltageStep: 10_000, CurrentStep: 10_000},
	Load:   drivers.PowerSpec{VoltageStep: 10_000, CurrentStep: 10_000},
	Box:    drivers.BoxSpec{LinkStep: 10_000},
	Meter:  drivers.MeterSpec{VoltageStep: 1000, VoltageAcc: drivers.Accuracy{GainPPM: 50, Offset: 2000}},
}

func newArticle() *article {
	a := &article{rng: rand.New(rand.NewPCG(7, 1))}
	for k := range 24 {
		a.volts = append(a.volts, 3.29+0.0004*float64(k%5))
		a.ohm = append(a.ohm, 0.0015*(1+0.05*float64(k%3)))
	}
	a.temps = []float64{23, 23.2, 22.9, 23.1}
	return a
}

// frame is a reading of the article as it is now.
func (a *article) frame(l *drivers.Layout) *drivers.Frame {
	f := &drivers.Frame{Counts: make([]int32, len(l.Channels))}
	put := func(at int, v float64) {
		if at >= 0 {
			c := l.Channels[at].Scale
			f.Counts[at] = int32(math.Round(v*1e6/float64(c.Num)*float64(c.Den)) - float64(c.Offset)/float64(c.Num))
		}
	}
	now := make([]float64, len(a.volts))
	sum := 0.0
	for k := range now {
		now[k] = a.volts[k] + a.ohm[k]*a.amps
		sum += now[k]
	}
	for k := range now {
		v := now[k]
		if a.reading != nil {
			v = a.reading(k, now)
		}
		if math.IsNaN(v) {
			f.Counts[l.Cell(k)] = drivers.NoReading
			continue
		}
		put(l.Cell(k), v+40e-6*a.rng.NormFloat64())
	}
	for j, v := range a.temps {
		put(l.Temp(j), (v+273.15)/1e3)
	}
	if a.meter != nil {
		sum = a.meter(sum)
	}
	put(l.Find(drivers.ModuleVoltage), sum)
	put(l.Find(drivers.ModuleCurrent), a.amps)
	put(l.Find(drivers.SupplyCurrent), max(0, a.given))
	put(l.Find(drivers.LoadCurrent), max(0, -a.given))
	return f
}

func layout(t *testing.T) *drivers.Layout {
	l, err := testBench.Layout()
	require.NoError(t, err)
	return l
}

func kinds(list []Finding) (out []Kind) {
	for _, f := range list {
		out = append(out, f.Kind)
	}
	return out
}

// Each wiring mistake shows by what the channels then read (arithmetic of a
// series string; common practice, no source).
func TestRest(t *testing.T) {
	swap := func(i, j int) func(int, []float64) float64 {
		return func(k int, v []float64) float64 {
			switch k {
			case i:
				return v[j]
			case j:
				return v[i]
			}
			return v[k]
		}
	}
	at := func(which int, value func(v []float64) float64) func(int, []float64) float64 {
		return func(k int, v []float64) float64 {
			if k == which {
				return value(v)
			}
			return v[k]
		}
	}
	for name, tc := range map[string]struct {
		change func(*article, *Rest)
		kinds  []Kind
		cells  []int
		grade  Grade
	}{
		"as it should be": {nil, []Kind{TapsFit, PositionOpen}, nil, Good},
		"an open wire between two cells": {func(a *article, _ *Rest) {
			a.reading = func(k int, v []float64) float64 {
				switch k {
				case 5:
					return 0.01
				case 6:
					return v[5] + v[6] - 0.01
				}
				return v[k]
			}
		}, []Kind{TapMissing}, []int{5, 6}, Stop},
		"a wire left out": {func(a *article, _ *Rest) {
			a.reading = at(9, func(v []float64) float64 { return v[9] + v[10] })
		}, []Kind{TapMissing}, []int{9}, Stop},
		"two wires on one joint": {func(a *article, _ *Rest) { a.reading = at(3, func([]float64) float64 { return 0 }) },
			[]Kind{TapDoubled}, []int{3}, Stop},
		"a group at 0 V": {func(a *article, _ *Rest) { a.volts[3] = 0.02 }, []Kind{GroupDead}, []int{3}, Danger},
		"a group reversed": {func(a *article, _ *Rest) { a.volts[7] = -3.29 },
			[]Kind{TapNegative}, []int{7}, Stop},
		"a channel without a reading": {func(a *article, _ *Rest) { a.reading = at(2, func([]float64) float64 { return math.NaN() }) },
			[]Kind{TapSilent}, []int{2}, Stop},
		"never charged": {func(a *article, _ *Rest) { a.volts[20] = 1.95 }, []Kind{NeverCharge}, []int{20}, Quarantine},
		"overcharged":   {func(a *article, _ *Rest) { a.volts[20] = 3.66 }, []Kind{OverVoltage}, []int{20}, Danger},
		"a cold corner": {func(a *article, _ *Rest) { a.temps[2] = 20 }, []Kind{TempBand}, nil, Stop},
		"a current":     {func(a *article, _ *Rest) { a.amps = 0.5 }, []Kind{CurrentAtRest}, nil, Stop},
		"the meter's leads exchanged": {func(a *article, _ *Rest) { a.meter = func(s float64) float64 { return -s } },
			[]Kind{MeterReversed, PositionOpen}, nil, Stop},
		"a group that no tap sees": {func(a *article, _ *Rest) { a.meter = func(s float64) float64 { return s + 3.29 } },
			[]Kind{TapMissing, PositionOpen}, nil, Stop},
		"a group that the meter does not see": {func(a *article, _ *Rest) { a.meter = func(s float64) float64 { return s - 3.29 } },
			[]Kind{TapDoubled, PositionOpen}, nil, Stop},
		"a tap that reads 40 mV low": {func(a *article, _ *Rest) { a.reading = at(3, func(v []float64) float64 { return v[3] - 0.04 }) },
			[]Kind{SumOff, PositionOpen}, nil, Stop},
		"a cell brought apart, named by hand": {func(a *article, r *Rest) {
			a.volts[11] = 3.25
			r.ByHand = map[int]drivers.Microvolts{11: 3_250_000}
		}, []Kind{TapsFit, PositionProven}, nil, Good},
		"two channels exchanged, named by hand": {func(a *article, r *Rest) {
			a.volts[11], a.reading = 3.25, swap(11, 12)
			r.ByHand = map[int]drivers.Microvolts{11: 3_250_000}
		}, []Kind{TapsFit, PositionWrong}, nil, Stop},
		"a cell like its siblings proves nothing": {func(_ *article, r *Rest) {
			r.ByHand = map[int]drivers.Microvolts{11: 3_290_400}
		}, []Kind{TapsFit, PositionOpen}, nil, Good},
	} {
		t.Run(name, func(t *testing.T) {
			l := layout(t)
			a := newArticle()
			r, err := NewRest(&lfp, l)
			require.NoError(t, err)
			r.HandAccuracy = drivers.Accuracy{GainPPM: 500, Offset: 1000}
			if tc.change != nil {
				tc.change(a, r)
			}
			for range 50 {
				r.Frame(a.frame(l))
			}
			list := r.Findings()
			require.Equal(t, tc.kinds, kinds(list), "%v", list)
			require.Equal(t, tc.cells, list[0].Cells)
			require.Equal(t, tc.grade, Worst(list))
		})
	}
	r, err := NewRest(&lfp, layout(t))
	require.NoError(t, err)
	require.Equal(t, Unproven, Worst(r.Findings()), "no frame proves nothing")
}

// pulses runs a charge and a discharge pulse past the judge.
func pulses(t *testing.T, a *article, amps float64) []Finding {
	l := layout(t)
	r, err := NewResponse(&lfp, l)
	require.NoError(t, err)
	sign := 1.0
	if a.given != 0 {
		sign = a.given
	}
	for _, i := range []float64{0, amps, 0, -amps, 0} {
		for n := range 100 {
			a.amps, a.given = i, sign*i
			if n == 0 { // a frame within the edge
				a.amps, a.given = i/2, sign*i/2
			}
			r.Frame(a.frame(l))
		}
	}
	return r.Findings()
}

func TestResponse(t *testing.T) {
	for name, tc := range map[string]struct {
		change func(*article)
		amps   float64
		kinds  []Kind
		cells  []int
		grade  Grade
	}{
		"as it should be":   {nil, 2, []Kind{PulseFits}, nil, Good},
		"no pulse":          {nil, 0, []Kind{PulseNone}, nil, Unproven},
		"a pulse too small": {nil, 0.15, []Kind{PulseSmall}, nil, Unproven},
		"a channel that does not move": {func(a *article) {
			a.reading = func(k int, v []float64) float64 {
				if k == 4 {
					return 3.29
				}
				return v[k]
			}
		}, 2, []Kind{NoResponse}, []int{4}, Stop},
		"a channel that moves against it":   {func(a *article) { a.ohm[8] = -0.0015 }, 2, []Kind{ResponseSign}, []int{8}, Stop},
		"the shunt the wrong way round":     {func(a *article) { a.given = -1 }, 2, []Kind{CurrentSign}, nil, Stop},
		"a joint of ten times its siblings": {func(a *article) { a.ohm[8] = 0.015 }, 2, []Kind{ResponseLarge}, []int{8}, Stop},
	} {
		t.Run(name, func(t *testing.T) {
			a := newArticle()
			if tc.change != nil {
				tc.change(a)
			}
			list := pulses(t, a, tc.amps)
			require.Equal(t, tc.kinds, kinds(list), "%v", list)
			if tc.cells != nil {
				require.Equal(t, tc.cells, list[0].Cells)
			}
			require.Equal(t, tc.grade, Worst(list))
		})
	}
}

// The pulse that the finding asks for suffices.
func TestPulseNeeded(t *testing.T) {
	small := pulses(t, newArticle(), 0.15)
	require.Equal(t, []Kind{PulseSmall}, kinds(small))
	require.Regexp(t, `at least 0\.[0-9] A`, small[0].Do)
	require.Equal(t, []Kind{PulseFits}, kinds(pulses(t, newArticle(), 0.5)))
}

// Four edges are seen, and the middle cell's resistance comes out of them.
func TestResponseSize(t *testing.T) {
	list := pulses(t, newArticle(), 2)
	require.Contains(t, list[0].What, "at 4 edges of 2.000 A, by 3.1") // 2 A in 1.575 mOhm
}
