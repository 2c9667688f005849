package gum

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat"
)

// Line is a straight line fitted by least squares: y = Intercept +
// Slope*(x-X0).
type Line struct {
	Intercept, Slope Value
	X0               float64
	// Residual is the standard deviation of the points about the line, with
	// n-2 degrees of freedom.
	Residual float64
}

// FitLine fits a line through three or more points, with the scatter about it
// as the only source of uncertainty (GUM H.3). x0 is where the intercept is
// taken.
func FitLine(x, y []float64, x0 float64) (Line, error) {
	n := len(x)
	if n != len(y) || n < 3 {
		return Line{}, errors.New("gum: a line with an uncertainty needs three points or more, each with x and y")
	}
	alpha, beta := stat.LinearRegression(x, y, nil, false)
	mx := stat.Mean(x, nil)
	my := stat.Mean(y, nil)
	var sxx, rss float64
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
	}
	if sxx == 0 || math.IsNaN(alpha+beta) {
		return Line{}, errors.New("gum: every point stands at the same place on the x axis")
	}
	for i := range x {
		r := (y[i] - my) - beta*(x[i]-mx)
		rss += r * r
	}
	s := math.Sqrt(rss / float64(n-2))
	// About the points' own mean, level and slope are uncorrelated.
	level := Normal("scatter of the level", s/math.Sqrt(float64(n)), float64(n-2))
	slope := Normal("scatter of the slope", s/math.Sqrt(sxx), float64(n-2))
	l := Line{Slope: New(beta, slope), X0: x0, Residual: s}
	l.Intercept = New(my-beta*(mx-x0), level).With(slope, x0-mx)
	return l, nil
}

// At is the line's value at x.
func (l Line) At(x float64) Value {
	return Add(l.Intercept, Scale(x-l.X0, l.Slope))
}
