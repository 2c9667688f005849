package balance

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// Curve is a cell's open-circuit voltage over state of charge as known from its
// maker or from measurement. Only its slope near the top matters here, and only
// until the module has shown its own.
type Curve struct {
	// Points rise in both state of charge and voltage.
	Points []Point `json:"points"`
}

// Point is one row of a Curve.
type Point struct {
	SoCPPM  int64              `json:"soc_ppm"`
	Voltage drivers.Microvolts `json:"voltage_uV"`
}

func (c Curve) check() error {
	if len(c.Points) < 3 {
		return fmt.Errorf("open-circuit curve has %d points; expected at least 3", len(c.Points))
	}
	for i := 1; i < len(c.Points); i++ {
		a, b := c.Points[i-1], c.Points[i]
		if b.SoCPPM <= a.SoCPPM || b.Voltage <= a.Voltage {
			return fmt.Errorf("open-circuit curve: point %d (%d ppm, %d uV) must lie over point %d (%d ppm, %d uV)",
				i+1, b.SoCPPM, b.Voltage, i, a.SoCPPM, a.Voltage)
		}
	}
	return nil
}

// soc returns the state of charge (0 to 1) at a voltage, by the monotone cubic
// through the points (Fritsch and Carlson, SIAM J. Numer. Anal. 17, 1980, with
// the slopes of Fritsch and Butland, 1984): the top of a curve bends, and straight
// lines between a few points take a tenth of the charge there away. Outside the
// points the end lines go on.
func (c Curve) soc(volts float64) float64 {
	i := 1
	for i < len(c.Points)-1 && volts > float64(c.Points[i].Voltage)*1e-6 {
		i++
	}
	h, rise := c.line(i)
	a := c.Points[i-1]
	t := (volts - float64(a.Voltage)*1e-6) / h
	from := float64(a.SoCPPM) * 1e-6
	if t < 0 || t > 1 {
		return from + t*h*rise
	}
	d0, d1 := c.tangent(i-1), c.tangent(i)
	// Hermite's form, less the straight line.
	return from + t*h*rise + h*t*(1-t)*((1-t)*(d0-rise)-t*(d1-rise))
}

// line is the length of the line that ends at a point, V, and its rise, state of
// charge per V.
func (c Curve) line(i int) (length, rise float64) {
	a, b := c.Points[i-1], c.Points[i]
	length = float64(b.Voltage-a.Voltage) * 1e-6
	return length, float64(b.SoCPPM-a.SoCPPM) * 1e-6 / length
}

// tangent is the cubic's rise at a point: between the lines' beside it, or that
// of the only one.
func (c Curve) tangent(i int) float64 {
	switch i {
	case 0:
		_, rise := c.line(1)
		return rise
	case len(c.Points) - 1:
		// The bend goes on as it was, and never falls.
		h1, r1 := c.line(i)
		h0, r0 := c.line(i - 1)
		return min(max(((2*h1+h0)*r1-h1*r0)/(h0+h1), 0), 3*r1)
	}
	h0, r0 := c.line(i)
	h1, r1 := c.line(i + 1)
	w0, w1 := 2*h1+h0, h1+2*h0
	return (w0 + w1) / (w0/r0 + w1/r1)
}

// knee is the steep top of the curve as a ladder of voltages. A cell's place on
// it tells its charge; on the flat part below it tells nothing.
type knee struct {
	first float64 // V of level 0
	// step is the charge from each level to the next, Ah: by the curve at
	// first, then as the module's own cells show it.
	step  []float64
	shown []bool
}

// ladderStep is the distance of two levels, V.
const ladderStep = 0.005

// curveDoubt is how far a module's open-circuit voltage may stand off the given
// curve, V: the curve's own error and the hysteresis after charging (usual size
// for LFP, common practice, no source). capacityDoubt is how far cells of one
// module differ in capacity, as a standard uncertainty: the same voltage below
// the top then means a little more or less charge to it.
const curveDoubt, capacityDoubt = 0.005, 0.015

// kneeSlope is the least slope of the knee, V per state of charge: flatter, and
// curveDoubt alone would hide more than half a percent.
const kneeSlope = curveDoubt / 0.005

// newKnee places level 0 where the curve's slope first holds for good: steep
// enough for kneeSlope, and slope times the target over three times the
// uncertainty of a tap. Where that is nowhere, the chemistry and the taps
// cannot show the target and an error says so.
func newKnee(c Curve, capacity, target, tap float64) (knee, error) {
	top := float64(c.Points[len(c.Points)-1].Voltage) * 1e-6
	n := 0
	for n < 1000 {
		v := top - float64(n+1)*ladderStep
		slope := ladderStep / (c.soc(v+ladderStep) - c.soc(v))
		if slope < kneeSlope || slope*target < 3*tap || v < float64(c.Points[0].Voltage)*1e-6 {
			break
		}
		n++
	}
	if n < 4 {
		return knee{}, fmt.Errorf("the open-circuit curve is too flat to show an imbalance of %.2f %% with taps uncertain by %.1f mV", 100*target, 1000*tap)
	}
	k := knee{first: top - float64(n)*ladderStep, step: make([]float64, n), shown: make([]bool, n)}
	for i := range k.step {
		v := k.level(i)
		k.step[i] = capacity * (c.soc(v+ladderStep) - c.soc(v))
	}
	return k, nil
}

// levels is the number of levels, one more than that of steps.
func (k *knee) levels() int { return len(k.step) + 1 }

func (k *knee) level(i int) float64 { return k.first + float64(i)*ladderStep }

// slope is in V per Ah about a voltage on the ladder.
func (k *knee) slope(volts float64) float64 { return ladderStep / k.step[k.rung(volts)] }

func (k *knee) rung(volts float64) int {
	i := int(math.Floor((volts - k.first) / ladderStep))
	return min(max(i, 0), len(k.step)-1)
}

// depth returns the charge from a voltage up to the top of the ladder, Ah; the
// last steps' slopes go on outside. Counting from the top keeps the flat end's
// uncertainty with the cells that stand there.
func (k *knee) depth(volts float64) float64 {
	r := k.rung(volts)
	q := 0.0
	for _, s := range k.step[r+1:] {
		q += s
	}
	return q + (k.level(r+1)-volts)/ladderStep*k.step[r]
}

// at is the voltage at a depth, Ah, on the ladder.
func (k *knee) at(depth float64) float64 {
	i := len(k.step) - 1
	for ; i > 0 && depth > k.step[i]; i-- {
		depth -= k.step[i]
	}
	return k.level(i+1) - max(0, depth)/k.step[i]*ladderStep
}

// doubt is the standard uncertainty of depth, Ah, for one of the voltage (V):
// the cell's own, and what all cells of one voltage have in common. Where no cells
// have shown the curve, the given one's error is common to all.
func (k *knee) doubt(volts, own, common float64) (mine, shared float64) {
	if !k.shown[k.rung(volts)] {
		common = math.Hypot(common, curveDoubt)
	}
	s := k.slope(volts)
	return math.Hypot(own/s, capacityDoubt*k.depth(volts)), common / s
}

// learn takes over the steps that enough cells have shown, as their medians.
// Crossings whose voltage is itself doubtful show nothing; those under a current
// that changed least of all: what lags behind it moves from one level to the next,
// and makes every step of a hold look short.
func (k *knee) learn(e *episode) {
	const clear, steady = 0.3 * ladderStep, 0.05 * ladderStep
	doubtful := func(i, l int) bool { return !(e.own[i][l] < clear && e.common[i][l] < steady) }
	var seen []float64
	for l := range k.step {
		seen = seen[:0]
		for i, c := range e.cross {
			d := c[l+1] - c[l] // NaN where either is
			if d > 0 && !doubtful(i, l) && !doubtful(i, l+1) {
				seen = append(seen, d)
			}
		}
		if len(seen) >= 3 {
			k.step[l], k.shown[l] = median(seen), true
		}
	}
}
