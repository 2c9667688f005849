package bdf

import (
	"fmt"
	"math"
	"strconv"
)

// Bounds beyond which a number is absurd, whatever the article: no shop has
// such a bench.
const (
	voltageMax = 1e4  // V
	currentMax = 1e5  // A
	timeMax    = 1e10 // s: 317 years, and Unix time fits
)

// row is one line that could be read.
type row struct {
	line    int
	t, v, i float64
	id      string  // step column, "" for none
	record  float64 // index within the step, 0 for none
	temp    float64 // degC, mean of the article's sensors; NaN for none
	in, out float64 // counters in Ah, NaN for none
}

// parse turns fields into a row, or says what is wrong with them.
func (h *header) parse(fields [][]byte, last string) (r row, bad string) {
	if len(fields) != h.width {
		return r, fmt.Sprintf("%d columns instead of %d", len(fields), h.width)
	}
	for _, x := range []struct {
		col  column
		into *float64
		max  float64
		name string
	}{{colTime, &r.t, timeMax, "time"}, {colVoltage, &r.v, voltageMax, "voltage"}, {colCurrent, &r.i, currentMax, "current"}} {
		text := fields[h.at[x.col]]
		if *x.into, bad = number(text, h.scale[x.col], x.max, x.name); bad != "" {
			return r, bad
		}
	}
	r.temp = h.temperature(fields)
	r.in, r.out = h.counter(fields, colStepIn, colIn), h.counter(fields, colStepOut, colOut)
	if c := h.at[colRecord]; c >= 0 {
		r.record, _ = number(fields[c], 1, 1e15, "")
	}
	c := h.at[colStepCount]
	if c < 0 {
		c = h.at[colStepID]
	}
	if c >= 0 {
		if r.id = last; string(fields[c]) != last { // compares without allocating
			r.id = string(fields[c])
		}
	}
	return r, ""
}

func number(text []byte, scale, limit float64, name string) (float64, string) {
	x, err := strconv.ParseFloat(string(text), 64)
	switch {
	case math.IsInf(x, 0) || math.IsNaN(x):
		return 0, fmt.Sprintf("%s %q is not finite", name, clip(text))
	case err != nil:
		return 0, fmt.Sprintf("%s %q is not a number", name, clip(text))
	}
	if x *= scale; math.Abs(x) > limit {
		return 0, fmt.Sprintf("%s %q is absurd", name, clip(text))
	}
	return x, ""
}

func clip(text []byte) string {
	if len(text) > 24 {
		return string(text[:24]) + "..."
	}
	return string(text)
}

// counter reads the instrument's own count, the step's before the running one.
func (h *header) counter(fields [][]byte, step, running column) float64 {
	for _, c := range []column{step, running} {
		if h.at[c] < 0 {
			continue
		}
		if x, bad := number(fields[h.at[c]], 1, 1e9, ""); bad == "" {
			return x
		}
		break
	}
	return math.NaN()
}

// temperature is the mean of the sensors on the article, or the ambient one.
func (h *header) temperature(fields [][]byte) float64 {
	sum, n := 0.0, 0.0
	for _, c := range h.temps {
		if x, bad := number(fields[c], 1, 1e4, ""); bad == "" {
			sum, n = sum+x, n+1
		}
	}
	if n == 0 {
		return math.NaN()
	}
	return sum / n
}

// order lets through rows whose time rises. One row is held back, so that a
// single time stamp that ran ahead does not condemn all that follow: two rows
// in a row that both lie before it prove it wrong.
type order struct {
	emit func(row)
	bad  func(line int, reason string)

	last, held, rival             row
	haveLast, haveHeld, haveRival bool
}

// after says whether a row may follow another: later, or at the same time as
// the first row of a new step.
func after(r, before *row) bool { return r.t > before.t || r.t == before.t && r.id != before.id }

func (o *order) push(r row) {
	switch {
	case !o.haveHeld:
		o.held, o.haveHeld = r, true
	case after(&r, &o.held):
		o.drop()
		o.release(r)
	case r.t == o.held.t:
		o.bad(r.line, "duplicate time")
	case o.haveLast && !after(&r, &o.last):
		o.bad(r.line, "time goes backwards")
	case !o.haveRival:
		o.rival, o.haveRival = r, true
	case after(&r, &o.rival):
		o.bad(o.held.line, "time runs ahead of the rows that follow")
		o.held, o.haveRival = o.rival, false
		o.release(r)
	default:
		o.bad(r.line, "time goes backwards")
	}
}

// release passes the held row on and holds r.
func (o *order) release(r row) {
	o.emit(o.held)
	o.last, o.haveLast = o.held, true
	o.held = r
}

func (o *order) drop() {
	if o.haveRival {
		o.bad(o.rival.line, "time goes backwards")
		o.haveRival = false
	}
}

func (o *order) end() {
	o.drop()
	if o.haveHeld {
		o.emit(o.held)
	}
}
