package contactor

import "math"

// point is one link reading while the precharge resistor fills the link: seconds
// since any instant, volts.
type point struct{ t, v float64 }

// readingsLeast is how many link readings within three time constants make a
// measurement of one.
const readingsLeast = 10

// threeTau is what is still missing of the way after three time constants: e^-3.
const threeTau = 0.0497871

// fit finds the time constant of v(t) = end - (end-begin)*exp(-t/tau) by a straight
// line through ln(end-v), each reading with the weight (end-v)^2 that equal errors
// of v leave it. Only readings on the way count: from a fiftieth of it to three time
// constants. It returns the constant and its standard error in seconds, and how
// many readings it is from.
func fit(points []point, begin, end float64) (tau, sigma float64, n int) {
	way := end - begin
	if way <= 0 {
		return 0, 0, 0
	}
	var sw, swt, swy, swtt, swty float64
	var used []point
	for _, p := range points {
		left := (end - p.v) / way
		if left > 0.98 || left < threeTau {
			continue
		}
		used = append(used, p)
		w, y := left*left, math.Log(left)
		sw, swt, swy = sw+w, swt+w*p.t, swy+w*y
		swtt, swty = swtt+w*p.t*p.t, swty+w*p.t*y
	}
	n = len(used)
	d := sw*swtt - swt*swt
	if n < 3 || d <= 0 {
		return 0, 0, n
	}
	slope := (sw*swty - swt*swy) / d
	at := (swy - slope*swt) / sw
	if slope >= 0 {
		return 0, 0, n
	}
	var rest float64
	for _, p := range used {
		left := (end - p.v) / way
		r := math.Log(left) - at - slope*p.t
		rest += left * left * r * r
	}
	tau = -1 / slope
	sigma = tau * tau * math.Sqrt(rest/float64(n-2)*sw/d)
	return tau, sigma, n
}

// measured is a time constant with the half width of its 95 % interval: scatter of
// the readings, the end of the way that is known to within off volts only, and the
// clock of the readings.
func measured(points []point, begin, end, off float64) (tau, within float64, n int) {
	tau, sigma, n := fit(points, begin, end)
	if n < readingsLeast || tau == 0 {
		return 0, 0, n
	}
	high, _, _ := fit(points, begin, end+off)
	low, _, _ := fit(points, begin, end-off)
	var shift float64
	for _, x := range []float64{high, low} {
		if x > 0 {
			shift = max(shift, math.Abs(x-tau))
		}
	}
	return tau, math.Hypot(2*sigma, shift), n
}
