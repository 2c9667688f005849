package record

import (
	"fmt"
	"math"
	"slices"
)

// Phase is a part of a run for the strip above a plot.
type Phase struct {
	// From and To are seconds since the run began.
	From, To float64
	// Kind is the step's: charge, discharge, rest, pulse, balance.
	Kind string
}

// letters are what the strip writes into a phase.
var letters = map[string]string{"charge": "C", "discharge": "D", "rest": "R", "pulse": "P", "balance": "B"}

// stripHeight is the room that the strip of phases takes above a plot.
const stripHeight = 11.0

// strip draws the phases above the data, with a letter where there is room.
func (p *plot) strip(phases []Phase) {
	for _, ph := range phases {
		letter, known := letters[ph.Kind]
		x0, x1 := p.x.at(math.Max(ph.From, p.x.lo)), p.x.at(math.Min(ph.To, p.x.hi))
		if !known || x1-x0 < 0.3 {
			continue
		}
		y0, y1 := p.top-stripHeight, p.top-2
		p.path("phase "+ph.Kind, line([]float64{x0, x1, x1, x0}, []float64{y0, y0, y1, y1})+"Z")
		if x1-x0 > width(letter, textSize)+2 {
			p.text((x0+x1)/2, y1-2.2, 6.5, "middle", "phase "+ph.Kind, letter)
		}
	}
}

// places turns a line over time into places on paper.
func (p *plot) places(v *view, ys []float64) (px, py []float64) {
	px, py = make([]float64, len(ys)), make([]float64, len(ys))
	for i, s := range v.middles() {
		px[i], py[i] = p.x.at(s), p.y.at(ys[i])
	}
	return px, py
}

// area draws a band between the least and the greatest of an envelope.
func (p *plot) area(class string, v *view, low, high []float64) {
	px, lo := p.places(v, low)
	_, hi := p.places(v, high)
	for i := range lo {
		if lo[i]-hi[i] < 0.8 { // what is constant stays visible
			m := (lo[i] + hi[i]) / 2
			lo[i], hi[i] = m+0.4, m-0.4
		}
	}
	p.path(class, band(px, lo, hi))
}

func (p *plot) curve(class string, v *view, ys []float64) {
	px, py := p.places(v, ys)
	p.path(class, line(px, py))
}

// cellsDrawn is how many cells a fan draws one by one; the band shows the rest.
const cellsDrawn = 64

// fan is every cell's voltage over time, with the band from the lowest to the
// highest.
func fan(v *view, phases []Phase, height float64, about, title string) *Drawing {
	p := newPlot(about, height)
	if phases != nil {
		p.top += stripHeight
	}
	lo, _ := v.lowest.bounds()
	_, hi := v.highest.bounds()
	p.values(lo, hi, 0.01, "cell voltage / V")
	p.times(0, v.seconds(), title)
	if phases != nil {
		p.strip(phases)
	}
	p.area("band", v, v.lowest.low, v.highest.high)
	for c := range v.cells[:min(len(v.cells), cellsDrawn)] {
		p.curve("cell", v, v.cells[c].middle())
	}
	p.curve("high", v, v.highest.high)
	p.curve("low", v, v.lowest.low)
	p.ends([]label{
		{p.y.at(lastOf(v.highest.high)), "highest"},
		{p.y.at(lastOf(v.lowest.low)), "lowest"},
	})
	return p.edges()
}

// current is the module's current over time.
func current(v *view, phases []Phase, height float64) *Drawing {
	p := newPlot("Module current over time; charging is positive.", height)
	p.top += stripHeight
	lo, hi := v.current.bounds()
	p.values(math.Min(lo, 0), math.Max(hi, 0), 0.1, "current / A")
	p.times(0, v.seconds(), "time since the run began")
	p.strip(phases)
	p.path("zero", stroke(p.left(), p.y.at(0), p.right(), p.y.at(0)))
	p.area("solid", v, v.current.low, v.current.high)
	room := []label{}
	for _, l := range []struct {
		v float64
		s string
	}{{p.y.hi, "charge +"}, {p.y.lo, "discharge −"}} {
		room = append(room, label{p.y.at(l.v), l.s})
	}
	p.ends(room)
	return p.edges()
}

// temperatures are the sensors over time: the band of all, the hottest and the
// coldest named.
func temperatures(v *view, height float64, limit float64) *Drawing {
	p := newPlot("Temperatures of the sensors over time.", height)
	if len(v.temps) == 0 {
		return nil
	}
	low, high := merge(v.temps)
	e := envelope{low, high}
	lo, hi := e.bounds()
	p.values(lo, hi, 1, "temperature / °C")
	p.times(0, v.seconds(), "time since the run began")
	if p.y.inside(limit) {
		p.path("limit", stroke(p.left(), p.y.at(limit), p.right(), p.y.at(limit)))
	}
	p.area("band", v, low, high)
	p.curve("high", v, high)
	p.curve("low", v, low)
	hot, cold := extreme(v.temps)
	ends := []label{{p.y.at(lastOf(high)), "hottest"}, {p.y.at(lastOf(low)), "coldest"}}
	if hot >= 0 && cold >= 0 {
		p.About += fmt.Sprintf(" Sensor %d was hottest, sensor %d coldest.", hot+1, cold+1)
	}
	p.ends(ends)
	return p.edges()
}

// merge is the band that holds all envelopes.
func merge(all []envelope) (low, high []float64) {
	columns := 0
	for _, e := range all {
		columns = max(columns, len(e.low))
	}
	out := newEnvelope(columns)
	for _, e := range all {
		for i := range e.low {
			out.add(i, e.low[i])
			out.add(i, e.high[i])
		}
	}
	return out.low, out.high
}

// extreme names the envelopes that reach highest and lowest; -1 for none.
func extreme(all []envelope) (highest, lowest int) {
	highest, lowest = -1, -1
	most, least := math.Inf(-1), math.Inf(1)
	for i := range all {
		lo, hi := all[i].bounds()
		if hi > most {
			most, highest = hi, i
		}
		if lo < least {
			least, lowest = lo, i
		}
	}
	return highest, lowest
}

// apartness is how far the highest cell stands above the lowest, over time.
func apartness(v *view, phases []Phase, height float64) *Drawing {
	p := newPlot("Highest less lowest cell of each frame over time.", height)
	p.top += stripHeight
	_, hi := v.apart.bounds()
	p.values(0, math.Max(hi, 1), 1, "spread / mV")
	p.times(0, v.seconds(), "time since the run began")
	p.strip(phases)
	p.area("solid", v, v.apart.low, v.apart.high)
	return p.edges()
}

// merged joins phases of one kind that follow each other closely.
func merged(phases []Phase) []Phase {
	var out []Phase
	for _, ph := range phases {
		if _, known := letters[ph.Kind]; !known {
			continue
		}
		if n := len(out); n > 0 && out[n-1].Kind == ph.Kind && ph.From-out[n-1].To < 60 {
			out[n-1].To = ph.To
			continue
		}
		out = append(out, ph)
	}
	return slices.Clip(out)
}
