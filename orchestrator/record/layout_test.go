package record

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// apartFrom says which texts of a drawing touch, or leave it.
func touching(d *Drawing) []string {
	var out []string
	for i, a := range d.Texts {
		box := a.Box()
		if box.X0 < 0 || box.Y0 < 0 || box.X1 > d.Width || box.Y1 > d.Height+1 {
			out = append(out, a.S+" leaves the drawing")
		}
		for _, b := range d.Texts[:i] {
			if box.Overlaps(b.Box()) {
				out = append(out, a.S+" touches "+b.S)
			}
		}
	}
	return out
}

// Whatever the run's length, the number of cells and their values, no two labels
// touch and none leaves the drawing.
func TestNoLabelsTouch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bench := drivers.Bench{Monitor: drivers.MonitorSpec{Cells: rapid.IntRange(1, 512).Draw(t, "cells"), Temps: rapid.IntRange(0, 12).Draw(t, "sensors"), CellStep: 100, TempStep: 100, CurrentStep: 1000}}
		bench.Meter.VoltageStep, bench.Box.LinkStep = 1000, 1000
		for _, p := range []*drivers.PowerSpec{&bench.Supply, &bench.Load} {
			p.VoltageStep, p.CurrentStep = 1000, 1000
		}
		l, err := bench.Layout()
		if err != nil {
			t.Fatal(err)
		}
		span := drivers.Span(rapid.Int64Range(int64(drivers.Second), int64(40*24*drivers.Hour)).Draw(t, "length"))
		f := &qualify.Figures{}
		at := int64(start)
		for _, kind := range []string{"charge", "rest", "balance", "rest", "pulse", "discharge", "rest"} {
			share := rapid.Float64Range(0, 0.14).Draw(t, "share")
			seconds := share * float64(span) / 1e6
			f.Steps = append(f.Steps, qualify.Step{Label: kind, Kind: kind, StartUS: at, Seconds: seconds, EndVoltage: 80, StartVoltage: 70, Status: qualify.OK})
			at += int64(seconds * 1e6)
		}
		scale := rapid.Float64Range(0.01, 1e4).Draw(t, "scale")
		for c := range l.Cells() {
			v := scale * (1 + 0.1*math.Sin(float64(c)))
			f.Figures = append(f.Figures, qualify.Figure{Name: "resistance_10s", Cell: c + 1, Value: v, U: v * rapid.Float64Range(0, 0.2).Draw(t, "U"), Unit: "mOhm", Status: qualify.OK})
		}
		limit := scale * rapid.Float64Range(0.5, 2).Draw(t, "limit")
		sight := &Sight{From: start, To: start.Add(span), Steps: f.Steps, Limit: &limit, TempMax: 50}
		tr := sight.Tracer(l, 100*drivers.Millisecond)
		play(tr, l, start, start.Add(span), max(span/300, 1))
		plots := sight.Plots(tr, f)
		if len(plots) < 4 {
			t.Fatalf("%d plots", len(plots))
		}
		for _, p := range plots {
			if bad := touching(p.Drawing); len(bad) > 0 {
				t.Fatalf("%s %v", p.Title, bad)
			}
		}
	})
}

func TestAxisTicksAreRoundAndCover(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo := rapid.Float64Range(-1e5, 1e5).Draw(t, "lo")
		hi := lo + rapid.Float64Range(1e-4, 1e5).Draw(t, "length")
		most := rapid.IntRange(2, 12).Draw(t, "most")
		x := valueAxis(lo, hi, 100, 0, most)
		if x.lo > lo+1.1e-6*x.step || x.hi < hi-1.1e-6*x.step {
			t.Fatalf("%g to %g is not covered by %g to %g", lo, hi, x.lo, x.hi)
		}
		if n := len(x.ticks); n < 2 || n > most+3 {
			t.Fatalf("%d ticks where %d were asked for", n, most)
		}
		m := x.step / math.Pow(10, math.Floor(math.Log10(x.step)+1e-9))
		if math.Abs(m-1) > 1e-6 && math.Abs(m-2) > 1e-6 && math.Abs(m-5) > 1e-6 && math.Abs(m-10) > 1e-6 {
			t.Fatalf("a step of %g is not round", x.step)
		}
		seen := map[string]bool{}
		for _, v := range x.ticks {
			s := x.label(v, 1)
			if seen[s] {
				t.Fatalf("two ticks are called %s", s)
			}
			seen[s] = true
		}
	})
}

func TestTimeAxisCountsAsPeopleDo(t *testing.T) {
	for _, x := range []struct {
		seconds float64
		unit    string
		labels  []string
	}{
		{37, "s", []string{"0", "5", "10", "15", "20", "25", "30", "35"}},
		{1800, "min", []string{"0", "5", "10", "15", "20", "25", "30"}},
		{111_657, "h", []string{"0", "3", "6", "9", "12", "15", "18", "21", "24", "27", "30"}},
		{10 * 86400, "d", []string{"0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "10"}},
	} {
		a, unit, length := timeAxis(0, x.seconds, 0, 400, 12)
		var labels []string
		for _, v := range a.ticks {
			labels = append(labels, a.label(v, length))
		}
		assert.Equal(t, x.unit, unit)
		assert.Equal(t, x.labels, labels)
	}
}

func TestApart(t *testing.T) {
	got := apart([]label{{50, "a"}, {50.5, "b"}, {49, "c"}, {3, "d"}, {120, "e"}}, 8, 0, 100)
	assert.Len(t, got, 5)
	for i := 1; i < len(got); i++ {
		assert.GreaterOrEqual(t, got[i].y-got[i-1].y, 8-1e-9)
	}
	assert.Equal(t, "d", got[0].s)
	assert.LessOrEqual(t, got[4].y, 100.0)
	assert.Len(t, apart([]label{{1, "a"}, {2, "b"}, {3, "c"}}, 8, 0, 9), 2, "what has no room is left out")
}
