package record

import "math"

// Sizes of every plot, in points. 500 pt fit between the margins of both A4
// and Letter.
const (
	plotWidth   = 500.0
	marginLeft  = 50.0
	marginRight = 62.0 // for the labels at the lines' ends
	marginTop   = 8.0
	axisRoom    = 26.0
	textSize    = 7.5
)

// plot is a drawing with its two axes.
type plot struct {
	Drawing
	x, y        axis
	top, bottom float64
}

// newPlot makes an empty plot of the height.
func newPlot(about string, height float64) *plot {
	p := &plot{Drawing: Drawing{Width: plotWidth, Height: height, About: about}}
	p.top, p.bottom = marginTop, height-axisRoom
	return p
}

// left and right are the edges of where data are drawn.
func (p *plot) left() float64  { return marginLeft }
func (p *plot) right() float64 { return p.Width - marginRight }

// values sets the vertical axis, which shows at least the given length, and
// draws it: what hardly differs is not blown up to fill the plot.
func (p *plot) values(lo, hi, least float64, title string) {
	if lo <= hi && hi-lo < least {
		more := (least - (hi - lo)) / 2
		lo, hi = lo-more, hi+more
	}
	p.y = valueAxis(lo, hi, p.bottom, p.top, max(2, int((p.bottom-p.top)/20)))
	var grid pen
	for _, v := range p.y.ticks {
		y := p.y.at(v)
		grid.to('M', p.left(), y)
		grid.to('L', p.right(), y)
		p.text(p.left()-4, y+0.34*textSize, textSize, "end", "tick", p.y.label(v, 1))
	}
	p.path("grid", grid.String())
	p.Texts = append(p.Texts, Text{X: 8, Y: (p.top + p.bottom) / 2, Size: textSize, Where: "middle", Turn: true, Class: "name", S: title})
}

// times sets the horizontal axis, in seconds since the beginning, and draws it.
func (p *plot) times(from, to float64, title string) {
	x, unit, length := timeAxis(from, to, p.left(), p.right(), 12)
	p.x = x
	p.ticks(func(v float64) string { return x.label(v, length) }, title+" / "+unit)
}

// cells sets the horizontal axis for cells numbered from one.
func (p *plot) cells(n int) {
	step := 1.0
	for _, s := range []float64{1, 2, 5, 10, 20, 50, 100} {
		step = s
		if float64(n)/s <= 26 {
			break
		}
	}
	p.x = axis{lo: 0.5, hi: float64(n) + 0.5, a: p.left(), b: p.right(), step: step}
	p.x.fill()
	p.ticks(func(v float64) string { return p.x.label(v, 1) }, "cell, counted from the negative end")
}

func (p *plot) ticks(name func(float64) string, title string) {
	var marks pen
	for _, v := range p.x.ticks {
		x := p.x.at(v)
		marks.to('M', x, p.bottom)
		marks.to('L', x, p.bottom+3)
		p.text(x, p.bottom+4+textSize, textSize, "middle", "tick", name(v))
	}
	p.path("axis", marks.String())
	p.text((p.left()+p.right())/2, p.Height-2, textSize, "middle", "name", title)
}

// edges draws what frames the data; last, so that nothing covers it.
func (p *plot) edges() *Drawing {
	p.path("axis", line([]float64{p.left(), p.left(), p.right()}, []float64{p.top, p.bottom, p.bottom}))
	return &p.Drawing
}

// ends writes labels beside the lines' ends.
func (p *plot) ends(labels []label) {
	for _, l := range apart(labels, 1.08*textSize, p.top+0.3*textSize, p.bottom-0.1*textSize) {
		p.text(p.right()+4, l.y+0.34*textSize, textSize, "start", "end", l.s)
	}
}

// lastOf is the last value of a line that is there.
func lastOf(ys []float64) float64 {
	for i := len(ys) - 1; i >= 0; i-- {
		if !math.IsNaN(ys[i]) {
			return ys[i]
		}
	}
	return math.NaN()
}
