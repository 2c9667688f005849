package pack

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

func options() Options { return Options{Seed: 1, Draws: 20000} }

func alike(n int, u float64, shared map[string]float64) []Candidate {
	var out []Candidate
	for i := range n {
		out = append(out, Candidate{Name: string(rune('A' + i)), Volts: 77, Resistance: Quantity{Value: 32},
			Capacity: Quantity{Value: 40, Spread: gum.Spread{Scale: u}, Shared: shared}})
	}
	return out
}

// One module: its own interval, k = 2 (GUM 6.3.3). Two in series: the least of two
// normal values has its median where 1 - Phi(z) = sqrt(1/2), z = -0.5450, and its
// interval from z = -2.2762 to z = 1.0324 (computed). What both have in common does
// not make the lesser less.
func TestForecast(t *testing.T) {
	const u = 0.1
	// Of 20 000 draws the quantiles at 2.3 % scatter by some 0.02 u.
	p, err := Choose(alike(1, u, nil), Layout{Strings: 1, Series: 1}, options())
	require.NoError(t, err)
	assert.InDelta(t, 40, p.Forecast.Charge.Median, 0.03*u)
	assert.InDelta(t, 40-2*u, p.Forecast.Charge.Low, 0.08*u)
	assert.InDelta(t, 40+2*u, p.Forecast.Charge.High, 0.08*u)
	assert.InDelta(t, 40*77, p.Energy, 1e-9)

	p, err = Choose(alike(2, u, nil), Layout{Strings: 1, Series: 2}, options())
	require.NoError(t, err)
	assert.InDelta(t, 40-0.5450*u, p.Forecast.Charge.Median, 0.03*u)
	assert.InDelta(t, 40-2.2762*u, p.Forecast.Charge.Low, 0.1*u)
	assert.InDelta(t, 40+1.0324*u, p.Forecast.Charge.High, 0.08*u)

	p, err = Choose(alike(2, u, map[string]float64{"quay-1: shunt gain": u}), Layout{Strings: 1, Series: 2}, options())
	require.NoError(t, err)
	assert.InDelta(t, 40, p.Forecast.Charge.Median, 0.04*u)
	// All of it is one rectangle then: 95.45 % of its width.
	assert.InDelta(t, 40-math.Sqrt(3)*0.9545*u, p.Forecast.Charge.Low, 0.05*u)

	again, err := Choose(alike(2, u, nil), Layout{Strings: 1, Series: 2}, options())
	require.NoError(t, err)
	more, err := Choose(alike(2, u, nil), Layout{Strings: 1, Series: 2}, options())
	require.NoError(t, err)
	assert.Equal(t, again.Forecast, more.Forecast, "a seed gives the same forecast")
}

// Student's distribution with few degrees of freedom: half widths of 95.45 % are
// 4.53 for two and 2.65 for five (GUM table G.2). A rectangle has its 95.45 %.
func TestDrawsFollowTheirDistribution(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for _, x := range []struct {
		s    gum.Spread
		want float64
		tol  float64
	}{
		{gum.Spread{Scale: 1}, 2.00, 0.03},
		{gum.Spread{Scale: 1, DoF: 2}, 4.53, 0.15},
		{gum.Spread{Scale: 1, DoF: 5}, 2.65, 0.06},
		{gum.Spread{Boxes: []float64{1}}, 0.9545, 0.005},
	} {
		list := make([]float64, 100_000)
		for i := range list {
			list[i] = drawSpread(&x.s, r)
		}
		e := estimate(list)
		assert.InDelta(t, x.want, e.High, x.tol, "%+v", x.s)
		assert.InDelta(t, -x.want, e.Low, x.tol, "%+v", x.s)
	}
}

// Two strings of two: currents divide as the resistances, 66 against 62 mOhm, and
// the string of less resistance, which carries 66/128 of it, is empty first.
func TestSharing(t *testing.T) {
	list := alike(4, 0.1, nil)
	for i, r := range []float64{34, 32, 31, 31} {
		list[i].Resistance.Value = r
	}
	l := Layout{Strings: 2, Series: 2, ModuleAmps: 50}
	p, err := Judge(list, [][]string{{"A", "B"}, {"C", "D"}}, l, options())
	require.NoError(t, err)
	low, high := p.Sets[0], p.Sets[1] // the string that carries more grows warmer
	assert.Equal(t, "A", high.Places[0].Module, "the most resistance where cooling is best")
	assert.InDelta(t, 66.0/128, low.Share, 1e-12)
	assert.InDelta(t, 62.0/128, high.Share, 1e-12)
	assert.InDelta(t, 66.0/64-1, low.Excess, 1e-12)
	assert.Equal(t, 0, p.Limiting)
	assert.InDelta(t, 40*128.0/66, p.Charge, 1e-9)
	assert.InDelta(t, p.Charge*154, p.Energy, 1e-6)
	assert.InDelta(t, 50*128.0/66, p.Current, 1e-9, "50 A of the one string")
	// 34 and 31 against 32 and 31 are two against three apart: evener.
	require.NotNil(t, p.Swap)
	assert.InDelta(t, 40*128.0/65-p.Charge, p.Swap.Charge, 1e-9)
	best, err := Choose(list, l, options())
	require.NoError(t, err)
	assert.True(t, best.Proven)
	assert.Nil(t, best.Swap)
	assert.InDelta(t, 40*128.0/65, best.Charge, 1e-9)

	// At -1 % a kelvin a string 10 K warmer has 10 % less and carries more.
	l.Gradient, l.PerKelvin = 10, -0.01
	p, err = Judge(list, [][]string{{"A", "B"}, {"C", "D"}}, l, options())
	require.NoError(t, err)
	cold, warm := 66*1.05, 62*0.95
	assert.InDelta(t, cold/(cold+warm), p.Sets[1].Share, 1e-12)
	// So the string of more resistance belongs where it is warm.
	p, err = Choose(list, l, options())
	require.NoError(t, err)
	assert.Greater(t, p.Sets[1].Resistance/0.95, p.Sets[0].Resistance/1.05)
}

// Two groups of two: within a group the one with less resistance carries more and
// grows warmer; between groups the one with more.
func TestSharingInGroups(t *testing.T) {
	list := alike(4, 0.1, nil)
	for i, r := range []float64{36, 30, 36, 33} {
		list[i].Resistance.Value = r
	}
	p, err := Judge(list, [][]string{{"A", "B"}, {"C", "D"}}, Layout{Strings: 2, Series: 2, ParallelFirst: true, ModuleAmps: 50}, options())
	require.NoError(t, err)
	assert.Equal(t, "D", p.Sets[0].Places[0].Module)
	assert.InDelta(t, 36.0/69, p.Sets[0].Places[0].Share, 1e-12)
	assert.InDelta(t, 36.0/66, p.Sets[1].Places[0].Share, 1e-12)
	assert.Equal(t, 1, p.Limiting)
	assert.Equal(t, "B", p.Sets[1].Weakest)
	assert.InDelta(t, 40*66.0/36, p.Charge, 1e-9)
	assert.InDelta(t, 50*66.0/36, p.Current, 1e-9)
	assert.InDelta(t, 36*33/69.0, p.Sets[0].Resistance, 1e-9)
	sum := 0.0
	for _, s := range p.Sets {
		for _, pl := range s.Places {
			sum += pl.Heat
		}
	}
	assert.InDelta(t, 4, sum, 1e-9, "heats are told against their mean")
}

// A string is as good as its weakest module, and that one costs what a middling one
// would bring: 40 against 39 Ah in a string of 77 V modules.
func TestWhatTheWeakestCosts(t *testing.T) {
	list := alike(4, 0.1, nil)
	list[2].Capacity.Value = 39
	p, err := Choose(list, Layout{Strings: 1, Series: 4}, options())
	require.NoError(t, err)
	assert.Equal(t, "C", p.Weakest.Out)
	assert.InDelta(t, 1, p.Weakest.Charge, 1e-9)
	assert.InDelta(t, 4*77, p.Weakest.Energy, 1e-9)
	assert.Equal(t, "C", p.Sets[0].Weakest)
	// With a spare one it is left over.
	p, err = Choose(append(list, alike(5, 0.1, nil)[4]), Layout{Strings: 1, Series: 4}, options())
	require.NoError(t, err)
	assert.Equal(t, []string{"C"}, p.Spare)
	assert.InDelta(t, 40, p.Charge, 1e-9)
}

// Standing without balancing: a module that leaks 2 mA more than its siblings has
// 1.44 Ah less after 30 days; among siblings that leak alike it costs nothing.
func TestStanding(t *testing.T) {
	list := alike(4, 0.1, nil)
	list[1].Leak.Value, list[3].Leak.Value = 2, 2
	l := Layout{Strings: 2, Series: 2, Standing: 720}
	p, err := Judge(list, [][]string{{"A", "B"}, {"C", "D"}}, l, options())
	require.NoError(t, err)
	assert.InDelta(t, 2*(40-1.44), p.Charge, 1e-9)
	assert.InDelta(t, 1.44, p.Sets[0].Apart, 1e-9)
	p, err = Choose(list, l, options())
	require.NoError(t, err)
	assert.InDelta(t, 80, p.Charge, 1e-9)
	assert.Zero(t, p.Sets[0].Apart)
}

func TestPlanRefusesNonsense(t *testing.T) {
	ok := Layout{Strings: 2, Series: 2}
	for want, f := range map[string]func() error{
		"2 strings of 3 need 6 modules; there are 4": func() error { _, err := Choose(alike(4, 0, nil), Layout{Strings: 2, Series: 3}, options()); return err },
		"0 strings":            func() error { _, err := Choose(alike(4, 0, nil), Layout{}, options()); return err },
		"100 to 1000000 would": func() error { _, err := Choose(alike(4, 0, nil), ok, Options{}); return err },
		"A is named twice": func() error {
			_, err := Choose(append(alike(4, 0, nil), alike(1, 0, nil)...), ok, options())
			return err
		},
		"capacity 0 Ah": func() error {
			l := alike(4, 0, nil)
			l[1].Capacity.Value = 0
			_, err := Choose(l, ok, options())
			return err
		},
		"capacity NaN Ah": func() error {
			l := alike(4, 0, nil)
			l[1].Capacity.Value = math.NaN()
			_, err := Choose(l, ok, options())
			return err
		},
		"resistance -1 mOhm": func() error {
			l := alike(4, 0, nil)
			l[1].Resistance.Value = -1
			_, err := Choose(l, ok, options())
			return err
		},
		"mean voltage 0 V":    func() error { l := alike(4, 0, nil); l[1].Volts = 0; _, err := Choose(l, ok, options()); return err },
		"1 sets are named":    func() error { _, err := Judge(alike(4, 0, nil), [][]string{{"A"}}, ok, options()); return err },
		"set 1 has 1 modules": func() error { _, err := Judge(alike(4, 0, nil), [][]string{{"A"}, {"B"}}, ok, options()); return err },
		"module A is unknown or": func() error {
			_, err := Judge(alike(4, 0, nil), [][]string{{"A", "B"}, {"A", "C"}}, ok, options())
			return err
		},
		"places differ by": func() error {
			_, err := Choose(alike(4, 0, nil), Layout{Strings: 2, Series: 2, Gradient: -1}, options())
			return err
		},
	} {
		assert.ErrorContains(t, f(), want)
	}
}
