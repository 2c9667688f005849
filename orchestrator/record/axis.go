package record

import (
	"math"
	"strconv"
)

// axis maps values to places on paper, in points.
type axis struct {
	lo, hi float64 // values
	a, b   float64 // places of lo and hi
	step   float64
	places int // decimals of a tick's label
	ticks  []float64
}

// valueAxis covers lo to hi with round ticks, about as many as most.
func valueAxis(lo, hi, a, b float64, most int) axis {
	lo, hi = spread(lo, hi)
	step := roundStep((hi - lo) / float64(max(most, 1)))
	// The ends lie on ticks, so that every reading lies between two of them, but
	// for a millionth of a step that nobody sees.
	x := axis{lo: math.Floor(lo/step+1e-6) * step, hi: math.Ceil(hi/step-1e-6) * step, a: a, b: b, step: step}
	x.places = max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	x.fill()
	return x
}

// spread keeps an axis from having no length.
func spread(lo, hi float64) (float64, float64) {
	if !(lo <= hi) || math.IsInf(lo, 0) || math.IsInf(hi, 0) {
		return 0, 1
	}
	if least := max(math.Abs(lo), math.Abs(hi), 1e-6) * 1e-6; hi-lo < least {
		return lo - least, hi + least
	}
	return lo, hi
}

// roundStep is the least of 1, 2 and 5 times a power of ten that is not under x.
func roundStep(x float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= x*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// timeSteps are steps of a time axis, in seconds, that people count in.
var timeSteps = []float64{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400, 172800, 604800}

// timeAxis covers from to to, in seconds, exactly, with round ticks in the unit
// that suits it; it returns the unit's name and its length in seconds.
func timeAxis(from, to, a, b float64, most int) (x axis, unit string, length float64) {
	from, to = spread(from, to)
	step := timeSteps[len(timeSteps)-1]
	for _, s := range timeSteps {
		if (to-from)/s <= float64(most) {
			step = s
			break
		}
	}
	unit, length = "s", 1
	switch {
	case to-from > 3*86400:
		unit, length = "d", 86400
	case to-from > 2*3600:
		unit, length = "h", 3600
	case to-from > 120:
		unit, length = "min", 60
	}
	x = axis{lo: from, hi: to, a: a, b: b, step: step}
	for whole := step / length; x.places < 2 && math.Abs(whole-math.Round(whole)) > 1e-9; whole *= 10 {
		x.places++
	}
	x.fill()
	return x, unit, length
}

func (x *axis) fill() {
	for k := math.Ceil(x.lo/x.step - 1e-6); k*x.step <= x.hi+x.step*1e-6; k++ {
		x.ticks = append(x.ticks, k*x.step)
	}
}

// at is a value's place.
func (x *axis) at(v float64) float64 { return x.a + (v-x.lo)/(x.hi-x.lo)*(x.b-x.a) }

// inside says whether a value lies on the axis.
func (x *axis) inside(v float64) bool { return v >= x.lo-1e-12 && v <= x.hi+1e-12 }

// label is a tick's text, in units of the given length.
func (x *axis) label(v, length float64) string {
	v /= length
	if math.Abs(v) < 1e-9 {
		v = 0 // never "-0"
	}
	s := strconv.FormatFloat(v, 'f', x.places, 64)
	if s[0] == '-' {
		return "−" + s[1:]
	}
	return s
}
