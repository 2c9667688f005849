package gum

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Correlated returns values whose standard uncertainties and correlation
// matrix are given, for estimates that were measured together (GUM 5.2). Their
// degrees of freedom are taken as infinite: the Welch-Satterthwaite formula
// does not hold for correlated inputs.
func Correlated(names []string, x, u []float64, r [][]float64) ([]Value, error) {
	n := len(x)
	if len(names) != n || len(u) != n || len(r) != n {
		return nil, fmt.Errorf("gum: %d estimates, %d names, %d uncertainties and %d rows of correlation; their numbers must agree", n, len(names), len(u), len(r))
	}
	m := mat.NewSymDense(n, nil)
	for i := range n {
		if len(r[i]) != n {
			return nil, fmt.Errorf("gum: row %d of the correlation matrix has %d entries instead of %d", i, len(r[i]), n)
		}
		for j := range i + 1 {
			if math.Abs(r[i][j]-r[j][i]) > 1e-12 {
				return nil, fmt.Errorf("gum: correlation of %s and %s is given twice, as %g and %g", names[i], names[j], r[i][j], r[j][i])
			}
			m.SetSym(i, j, r[i][j])
		}
	}
	var c mat.Cholesky
	if !c.Factorize(m) {
		return nil, fmt.Errorf("gum: the correlation matrix is not positive definite")
	}
	var l mat.TriDense
	c.LTo(&l)
	basis := make([]*Input, n)
	for i := range n {
		basis[i] = Normal(names[i], 1, 0)
	}
	out := make([]Value, n)
	for i := range n {
		out[i] = Exact(x[i])
		for j := range i + 1 {
			out[i] = out[i].With(basis[j], u[i]*l.At(i, j))
		}
	}
	return out, nil
}
