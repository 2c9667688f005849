package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// The end of a discharge is kept in rows, so far apart and so many, as a share of
// the rated capacity: an eighth of it, in which the knee of every chemistry lies
// (common practice, no source).
const (
	tailRows  = 100
	tailWidth = 0.00125
)

// tail follows all cells through the end of a discharge. Where the weakest cell
// stands when it is empty its siblings will stand a little later: how much later,
// in charge, is read off the weakest cell's own course. Unlike a voltage, that is
// in proportion to what the cells differ by, however bent the curve is.
type tail struct {
	rated float64
	q     [tailRows]float64
	cells [tailRows][]float64
	n     int
	lag   *lagged // of the latest discharge that a cell ended
}

// lagged is what cells had left when one was empty.
type lagged struct {
	label, reason string
	weakest       int
	left          []float64 // A.s, 0 for the weakest; no more than reach
	reach         float64
	current       float64   // A
	slope         []float64 // V/(A.s) of the curve where each cell stood
	volts         []float64
}

func (t *tail) init(cells int, rated float64) {
	t.rated = rated
	for k := range t.cells {
		t.cells[k] = make([]float64, cells)
	}
}

// frame takes a frame of a discharge that a cell's voltage may end.
func (t *tail) frame(s *scanner, r *run, counts []int32) {
	if r.sign >= 0 || r.target == 0 {
		return
	}
	if t.n > 0 && r.out.q-t.q[(t.n-1)%tailRows] < tailWidth*t.rated {
		return
	}
	row := t.cells[t.n%tailRows]
	for c := range row {
		if counts[c] == drivers.NoReading {
			return
		}
		row[c] = s.value(c, counts[c])
	}
	t.q[t.n%tailRows] = r.out.q
	t.n++
}

// close reads off what the cells had left.
func (t *tail) close(a *Analyser, r *run) {
	n := min(t.n, tailRows)
	rows := t.n
	t.n = 0
	if r.sign >= 0 || r.how(&a.scan) != endCell || n < 3 || r.endCell == 0 {
		return
	}
	end := a.plateau(r)
	if end == nil {
		return
	}
	w := r.endCell - 1
	x := &lagged{label: r.spec.Label, reason: r.reason(), weakest: w, current: math.Abs(end.i), volts: end.cells,
		left: make([]float64, len(end.cells)), slope: make([]float64, len(end.cells))}
	oldest := t.q[(rows-n)%tailRows]
	x.reach = r.out.q - oldest
	for c, v := range end.cells {
		if math.IsNaN(v) {
			return
		}
		x.left[c], x.slope[c] = x.reach, 0
		after, afterQ := end.cells[w], r.out.q
		for k := 1; k <= n; k++ {
			j := (rows - k) % tailRows
			before, q := t.cells[j][w], t.q[j]
			if afterQ > q && before > after {
				x.slope[c] = (before - after) / (afterQ - q)
				if before >= v {
					x.left[c] = r.out.q - afterQ + max(v-after, 0)/x.slope[c]
					break
				}
				after, afterQ = before, q
			}
		}
	}
	t.lag = x
}

// A cell's steady resistance near empty over that at a pulse: one to two times as much
// (common practice, no source).
const lagRatio, lagWithin = 1.5, 0.5

// corrected is what the cells had left, by their voltages without what their
// resistances differ by: under the same current a sibling of more resistance stands
// lower than its charge says.
func (x *lagged) corrected(p *pulses) []float64 {
	r, ok := p.reference().values()
	if !ok || len(r) != len(x.left) {
		return x.left
	}
	out := make([]float64, len(x.left))
	for c, left := range x.left {
		out[c] = left
		if s := x.slope[c]; s > 0 && left < x.reach {
			out[c] += lagRatio * x.current * (r[c] - r[x.weakest]) * 1e-3 / s
		}
	}
	return out
}

// figures tell how much less the weakest cell gave than its siblings' median, in %
// of the rated capacity.
func (t *tail) figures(p *pulses, b *instruments) []Figure {
	x := t.lag
	if x == nil {
		return nil
	}
	left := x.corrected(p)
	median := sample.Median(left)
	if median >= x.reach {
		return []Figure{unproven(CapacityLag, "%", x.label+": its siblings' end is out of sight when the weakest cell is empty")}
	}
	at := 0 // the cell nearest to the median
	for c := range left {
		if math.Abs(left[c]-median) < math.Abs(left[at]-median) {
			at = c
		}
	}
	// Read off the weakest cell's course; a sibling's is as much longer as it holds more.
	percent := 100 / t.rated * (1 + median/t.rated)
	v := gum.Exact(percent*median).With(b.shuntGain, percent*median).
		With(gum.Rectangular("sibling's longer course", 0.5), 100*median*median/t.rated/t.rated)
	if s := x.slope[at]; s > 0 {
		gain, offset := b.scan.accuracy(at)
		v = v.With(gum.Rectangular("tap", gain*x.volts[at]+offset), percent/s).
			With(gum.Rectangular("weakest cell's tap", gain*x.volts[x.weakest]+offset), percent/s).
			With(gum.Rectangular("tap step", b.scan.mul[at]/2*math.Sqrt2), percent/s)
		if r, ok := p.reference().values(); ok {
			// What the correction leaves, of the difference of two siblings.
			_, mad := sample.MAD(r)
			v = v.With(gum.Rectangular("siblings' resistance near empty", lagWithin), percent*x.current/s*mad*1.4826e-3*math.Sqrt2)
		}
	}
	f := figure(CapacityLag, "%", v).because(x.reason)
	f.Worst = x.weakest + 1
	return []Figure{f.with(fmt.Sprintf("%s: cell %d under its siblings' median, of the rated capacity", x.label, x.weakest+1))}
}
