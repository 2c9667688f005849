package sample

import "gonum.org/v1/gonum/mathext"

// Binomial returns the exact two-sided interval for a probability of which hits
// of n trials came true, at a level such as 0.95 (Clopper and Pearson 1934,
// Biometrika 26, 404-413): at the lower end as many hits or more have half the
// remaining probability, at the upper end as many or fewer. Without trials it is
// 0 to 1.
func Binomial(hits, n int, level float64) (low, high float64) {
	tail := (1 - level) / 2
	low, high = 0, 1
	if hits > 0 {
		low = mathext.InvRegIncBeta(float64(hits), float64(n-hits+1), tail)
	}
	if hits < n {
		high = mathext.InvRegIncBeta(float64(hits+1), float64(n-hits), 1-tail)
	}
	return low, high
}
