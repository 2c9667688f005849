package sample

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Removal is one step of the generalised ESD procedure.
type Removal struct {
	// Index is the value's place in the sample, R its distance from the mean of
	// what was left in standard deviations, Lambda the critical value.
	Index     int
	R, Lambda float64
}

// GESD is the generalised extreme studentised deviate test (Rosner 1983,
// Technometrics 25(2) 165-172; NIST/SEMATECH e-Handbook 1.3.5.17.3) for at most
// r outliers at significance alpha. It returns every step and the number of
// outliers: the *largest* i with R > Lambda, so that two outliers that hide
// each other are both found. Fewer steps than r come back where the sample is
// too small or what is left is constant.
func GESD(x []float64, r int, alpha float64) (steps []Removal, outliers int) {
	left := make([]int, len(x))
	for i := range left {
		left[i] = i
	}
	buf := make([]float64, 0, len(x))
	for i := 1; i <= r && len(left) >= 3; i++ {
		buf = buf[:0]
		for _, k := range left {
			buf = append(buf, x[k])
		}
		mean, sd := MeanSD(buf)
		if !(sd > 0) {
			break
		}
		far, at := -1.0, 0
		for j, v := range buf {
			if d := math.Abs(v - mean); d > far {
				far, at = d, j
			}
		}
		lambda := critical(float64(len(left)), alpha/2)
		steps = append(steps, Removal{left[at], far / sd, lambda})
		if far/sd > lambda {
			outliers = i
		}
		left = append(left[:at], left[at+1:]...)
	}
	return steps, outliers
}

// Grubbs returns the distance of the farthest value from the mean in standard
// deviations and its place in the sample.
func Grubbs(x []float64) (g float64, index int) {
	mean, sd := MeanSD(x)
	if !(sd > 0) {
		return 0, 0
	}
	for i, v := range x {
		if d := math.Abs(v-mean) / sd; d > g {
			g, index = d, i
		}
	}
	return g, index
}

// GrubbsCritical is the critical value for a sample of n (three or more), one-
// or two-sided (NIST/SEMATECH e-Handbook 1.3.5.17.1).
func GrubbsCritical(n int, alpha float64, twoSided bool) float64 {
	if n < 3 {
		return math.Inf(1)
	}
	if twoSided {
		alpha /= 2
	}
	return critical(float64(n), alpha)
}

// critical is the greatest studentised deviate of n values that chance exceeds
// with probability alpha on one side.
func critical(n, alpha float64) float64 {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 2}.Quantile(1 - alpha/n)
	return (n - 1) * t / math.Sqrt((n-2+t*t)*n)
}
