package gum

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Part is what one input contributes to a standard uncertainty: |c|*u.
type Part struct {
	Name string
	U    float64
	DoF  float64
	// C is the sensitivity with its sign, Shared the input's own mark.
	C      float64
	Shared bool
}

// Budget lists the value's parts, the greatest first, equal ones by name.
func (v Value) Budget() []Part {
	var out []Part
	for _, t := range v.terms {
		if u := math.Abs(t.c) * t.in.U; u > 0 {
			out = append(out, Part{t.in.Name, u, t.in.DoF, t.c, t.in.Shared})
		}
	}
	slices.SortFunc(out, func(a, b Part) int {
		return cmp.Or(cmp.Compare(b.U, a.U), cmp.Compare(a.Name, b.Name))
	})
	return out
}

// U is the combined standard uncertainty.
func (v Value) U() float64 {
	var sum float64
	for _, t := range v.terms {
		sum += t.c * t.in.U * t.c * t.in.U
	}
	return math.Sqrt(sum)
}

// DoF are the effective degrees of freedom by the Welch-Satterthwaite formula
// (GUM G.4.1), 0 for infinitely many.
func (v Value) DoF() float64 {
	u := v.U()
	var sum float64
	for _, t := range v.terms {
		if t.in.DoF > 0 {
			sum += math.Pow(t.c*t.in.U, 4) / t.in.DoF
		}
	}
	if sum == 0 {
		return 0
	}
	return math.Pow(u, 4) / sum
}

// Covariance is the covariance of two values through the inputs they share.
func Covariance(a, b Value) float64 {
	var sum float64
	for _, t := range a.terms {
		sum += t.c * b.Sensitivity(t.in) * t.in.U * t.in.U
	}
	return sum
}

// Correlation is the correlation coefficient, 0 where either is exact.
func Correlation(a, b Value) float64 {
	u := a.U() * b.U()
	if u == 0 {
		return 0
	}
	return Covariance(a, b) / u
}

// Coverage factors.
const (
	// Factor is k for about 95 % with many degrees of freedom (GUM 6.3.3).
	Factor = 2.0
	// level is the coverage probability that k = 2 has for a normal
	// distribution; few degrees of freedom get the factor of the same level.
	level = 0.9545
)

// K is the coverage factor for about 95 %: 2, or Student's t for 95.45 % where
// the degrees of freedom are few (GUM G.4, table G.2).
func K(dof float64) float64 {
	if dof <= 0 || dof > 1e6 {
		return Factor
	}
	return T(level, dof)
}

// T is the two-sided factor of Student's distribution: a share p of it lies
// within plus or minus T.
func T(p, dof float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile((1 + p) / 2)
}

// Expanded returns the expanded uncertainty U = k*u with its k. Effective
// degrees of freedom are cut to an integer first (GUM G.4.1, note 1).
func (v Value) Expanded() (U, k float64) {
	dof := v.DoF()
	if dof > 1 {
		dof = math.Floor(dof + 1e-9)
	}
	k = K(dof)
	return k * v.U(), k
}
