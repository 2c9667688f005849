package record

import (
	"math"
	"strconv"
	"strings"
)

// Drawing is one plot: shapes in points, origin at the upper left. Its classes
// are drawn by the page's style sheet.
type Drawing struct {
	Width, Height float64
	// About says in words what is seen, for those who cannot see it.
	About string
	Paths []Path
	Texts []Text
}

// Path is a line or an area.
type Path struct{ D, Class string }

// Text is one label. Its box is estimated generously (width), so that labels
// placed by it do not touch in whatever sans-serif face the reader has.
type Text struct {
	X, Y  float64 // of the base line's anchor
	Size  float64
	Where string // start, middle or end: which part of the text is at X
	Turn  bool   // a quarter turn counter-clockwise around the anchor
	Class string
	S     string
}

// Box is a rectangle on paper.
type Box struct{ X0, Y0, X1, Y1 float64 }

// Overlaps says that two boxes share more than their edges.
func (b Box) Overlaps(c Box) bool {
	return b.X0 < c.X1 && c.X0 < b.X1 && b.Y0 < c.Y1 && c.Y0 < b.Y1
}

// Box is where the text lies.
func (t Text) Box() Box {
	w := width(t.S, t.Size)
	up, down := 0.76*t.Size, 0.22*t.Size
	before := map[string]float64{"middle": w / 2, "end": w}[t.Where]
	if t.Turn {
		return Box{t.X - up, t.Y + before - w, t.X + down, t.Y + before}
	}
	return Box{t.X - before, t.Y - up, t.X - before + w, t.Y + down}
}

// width estimates a text's width: by the widths of the widest of the faces that
// the style sheet names (DejaVu Sans, in 1/1000 of the size, by classes).
func width(s string, size float64) float64 {
	sum := 0.0
	for _, r := range s {
		switch {
		case strings.ContainsRune("iljI.,:;'|!()[]/ ", r):
			sum += 390
		case r == 'm' || r == 'w' || r == 'M' || r == 'W' || r == '%' || r == '—':
			sum += 980
		case r >= 'A' && r <= 'Z' || r == '−' || r == '±' || r == '+' || r == 'Ω' || r == '≤' || r == '≥':
			sum += 840
		case r < 128:
			sum += 640
		default:
			sum += 900
		}
	}
	return sum / 1000 * size
}

func (d *Drawing) text(x, y, size float64, where, class, s string) {
	d.Texts = append(d.Texts, Text{X: x, Y: y, Size: size, Where: where, Class: class, S: s})
}

func (d *Drawing) path(class, data string) {
	if data != "" {
		d.Paths = append(d.Paths, Path{D: data, Class: class})
	}
}

// pen writes the data of a path.
type pen struct{ b strings.Builder }

func (p *pen) to(command byte, x, y float64) {
	p.b.WriteByte(command)
	p.b.WriteString(coordinate(x))
	p.b.WriteByte(' ')
	p.b.WriteString(coordinate(y))
}

func (p *pen) close()         { p.b.WriteByte('Z') }
func (p *pen) String() string { return p.b.String() }

// coordinate has a tenth of a point, which no printer exceeds.
func coordinate(v float64) string {
	s := strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
	if s == "-0" {
		return "0"
	}
	return s
}

// line joins points; NaN breaks it.
func line(xs, ys []float64) string {
	var p pen
	down := false
	for i := range xs {
		if math.IsNaN(xs[i]) || math.IsNaN(ys[i]) {
			down = false
			continue
		}
		command := byte('L')
		if !down {
			command = 'M'
		}
		p.to(command, xs[i], ys[i])
		down = true
	}
	return p.String()
}

// band is the area between two lines; where either has a gap, it ends.
func band(xs, low, high []float64) string {
	var p pen
	for i := 0; i < len(xs); {
		j := i
		for j < len(xs) && !math.IsNaN(low[j]) && !math.IsNaN(high[j]) {
			j++
		}
		if j > i {
			command := byte('M')
			for k := i; k < j; k++ {
				p.to(command, xs[k], low[k])
				command = 'L'
			}
			for k := j - 1; k >= i; k-- {
				p.to('L', xs[k], high[k])
			}
			p.close()
		}
		i = j + 1
	}
	return p.String()
}

// Markers, centred. Their shapes tell series apart without colour.
func circle(x, y, r float64) string {
	var p pen
	p.to('M', x-r, y)
	for _, end := range []float64{x + r, x - r} {
		p.b.WriteString("A" + coordinate(r) + " " + coordinate(r) + " 0 0 1 " + coordinate(end) + " " + coordinate(y))
	}
	p.close()
	return p.String()
}

func diamond(x, y, r float64) string {
	return polygon([]float64{x, x + r, x, x - r}, []float64{y - r, y, y + r, y})
}

func polygon(xs, ys []float64) string { return line(xs, ys) + "Z" }

func stroke(x0, y0, x1, y1 float64) string { return line([]float64{x0, x1}, []float64{y0, y1}) }
