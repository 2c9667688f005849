package sample

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// quarter is the upper quartile of the standard normal distribution: a MAD over
// it estimates a standard deviation.
const quarter = 0.674489750196082

// MeanSD returns mean and standard deviation (n-1). The deviation of fewer than
// two values is 0.
func MeanSD(x []float64) (mean, sd float64) {
	if len(x) == 0 {
		return math.NaN(), 0
	}
	if len(x) == 1 {
		return x[0], 0
	}
	return stat.MeanStdDev(x, nil)
}

// Mean is the arithmetic mean, NaN of nothing.
func Mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// Median returns the middle value, or the mean of the middle two; NaN for none.
func Median(x []float64) float64 { return medianSorted(sorted(x)) }

func sorted(x []float64) []float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return s
}

func medianSorted(s []float64) float64 {
	n := len(s)
	switch {
	case n == 0:
		return math.NaN()
	case n%2 == 1:
		return s[n/2]
	}
	return s[n/2-1] + (s[n/2]-s[n/2-1])/2
}

// MAD returns the median and the median absolute deviation from it.
func MAD(x []float64) (median, mad float64) {
	median = Median(x)
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = math.Abs(v - median)
	}
	return median, Median(d)
}

// RobustZ returns each value's distance from the median in robust standard
// deviations (the modified z-score of Iglewicz and Hoaglin 1993; |z| > 3.5 is
// their recommendation, from memory). Where more than half of the values are
// equal the MAD is zero; then the mean absolute deviation takes its place, and
// where all values are equal every score is zero.
func RobustZ(x []float64) []float64 {
	median, mad := MAD(x)
	z := make([]float64, len(x))
	scale := mad / quarter
	if mad == 0 {
		var sum float64
		for _, v := range x {
			sum += math.Abs(v - median)
		}
		// For a normal distribution the mean absolute deviation is
		// sqrt(2/pi) standard deviations.
		scale = sum / float64(len(x)) * math.Sqrt(math.Pi/2)
	}
	if !(scale > 0) {
		return z
	}
	for i, v := range x {
		z[i] = (v - median) / scale
	}
	return z
}

// Quartiles returns the quartiles and the median by the (n+1)p rule, the one of
// the NIST/SEMATECH e-Handbook 7.1.6.
func Quartiles(x []float64) (q1, median, q3 float64) {
	s := sorted(x)
	return quantile(s, 0.25), medianSorted(s), quantile(s, 0.75)
}

func quantile(s []float64, p float64) float64 {
	if len(s) == 0 {
		return math.NaN()
	}
	h := p*float64(len(s)+1) - 1
	if h <= 0 {
		return s[0]
	}
	if h >= float64(len(s)-1) {
		return s[len(s)-1]
	}
	k := int(h)
	return s[k] + (h-float64(k))*(s[k+1]-s[k])
}

// Fences are Tukey's: values beyond the inner ones (1.5 interquartile ranges)
// are mild outliers, beyond the outer ones (3) extreme.
type Fences struct {
	InnerLow, InnerHigh, OuterLow, OuterHigh float64
}

// Tukey returns the fences of the values.
func Tukey(x []float64) Fences {
	q1, _, q3 := Quartiles(x)
	iqr := q3 - q1
	return Fences{q1 - 1.5*iqr, q3 + 1.5*iqr, q1 - 3*iqr, q3 + 3*iqr}
}
