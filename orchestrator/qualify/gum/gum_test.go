package gum_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// Simultaneous measurement of resistance and reactance: JCGM 100:2008, H.2;
// data and results as quoted in the GTC library's tests (MSL New Zealand).
var (
	h2V   = []float64{5.007, 4.994, 5.005, 4.990, 4.999}
	h2I   = []float64{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3}
	h2Phi = []float64{1.0456, 1.0438, 1.0468, 1.0428, 1.0433}
)

func h2(t *testing.T, x, u []float64, r [][]float64) (R, X, Z gum.Value) {
	t.Helper()
	in, err := gum.Correlated([]string{"V", "I", "phi"}, x, u, r)
	require.NoError(t, err)
	v, i, phi := in[0], in[1], in[2]
	cos := gum.Combine(math.Cos(phi.X()), []float64{-math.Sin(phi.X())}, phi)
	sin := gum.Combine(math.Sin(phi.X()), []float64{math.Cos(phi.X())}, phi)
	Z = gum.Div(v, i)
	return gum.Mul(Z, cos), gum.Mul(Z, sin), Z
}

func TestCorrelatedInputsGiveResistanceAndReactance(t *testing.T) {
	data := [][]float64{h2V, h2I, h2Phi}
	x, u, r := make([]float64, 3), make([]float64, 3), make([][]float64, 3)
	for i := range data {
		m, s := stat.MeanStdDev(data[i], nil)
		x[i], u[i] = m, s/math.Sqrt(5)
		r[i] = make([]float64, 3)
		for j := range data {
			r[i][j] = stat.Correlation(data[i], data[j], nil)
		}
	}
	R, X, Z := h2(t, x, u, r)
	// GUM table H.4 prints 127.732(71), 219.847(295), 254.260(236); full digits
	// are computed.
	assert.InDelta(t, 127.732170, R.X(), 5e-7)
	assert.InDelta(t, 0.071071, R.U(), 5e-7)
	assert.InDelta(t, 219.846512, X.X(), 5e-7)
	assert.InDelta(t, 0.295582, X.U(), 5e-7)
	assert.InDelta(t, 254.259702, Z.X(), 5e-7)
	assert.InDelta(t, 0.236336, Z.U(), 5e-7)
	assert.InDelta(t, -0.588, gum.Correlation(R, X), 5e-4)
	assert.InDelta(t, -0.485, gum.Correlation(R, Z), 5e-4)
	assert.InDelta(t, 0.993, gum.Correlation(X, Z), 5e-4)
}

func TestCorrelatedFromRoundedInputs(t *testing.T) {
	x := []float64{4.9990, 19.6610e-3, 1.04446}
	u := []float64{0.0032, 0.0095e-3, 0.00075}
	r := [][]float64{{1, -0.36, 0.86}, {-0.36, 1, -0.65}, {0.86, -0.65, 1}}
	R, X, Z := h2(t, x, u, r)
	// JCGM 100:2008 H.2 from rounded inputs, as quoted in the GTC library's
	// tests.
	assert.InDelta(t, 0.0699787279884, R.U(), 1e-10)
	assert.InDelta(t, 0.295716826846, X.U(), 1e-10)
	assert.InDelta(t, 0.236602971835, Z.U(), 1e-10)
	assert.InDelta(t, -0.591484610819, gum.Correlation(R, X), 1e-10)
	assert.InDelta(t, -0.490623905441, gum.Correlation(R, Z), 1e-10)
	assert.InDelta(t, 0.992797472722, gum.Correlation(X, Z), 1e-10)
	// Leaving the correlation out is wrong by a factor that anybody sees.
	one := [][]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	plain, _, _ := h2(t, x, u, one)
	assert.Greater(t, plain.U(), 2*R.U())
}

func TestCorrelatedRefusesNonsense(t *testing.T) {
	_, err := gum.Correlated([]string{"a", "b"}, []float64{1, 2}, []float64{1, 1}, [][]float64{{1, 2}, {2, 1}})
	assert.ErrorContains(t, err, "not positive definite")
	_, err = gum.Correlated([]string{"a"}, []float64{1, 2}, []float64{1, 1}, nil)
	assert.ErrorContains(t, err, "must agree")
	_, err = gum.Correlated([]string{"a", "b"}, []float64{1, 2}, []float64{1, 1}, [][]float64{{1, 0.5}, {0.4, 1}})
	assert.ErrorContains(t, err, "given twice")
}

// End gauge: JCGM 100:2008 H.1, components as quoted in the GTC library's
// tests, in nm; degrees of freedom of the three parts of d from the same.
func TestEndGauge(t *testing.T) {
	d := gum.New(215,
		gum.Normal("repeated observations", 5.8, 24),
		gum.Normal("comparator, random", 3.9, 5),
		gum.Normal("comparator, systematic", 6.7, 8))
	assert.InDelta(t, 9.68194195397, d.U(), 1e-10)
	assert.InDelta(t, 25.4472507774, d.DoF(), 1e-9)

	l := gum.Add(d, gum.New(50_000_623,
		gum.Normal("standard", 25, 18),
		gum.Normal("expansion difference", 2.88679, 50),
		gum.Normal("temperature difference", 16.599, 2)))
	assert.InDelta(t, 50_000_838, l.X(), 1e-6)
	assert.InDelta(t, 31.6637674111, l.U(), 5e-4) // 2.88679 and 16.599 are rounded
	assert.InDelta(t, 16.7521475092, l.DoF(), 1e-3)
	// U99 = t99(16)*u: 93 nm (from memory), 93.47 nm by the components above
	// with 32 nm rounded (computed).
	assert.InDelta(t, 92.5, gum.T(0.99, 16)*l.U(), 0.1)
	assert.InDelta(t, 93.47, gum.T(0.99, 16)*32, 0.005)
	assert.Equal(t, "standard", l.Budget()[0].Name)
}

// Coverage factors of GUM table G.2 (computed).
func TestCoverageFactors(t *testing.T) {
	for dof, want := range map[float64]float64{1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 6: 2.45, 8: 2.31, 10: 2.23, 20: 2.09, 50: 2.01} {
		assert.InDelta(t, want, gum.T(0.95, dof), 0.005, "t95(%g)", dof)
	}
	for dof, want := range map[float64]float64{1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 8: 2.37, 10: 2.28, 20: 2.13, 50: 2.05} {
		assert.InDelta(t, want, gum.K(dof), 0.005, "t95.45(%g)", dof)
	}
	assert.Equal(t, 2.0, gum.K(0))
}

// QUAM 2012 example A1, as quoted: a cadmium calibration standard.
func TestCalibrationStandard(t *testing.T) {
	m := gum.New(100.28, gum.Normal("weighing", 0.05, 0))
	p := gum.New(0.9999, gum.Rectangular("purity", 0.0001))
	v := gum.New(100, gum.Triangular("flask", 0.1), gum.Normal("filling", 0.02, 0), gum.Rectangular("temperature", 0.084))
	c := gum.Div(gum.Scale(1000, gum.Mul(m, p)), v)
	assert.InDelta(t, 1002.7, c.X(), 0.005)
	assert.InDelta(t, 0.835199, c.U(), 5e-7)
}

// Thermometer calibration line: JCGM 100:2008 H.3, data as quoted in the GTC
// library's tests.
func TestThermometerLine(t *testing.T) {
	temp := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	corr := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	l, err := gum.FitLine(temp, corr, 20)
	require.NoError(t, err)
	assert.InDelta(t, -0.171204, l.Intercept.X(), 5e-7)
	assert.InDelta(t, 0.002878, l.Intercept.U(), 1e-6)
	assert.InDelta(t, 0.0021827, l.Slope.X(), 5e-8)
	assert.InDelta(t, 0.0006679, l.Slope.U(), 5e-8)
	assert.InDelta(t, -0.9304, gum.Correlation(l.Intercept, l.Slope), 5e-5)
	assert.InDelta(t, 0.003498, l.Residual, 1e-6)
	at30 := l.At(30)
	assert.InDelta(t, -0.149377, at30.X(), 5e-7)
	assert.InDelta(t, 0.004139, at30.U(), 1e-6)
	assert.InDelta(t, 0.000110096583109, l.Residual*l.Residual*9, 1e-14)
}

// Norris, NIST StRD linear regression, certified, as quoted in GSL fit/test.c.
func TestLineNorris(t *testing.T) {
	x := []float64{0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5}
	y := []float64{0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2}
	l, err := gum.FitLine(x, y, 0)
	require.NoError(t, err)
	rel(t, -0.262323073774029, l.Intercept.X(), 1e-10)
	rel(t, 0.232818234301152, l.Intercept.U(), 1e-10)
	rel(t, 1.00211681802045, l.Slope.X(), 1e-10)
	rel(t, 0.000429796848199937, l.Slope.U(), 1e-10)
	rel(t, 26.6173985294224, l.Residual*l.Residual*34, 1e-10)
}

// Natrella, NBS Handbook 91, 5-4.1, as quoted.
func TestLineNatrella(t *testing.T) {
	x := []float64{30}
	for v := 100.0; v <= 1500; v += 100 {
		x = append(x, v)
	}
	y := []float64{4642, 4612, 4565, 4513, 4476, 4433, 4389, 4347, 4303, 4251, 4201, 4140, 4100, 4073, 4024, 3999}
	l, err := gum.FitLine(x, y, 0)
	require.NoError(t, err)
	assert.InDelta(t, -0.44985482, l.Slope.X(), 5e-9)
	assert.InDelta(t, 4654.9846, l.Intercept.X(), 5e-5)
	assert.InDelta(t, 0.000025649045, l.Slope.U()*l.Slope.U(), 5e-12)
	assert.InDelta(t, 19.879452, l.Intercept.U()*l.Intercept.U(), 5e-6)
	assert.InDelta(t, 9.277617, l.Residual, 1e-6) // printed without rounding
	u := l.At(1200).U()
	assert.InDelta(t, 10.53, u*u, 0.005)
	u = l.At(750).U()
	assert.InDelta(t, 91.45, u*u+l.Residual*l.Residual, 0.92) // 1 %
}

func TestLineRefusesWhatHasNoLine(t *testing.T) {
	_, err := gum.FitLine([]float64{1, 2}, []float64{1, 2}, 0)
	assert.ErrorContains(t, err, "three points")
	_, err = gum.FitLine([]float64{1, 1, 1}, []float64{1, 2, 3}, 0)
	assert.ErrorContains(t, err, "same place")
}

// Budgets of a rig, computed from the stated half widths: capacity from one
// long discharge, resistance from one pulse. Gain and offset are shared by all
// samples of a shunt and do not average out.
func TestRigBudgets(t *testing.T) {
	gain, offset, clock := gum.Rectangular("gain", 0.001), gum.Rectangular("offset", 0.005), gum.Rectangular("time", 0.5)
	i := gum.Exact(13.3333).With(gain, 13.3333).With(offset, 1)
	q := gum.Scale(1.0/3600, gum.Mul(i, gum.New(3*3600, clock)))
	assert.InDelta(t, 39.99990, q.X(), 5e-6)
	assert.InDelta(t, 0.024688, q.U(), 5e-7)
	U, k := q.Expanded()
	assert.Equal(t, 2.0, k)
	assert.InDelta(t, 0.049375, U, 1e-6)

	dv := gum.Sub(gum.New(3.65, gum.Rectangular("before", 0.5e-3)), gum.New(3.50, gum.Rectangular("after", 0.5e-3)))
	r := gum.Scale(1000, gum.Div(dv, gum.New(100, gum.Rectangular("current", 0.1))))
	assert.InDelta(t, 1.5, r.X(), 1e-12)
	assert.InDelta(t, 0.004173, r.U(), 5e-7)
}

func TestSharedInputsCancel(t *testing.T) {
	gain := gum.Rectangular("gain", 0.001)
	out, in := gum.Exact(39.5).With(gain, 39.5), gum.Exact(40.0).With(gain, 40.0)
	ratio := gum.Div(out, in)
	assert.InDelta(t, 0.9875, ratio.X(), 1e-15)
	assert.InDelta(t, 0, ratio.U(), 1e-15)
	other := gum.Exact(40.0).With(gum.Rectangular("another gain", 0.001), 40.0)
	assert.InDelta(t, 0.9875*0.001*math.Sqrt(2.0/3), gum.Div(out, other).U(), 1e-12)
	assert.Equal(t, 0.0, gum.Mean().U())
}

func rel(t *testing.T, want, got, tol float64) {
	t.Helper()
	assert.InDelta(t, 0, (got-want)/want, tol, "want %.15g, got %.15g", want, got)
}
