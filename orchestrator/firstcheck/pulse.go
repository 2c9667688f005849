package firstcheck

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// Response judges each channel by its answer to a small pulse of current: a
// channel that does not move is not wired, or is repeated by its monitor; one
// that moves the wrong way is wired or signed wrong. Frames go in, in their
// order.
//
// Edges of current are found in the monitor's own shunt; the instruments' own
// readings say which way it truly flowed.
type Response struct {
	a      *Article
	layout *drivers.Layout

	// before is what was steady before the latest edge, none once that has
	// counted; during goes on; last is the full block before it.
	before, during, last block

	edges int
	step  float64 // uA, sum of the magnitudes
	given float64 // uA, by what supply and load say, positive along the step
	moved []float64
	noise []float64
	seen  int
}

// block is a length of steady current.
type block struct {
	n    int
	mean []float64 // by channel
	m2   []float64 // sum of squared differences, for the noise
}

func (b *block) add(v []float64) {
	if b.mean == nil {
		b.mean, b.m2 = make([]float64, len(v)), make([]float64, len(v))
	}
	b.n++
	for i, x := range v {
		d := x - b.mean[i]
		b.mean[i] += d / float64(b.n)
		b.m2[i] += d * (x - b.mean[i])
	}
}

// blockMost bounds how many frames on either side of an edge are compared, so
// that a slow drift of the open-circuit voltage does not count; blockLeast is
// the fewest.
const (
	blockMost  = 20
	blockLeast = 5
)

// NewResponse returns a judge of a run with small pulses in it.
func NewResponse(a *Article, layout *drivers.Layout) (*Response, error) {
	switch {
	case layout.Cells() != a.Series:
		return nil, fmt.Errorf("first check: the monitor reads %d cells, the module has %d in series", layout.Cells(), a.Series)
	case layout.Find(drivers.ModuleCurrent) < 0:
		return nil, errors.New("first check: the monitor reads no current; a shunt in the module's own line would be right")
	case a.CellResistance <= 0:
		return nil, errors.New("first check: the module's file states no cell resistance; one above zero would be right")
	}
	return &Response{a: a, layout: layout, moved: make([]float64, a.Series), noise: make([]float64, a.Series)}, nil
}

// Frame takes one reading. Frames in which a channel gives none are left out.
func (r *Response) Frame(f *drivers.Frame) {
	v := make([]float64, len(f.Counts))
	for at, c := range f.Counts {
		if c == drivers.NoReading {
			return
		}
		v[at] = float64(r.layout.Channels[at].Scale.Value(c))
	}
	r.seen++
	i := r.layout.Find(drivers.ModuleCurrent)
	if r.during.n > 0 && math.Abs(v[i]-r.during.mean[i]) > r.edge(i, v[i]) {
		r.close()
		switch { // a frame or two within the edge belong to neither side
		case r.during.n >= blockLeast:
			r.before = r.during
		case r.before.n == 0:
			r.before = r.last
		}
		r.during = block{}
	} else if r.during.n == blockMost {
		// A long steady time: what counts before the next edge is its end.
		r.close()
		r.before, r.last, r.during = block{}, r.during, block{}
	}
	r.during.add(v)
}

// edge is the least change of current that counts as one.
func (r *Response) edge(at int, value float64) float64 {
	c := r.layout.Channels[at]
	return 4 * float64(accuracy(c, int64(value)))
}

// close takes the difference across the edge behind the present block.
func (r *Response) close() {
	if r.before.n < blockLeast || r.during.n < blockLeast {
		return
	}
	i := r.layout.Find(drivers.ModuleCurrent)
	d := r.during.mean[i] - r.before.mean[i]
	sign := math.Copysign(1, d)
	r.edges++
	r.step += math.Abs(d)
	for at, plus := range map[drivers.Kind]float64{drivers.SupplyCurrent: 1, drivers.LoadCurrent: -1} {
		if p := r.layout.Find(at); p >= 0 {
			r.given += sign * plus * (r.during.mean[p] - r.before.mean[p])
		}
	}
	for k := range r.moved {
		at := r.layout.Cell(k)
		r.moved[k] += sign * (r.during.mean[at] - r.before.mean[at])
		for _, b := range []*block{&r.before, &r.during} {
			r.noise[k] += b.m2[at] / float64(b.n-1) / float64(b.n)
		}
	}
	r.before = block{} // an edge counts once
}

// Findings judges what was seen.
func (r *Response) Findings() []Finding {
	r.close()
	if r.edges == 0 {
		return []Finding{{PulseNone, Unproven, nil, fmt.Sprintf("no step of current in %d frames", r.seen), "Run the profile first-checks on the bench and check that run."}}
	}
	mean := func(v float64) float64 { return v / float64(r.edges) }
	want := mean(r.step) * float64(r.a.CellResistance) / 1e6 // uV, at the first moment; the rest comes on top
	var list []Finding
	if r.given < -r.step/2 {
		list = append(list, Finding{CurrentSign, Stop, nil,
			fmt.Sprintf("the shunt says the opposite of what supply and load say: %.3f A against %.3f A a step", mean(r.step)/1e6, mean(r.given)/1e6),
			"Exchange the shunt's sense wires, or correct its sign in the bench file. Charge current is positive."})
	}
	still, wrong, large, small := r.sort(want)
	if len(small) > 0 {
		return append(list, Finding{PulseSmall, Unproven, small,
			fmt.Sprintf("a step of %.3f A moves a good cell by %.2f mV, too little against steps and noise of the taps", mean(r.step)/1e6, want/1e3),
			fmt.Sprintf("Use a pulse of at least %.1f A, within the limits.", mean(r.step)/1e6*r.needed(want))})
	}
	if len(still) > 0 {
		list = append(list, Finding{NoResponse, Stop, still, fmt.Sprintf("%s did not move with the current; a good cell moves by %.2f mV", plural(still), want/1e3),
			"The channel is not wired to its cell, or the monitor repeats an old value: measure that cell with a hand meter during a pulse."})
	}
	if len(wrong) > 0 {
		what, do := plural(wrong)+" moved against the current", "Its sense wires are exchanged: compare them with the wiring list, with the monitor unplugged. "+noTouch
		if len(wrong) == r.a.Series {
			what, do = "every cell moved against the current: the shunt's sign is wrong", "Exchange the shunt's sense wires, or correct its sign in the bench file. Charge current is positive."
		}
		list = append(list, Finding{ResponseSign, Stop, wrong, what, do})
	}
	if len(large) > 0 {
		list = append(list, Finding{ResponseLarge, Stop, large, fmt.Sprintf("%s moved by more than four times what their siblings do", plural(large)),
			"A bad joint, a loose sense wire or a weak group: do not load the module further before that is found."})
	}
	if len(list) == 0 {
		list = append(list, Finding{PulseFits, Good, nil,
			fmt.Sprintf("all %d cells moved with the current at %d edges of %.3f A, by %.2f mV in the middle", r.a.Series, r.edges, mean(r.step)/1e6, mean(median(r.moved))/1e3), "Go on."})
	}
	return list
}

// sort says which cells did not move, moved wrong or too much, or cannot be told.
func (r *Response) sort(want float64) (still, wrong, large, small []int) {
	middle := math.Abs(median(r.moved)) / float64(r.edges)
	for k, sum := range r.moved {
		v, unsure := sum/float64(r.edges), r.unsure(k)
		switch {
		case want < 3*unsure:
			small = append(small, k)
		case math.Abs(v) < want/4:
			still = append(still, k)
		case v < 0:
			wrong = append(wrong, k)
		case v > 4*max(middle, want):
			large = append(large, k)
		}
	}
	return still, wrong, large, small
}

// unsure is three standard deviations of a cell's mean movement and what its
// steps hide, in uV.
func (r *Response) unsure(k int) float64 {
	c := r.layout.Channels[r.layout.Cell(k)]
	n := float64(r.edges)
	return 3*math.Sqrt(r.noise[k])/n + float64(c.Scale.Num)/float64(c.Scale.Den)
}

// needed is how many times larger the pulse would have to be.
func (r *Response) needed(want float64) float64 {
	most := 0.0
	for k := range r.moved {
		most = max(most, 3*r.unsure(k)/want)
	}
	return most
}

func median(v []float64) float64 {
	s := slices.Sorted(slices.Values(v))
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}
