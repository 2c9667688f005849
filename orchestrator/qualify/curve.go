package qualify

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// curveRows is how many places of a discharge are kept: half a percent of the
// rated capacity apart, up to a fifth more than it.
const (
	curveRows  = 240
	curveWidth = 0.005
	// curveTop is how much charge after a full module belongs to the edge of the
	// current and not to the curve, as a share of the rated capacity.
	curveTop = 0.03
	// curveSide is how far on either side of a state its slope is taken.
	curveSide = 5
)

// CurvePoint is one place of the incremental capacity curve of the mean cell in
// the last whole discharge for the capacity.
type CurvePoint struct {
	Charge  float64 `json:"charge_Ah"` // taken out since full
	Voltage float64 `json:"voltage_V"`
	// PerVolt is -dQ/dV; 0 where the voltage does not fall.
	PerVolt float64 `json:"dQ_dV_Ah_per_V"`
}

// curve keeps the cells' voltages against the charge taken since full.
type curve struct {
	rated float64
	// Rows of the discharge under way and of the last whole one.
	now, last  [curveRows][]float64
	nRow, done int
	recording  bool
	q          float64 // A.s at the frame before
	// out is the charge taken since the module was full, A.s; NaN before.
	out float64
}

func (c *curve) init(cells int, rated float64) {
	c.rated, c.out = rated, math.NaN()
	for k := range c.now {
		c.now[k], c.last[k] = make([]float64, cells), make([]float64, cells)
	}
}

// begin starts recording with a discharge for the capacity from a full module.
func (c *curve) begin(r *run, full bool) {
	capacity, _ := use(r)
	c.recording, c.nRow, c.q = r.sign < 0 && capacity && full, 0, r.out.q
}

// frame keeps a row for each half percent that has gone since the frame before,
// whose counts are older.
func (c *curve) frame(s *scanner, r *run, counts, older []int32) {
	if !c.recording {
		return
	}
	for c.nRow < curveRows && r.out.q >= float64(c.nRow)*curveWidth*c.rated {
		w := 1.0
		if r.out.q > c.q {
			w = min(max((float64(c.nRow)*curveWidth*c.rated-c.q)/(r.out.q-c.q), 0), 1)
		}
		for i := range c.now[c.nRow] {
			if counts[i] == drivers.NoReading || older[i] == drivers.NoReading {
				c.recording = false // a hole is no place to interpolate over
				return
			}
			v := s.value(i, older[i])
			c.now[c.nRow][i] = v + w*(s.value(i, counts[i])-v)
		}
		c.nRow++
	}
	c.q = r.out.q
}

// close keeps a whole discharge that proves something, and follows the charge.
func (c *curve) close(r *run, full, whole bool) {
	if c.recording && whole && r.reason() == "" && c.nRow > 2*curveSide {
		c.now, c.last = c.last, c.now
		c.done = c.nRow
	}
	c.recording = false
	if full {
		c.out = 0
	} else {
		c.out += r.out.q - r.in.q
	}
}

// perVolt is each cell's dQ/dV in A.s/V where the module stands, or why it is not
// known.
func (c *curve) perVolt(rated float64) ([]float64, string) {
	switch {
	case math.IsNaN(c.out):
		return nil, "the state of charge is not known: the module was not full before"
	case c.done == 0:
		return nil, "no whole discharge tells the slope of the voltage"
	case c.out < curveTop*rated:
		return nil, "the module is full: polarisation hides the slope of its open-circuit curve there"
	}
	k := int(math.Round(c.out / (curveWidth * rated)))
	lo, hi := k-curveSide, k+curveSide
	if hi >= c.done {
		return nil, "the module stands at the end of its discharge curve"
	}
	lo = max(lo, int(curveTop/curveWidth))
	if hi-lo < curveSide {
		return nil, "the module stands at the edge of its discharge curve"
	}
	out := make([]float64, len(c.last[0]))
	for i := range out {
		if dv := c.last[lo][i] - c.last[hi][i]; dv > 0 {
			out[i] = float64(hi-lo) * curveWidth * rated / dv
		} else {
			out[i] = math.Inf(1)
		}
	}
	return out, ""
}

// points is the incremental capacity curve of the mean cell, smoothed over one
// percent of the rated capacity to either side.
func (c *curve) points() []CurvePoint {
	const side = 2
	mean := make([]float64, c.done)
	for k := range mean {
		for _, v := range c.last[k] {
			mean[k] += v / float64(len(c.last[k]))
		}
	}
	var out []CurvePoint
	for k := int(curveTop / curveWidth); k+side < len(mean); k++ {
		p := CurvePoint{Charge: float64(k) * curveWidth * c.rated / 3600, Voltage: mean[k]}
		if dv := mean[k-side] - mean[k+side]; dv > 0 {
			p.PerVolt = 2 * side * curveWidth * c.rated / 3600 / dv
		}
		out = append(out, p)
	}
	return out
}
