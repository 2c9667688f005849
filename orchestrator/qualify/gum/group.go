package gum

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Groups is a one-way analysis of variance of equal groups: did the mean move
// between them by more than the scatter within explains (GUM H.5)?
type Groups struct {
	Mean float64
	// Between is the standard deviation of the groups' means; Within the pooled
	// one of single values.
	Between, Within float64
	// F is the ratio of the two estimates of variance, P the probability that
	// chance exceeds it where no effect exists.
	F, P float64
	// Effect is the standard deviation of the effect between groups, 0 where the
	// scatter within explains everything.
	Effect float64
	// U is the standard uncertainty of the mean from the scatter of the groups'
	// means, with DoF degrees of freedom: right with and without an effect.
	U, DoF float64
}

// Analyse takes the means and standard deviations of two or more groups of n
// (two or more) values each.
func Analyse(means, deviations []float64, n int) (Groups, error) {
	j := len(means)
	if j < 2 || len(deviations) != j || n < 2 {
		return Groups{}, errors.New("gum: an effect between groups needs two or more of two or more values each, with their means and deviations")
	}
	var g Groups
	g.Mean, g.Between = stat.MeanStdDev(means, nil)
	for _, s := range deviations {
		g.Within += s * s / float64(j)
	}
	a, b := float64(n)*g.Between*g.Between, g.Within
	g.Within = math.Sqrt(b)
	g.DoF = float64(j - 1)
	g.U = g.Between / math.Sqrt(float64(j))
	g.Effect = math.Sqrt(max(a-b, 0) / float64(n))
	if b > 0 {
		g.F = a / b
		g.P = 1 - distuv.F{D1: g.DoF, D2: float64(j * (n - 1))}.CDF(g.F)
	} else if a > 0 {
		g.F = math.Inf(1)
	} else {
		g.P = 1
	}
	return g, nil
}
