package pack

import (
	"fmt"
	"slices"
)

// Curve is a cell's open-circuit voltage over its state of charge, straight lines
// between points; outside of them the end lines go on.
type Curve struct {
	soc, volts []float64
}

// NewCurve takes two or more points, states of charge from 0 to 1 and voltages in
// V; both must rise.
func NewCurve(soc, volts []float64) (Curve, error) {
	if len(soc) < 2 || len(soc) != len(volts) {
		return Curve{}, fmt.Errorf("open-circuit curve has %d states of charge and %d voltages; two or more of each would be right", len(soc), len(volts))
	}
	for i := 1; i < len(soc); i++ {
		if !(soc[i] > soc[i-1]) || !(volts[i] > volts[i-1]) { // NaN does not rise either
			return Curve{}, fmt.Errorf("open-circuit curve does not rise from (%g, %g V) to (%g, %g V)", soc[i-1], volts[i-1], soc[i], volts[i])
		}
	}
	return Curve{slices.Clone(soc), slices.Clone(volts)}, nil
}

// within finds the line, by its left point, for x among rising values.
func within(at []float64, x float64) int {
	i, _ := slices.BinarySearch(at, x)
	return min(max(i-1, 0), len(at)-2)
}

// Voltage returns the open-circuit voltage at a state of charge, V.
func (c Curve) Voltage(soc float64) float64 {
	i := within(c.soc, soc)
	return c.volts[i] + (soc-c.soc[i])*c.slope(i)
}

// SoC returns the state of charge at an open-circuit voltage.
func (c Curve) SoC(volts float64) float64 {
	i := within(c.volts, volts)
	return c.soc[i] + (volts-c.volts[i])/c.slope(i)
}

func (c Curve) slope(i int) float64 {
	return (c.volts[i+1] - c.volts[i]) / (c.soc[i+1] - c.soc[i])
}

// mean is the mean voltage between two states of charge, V; exact.
func (c Curve) mean(from, to float64) float64 {
	if from > to {
		from, to = to, from
	}
	if from == to {
		return c.Voltage(from)
	}
	area, at := 0.0, from
	for _, next := range append(slices.Clone(c.soc), to) {
		if next <= at {
			continue
		}
		next = min(next, to)
		area += (c.Voltage(at) + c.Voltage(next)) / 2 * (next - at)
		at = next
	}
	return area / (to - from)
}
