package record

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// columnsMost is how many columns a plot over time has at most; one is then about
// a point wide, and every reading of a run falls into one of them. A short run has
// fewer, columnFrames readings to each, so that an empty one is missing data.
const (
	columnsMost  = 400
	columnsLeast = 8
	columnFrames = 2
)

// Tracer takes the frames of one run in order and keeps what the plots show: in
// each column of each plot the least and the greatest value of every channel.
// It allocates nothing per frame and is not safe for concurrent use.
type Tracer struct {
	layout  *drivers.Layout
	whole   *view
	rest    *view // nil: none
	at      []drivers.Instant
	samples [][]float64 // voltages of cells at these instants, NaN where unknown
	taken   []drivers.Instant
	cells   []float64 // of the frame in hand, V
}

// sampleWithin is how long before an instant a frame may lie to stand for it.
const sampleWithin = drivers.Minute

// NewTracer returns a tracer of a run from and to the given instants, read every
// period; rest is the part of it, if any, whose relaxation is shown, and samples
// are instants whose cell voltages are kept.
func NewTracer(layout *drivers.Layout, period drivers.Span, from, to drivers.Instant, rest [2]drivers.Instant, samples []drivers.Instant) *Tracer {
	t := &Tracer{layout: layout, whole: newView(layout, period, from, to), at: samples, cells: make([]float64, layout.Cells())}
	if rest[1] > rest[0] {
		t.rest = newView(layout, period, rest[0], rest[1])
	}
	t.samples, t.taken = make([][]float64, len(samples)), make([]drivers.Instant, len(samples))
	for i := range t.samples {
		t.samples[i] = make([]float64, layout.Cells())
		for c := range t.samples[i] {
			t.samples[i][c] = math.NaN()
		}
	}
	return t
}

// Frame takes the next frame; it keeps nothing of f.
func (t *Tracer) Frame(f *drivers.Frame) {
	if len(f.Counts) != len(t.layout.Channels) {
		return
	}
	for c := range t.cells {
		t.cells[c] = t.value(f, c)
	}
	t.whole.frame(t, f)
	if t.rest != nil {
		t.rest.frame(t, f)
	}
	for i, at := range t.at {
		if f.At <= at && at.Sub(f.At) <= sampleWithin && f.At >= t.taken[i] {
			copy(t.samples[i], t.cells)
			t.taken[i] = f.At
		}
	}
}

// value is a channel's reading in V, A or degC; NaN where there is none.
func (t *Tracer) value(f *drivers.Frame, pos int) float64 {
	if pos < 0 || f.Counts[pos] == drivers.NoReading {
		return math.NaN()
	}
	c := &t.layout.Channels[pos]
	v := float64(c.Scale.Value(f.Counts[pos]))
	if c.Kind == drivers.Temperature {
		return (v - float64(drivers.ZeroC)) / 1e3
	}
	return v / 1e6
}

// view is a run, or a part of it, in columns.
type view struct {
	from, to drivers.Instant
	columns  int
	cells    []envelope // of each cell, V
	temps    []envelope // of each sensor, degC
	current  envelope   // A
	lowest   envelope   // cell of each frame, V
	highest  envelope
	apart    envelope // highest less lowest cell of a frame, mV
}

// envelope holds the least and the greatest value in each column, NaN where
// there is none.
type envelope struct{ low, high []float64 }

func newEnvelope(columns int) envelope {
	e := envelope{make([]float64, columns), make([]float64, columns)}
	for i := range e.low {
		e.low[i], e.high[i] = math.NaN(), math.NaN()
	}
	return e
}

func (e *envelope) add(col int, v float64) {
	if math.IsNaN(v) {
		return
	}
	if !(e.low[col] <= v) {
		e.low[col] = v
	}
	if !(e.high[col] >= v) {
		e.high[col] = v
	}
}

// middle is a line through the middle of each column.
func (e *envelope) middle() []float64 {
	out := make([]float64, len(e.low))
	for i := range out {
		out[i] = (e.low[i] + e.high[i]) / 2
	}
	return out
}

// bounds are the least and the greatest of all; not a number where there is
// nothing.
func (e *envelope) bounds() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for i := range e.low {
		if !math.IsNaN(e.low[i]) {
			lo, hi = math.Min(lo, e.low[i]), math.Max(hi, e.high[i])
		}
	}
	return lo, hi
}

func newView(l *drivers.Layout, period drivers.Span, from, to drivers.Instant) *view {
	n := int(min(max(to.Sub(from)/max(columnFrames*period, 1), columnsLeast), columnsMost))
	v := &view{from: from, to: max(to, from+1), columns: n, current: newEnvelope(n), lowest: newEnvelope(n), highest: newEnvelope(n), apart: newEnvelope(n)}
	for range l.Cells() {
		v.cells = append(v.cells, newEnvelope(n))
	}
	for range l.Temps() {
		v.temps = append(v.temps, newEnvelope(n))
	}
	return v
}

// seconds is the view's length.
func (v *view) seconds() float64 { return float64(v.to.Sub(v.from)) / 1e6 }

// middles are the columns' middles in seconds since the view's beginning.
func (v *view) middles() []float64 {
	out := make([]float64, v.columns)
	for i := range out {
		out[i] = (float64(i) + 0.5) * v.seconds() / float64(v.columns)
	}
	return out
}

func (v *view) frame(t *Tracer, f *drivers.Frame) {
	if f.At < v.from || f.At > v.to {
		return
	}
	col := min(int(float64(f.At.Sub(v.from))/float64(v.to.Sub(v.from))*float64(v.columns)), v.columns-1)
	lo, hi, whole := math.Inf(1), math.Inf(-1), len(t.cells) > 0
	for c, volts := range t.cells {
		v.cells[c].add(col, volts)
		whole = whole && !math.IsNaN(volts)
		lo, hi = math.Min(lo, volts), math.Max(hi, volts)
	}
	if whole {
		v.lowest.add(col, lo)
		v.highest.add(col, hi)
		v.apart.add(col, (hi-lo)*1000)
	}
	for i := range v.temps {
		v.temps[i].add(col, t.value(f, t.layout.Temp(i)))
	}
	v.current.add(col, t.value(f, t.layout.Find(drivers.ModuleCurrent)))
}
