package record

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// siblings draws one figure of each cell with its interval, among the band in
// which its siblings lie: the median and Tukey's inner fences. A cell that was
// found odd is ringed and named.
func siblings(figures []qualify.Figure, odd map[int]bool, limit *float64, height float64, about, title string) *Drawing {
	p := newPlot(about, height)
	var values []float64
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, f := range figures {
		if !f.NoValue {
			values = append(values, f.Value)
			lo, hi = math.Min(lo, f.Value-f.U), math.Max(hi, f.Value+f.U)
		}
	}
	if len(values) == 0 {
		return nil
	}
	fences := sample.Tukey(values)
	median := sample.Median(values)
	lo, hi = math.Min(lo, fences.InnerLow), math.Max(hi, fences.InnerHigh)
	// A limit far away would press the cells into one line.
	if limit != nil && *limit < hi+2*(hi-lo) && *limit > lo-2*(hi-lo) {
		lo, hi = math.Min(lo, *limit), math.Max(hi, *limit)
	}
	p.values(lo, hi, math.Abs(median)/20, title)
	p.cells(len(figures))
	p.path("band", line([]float64{p.left(), p.right(), p.right(), p.left()},
		[]float64{p.y.at(fences.InnerLow), p.y.at(fences.InnerLow), p.y.at(fences.InnerHigh), p.y.at(fences.InnerHigh)})+"Z")
	p.path("median", stroke(p.left(), p.y.at(median), p.right(), p.y.at(median)))
	ends := []label{{p.y.at(median), "median"}, {p.y.at(fences.InnerHigh), "siblings to"}, {p.y.at(fences.InnerLow), "siblings from"}}
	if limit != nil && p.y.inside(*limit) {
		p.path("limit", stroke(p.left(), p.y.at(*limit), p.right(), p.y.at(*limit)))
		ends = append([]label{{p.y.at(*limit), "limit"}}, ends...)
	}
	for _, f := range figures {
		p.figure(f, odd[f.Cell])
	}
	p.ends(ends)
	return p.edges()
}

// figure draws one cell's value, with its interval where that is wider than the
// marker; an unproven one is open.
func (p *plot) figure(f qualify.Figure, odd bool) {
	if f.NoValue {
		return
	}
	x, y := p.x.at(float64(f.Cell)), p.y.at(f.Value)
	if reach := math.Abs(p.y.at(f.Value+f.U) - y); reach > 2 {
		p.path("interval", stroke(x, y-reach, x, y+reach)+stroke(x-2, y-reach, x+2, y-reach)+stroke(x-2, y+reach, x+2, y+reach))
	}
	class := "point"
	if f.Status != qualify.OK {
		class = "open"
	}
	p.path(class, diamond(x, y, 2.4))
	if odd {
		p.path("ring", circle(x, y, 6))
		up := y - 8
		if up < p.top+6 {
			up = y + 13
		}
		p.text(x, up, textSize, "middle", "odd", fmt.Sprintf("odd: %d", f.Cell))
	}
}

// rests draws each cell's voltage against the mean of all, before and after
// balancing, in mV.
func rests(before, after []float64, height float64) *Drawing {
	p := newPlot("Cell voltages at rest against their mean, before and after balancing.", height)
	series := []struct {
		values []float64
		name   string
		class  string
		mark   func(x, y, r float64) string
	}{{before, "before", "open", circle}, {after, "after", "point", diamond}}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range series {
		series[i].values = againstMean(series[i].values)
		for _, v := range series[i].values {
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
	}
	if math.IsInf(lo, 0) {
		return nil
	}
	p.values(lo, hi, 1, "against the mean / mV")
	n := max(len(before), len(after))
	p.cells(n)
	p.path("zero", stroke(p.left(), p.y.at(0), p.right(), p.y.at(0)))
	var ends []label
	for _, s := range series {
		if len(s.values) == 0 {
			continue
		}
		for c, v := range s.values {
			p.path(s.class, s.mark(p.x.at(float64(c+1)), p.y.at(v), 2.4))
		}
		ends = append(ends, label{p.y.at(s.values[len(s.values)-1]), s.name})
	}
	p.ends(ends)
	return p.edges()
}

// againstMean is in mV; none where a cell is missing.
func againstMean(volts []float64) []float64 {
	sum := 0.0
	for _, v := range volts {
		sum += v
	}
	if len(volts) == 0 || math.IsNaN(sum) {
		return nil
	}
	out := make([]float64, len(volts))
	for i, v := range volts {
		out[i] = 1000 * (v - sum/float64(len(volts)))
	}
	return out
}
