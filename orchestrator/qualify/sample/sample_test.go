package sample_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// Tietjen and Moore's mass-spectrometer data, as quoted in the NIST/SEMATECH
// e-Handbook 1.3.5.17.1.
var spectrometer = []float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57}

func TestGrubbs(t *testing.T) {
	g, at := sample.Grubbs(spectrometer)
	assert.InDelta(t, 2.468765, g, 5e-7)
	assert.Equal(t, 7, at)
	mean, sd := sample.MeanSD(spectrometer)
	assert.InDelta(t, 206.433750, mean, 5e-7)
	assert.InDelta(t, 15.852564, sd, 5e-7)
	assert.InDelta(t, 2.031652, sample.GrubbsCritical(8, 0.05, false), 5e-7)
	assert.InDelta(t, 2.126645, sample.GrubbsCritical(8, 0.05, true), 5e-7)
}

// Critical values computed from the formula; they agree with ASTM E178 table 1
// to three decimals (from memory).
func TestGrubbsCriticalValues(t *testing.T) {
	n := []int{3, 5, 8, 10, 16, 20, 32}
	for _, row := range []struct {
		alpha float64
		two   bool
		want  []float64
	}{
		{0.05, false, []float64{1.1531, 1.6714, 2.0317, 2.1761, 2.4433, 2.5566, 2.7733}},
		{0.05, true, []float64{1.1543, 1.7150, 2.1266, 2.2900, 2.5857, 2.7082, 2.9380}},
		{0.01, false, []float64{1.1546, 1.7489, 2.2208, 2.4097, 2.7470, 2.8838, 3.1348}},
	} {
		for i, want := range row.want {
			assert.InDelta(t, want, sample.GrubbsCritical(n[i], row.alpha, row.two), 1e-4, "n = %d", n[i])
		}
	}
	assert.True(t, math.IsInf(sample.GrubbsCritical(2, 0.05, true), 1))
}

// Rosner's data, as quoted in the NIST/SEMATECH e-Handbook 1.3.5.17.3. R_1 and
// R_2 stay under their critical values and hide behind R_3: masking.
var rosner = []float64{-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01}

func TestGeneralisedESDSeesThroughMasking(t *testing.T) {
	steps, n := sample.GESD(rosner, 10, 0.05)
	removed := []float64{6.01, 5.42, 5.34, 4.64, -0.25, 4.30, 3.68, 3.59, 0.68, 3.30}
	r := []float64{3.1189, 2.9430, 3.1794, 2.8102, 2.8156, 2.8482, 2.2793, 2.3104, 2.1016, 2.0672}
	lambda := []float64{3.1588, 3.1514, 3.1439, 3.1362, 3.1282, 3.1201, 3.1118, 3.1032, 3.0945, 3.0854}
	if assert.Len(t, steps, 10) {
		for i, s := range steps {
			assert.Equal(t, removed[i], rosner[s.Index], "step %d", i+1)
			assert.InDelta(t, r[i], s.R, 1e-4, "R_%d", i+1)
			assert.InDelta(t, lambda[i], s.Lambda, 1e-4, "lambda_%d", i+1)
		}
		assert.Less(t, steps[0].R, steps[0].Lambda)
		assert.Less(t, steps[1].R, steps[1].Lambda)
	}
	assert.Equal(t, 3, n)
}

func TestGeneralisedESDOnDegenerateSamples(t *testing.T) {
	steps, n := sample.GESD([]float64{3, 3, 3, 3, 3}, 3, 0.05)
	assert.Empty(t, steps)
	assert.Zero(t, n)
	_, n = sample.GESD([]float64{1, 2}, 3, 0.05)
	assert.Zero(t, n)
	// One of them differs: it is taken out, and what is left is constant.
	steps, n = sample.GESD([]float64{3, 3, 3, 3, 3, 3, 3, 4}, 3, 0.05)
	assert.Len(t, steps, 1)
	assert.Equal(t, 1, n)
}

func TestRobustZ(t *testing.T) {
	median, mad := sample.MAD(spectrometer)
	assert.InDelta(t, 201.37, median, 1e-9)
	assert.InDelta(t, 0.995, mad, 1e-9)
	// Computed with 0.6745, the rounded constant of the e-Handbook 1.3.5.17.
	want := []float64{-1.3965, -1.2473, -0.7999, -0.3728, 0.3728, 0.3932, 0.5491, 29.9627}
	for i, z := range sample.RobustZ(spectrometer) {
		assert.InDelta(t, want[i], z*0.6745/0.674489750, 5e-5)
	}
}

func TestRobustZWithoutMAD(t *testing.T) {
	z := sample.RobustZ([]float64{1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 2.5})
	for _, v := range z[:7] {
		assert.Zero(t, v)
	}
	// Mean absolute deviation 1/8, times sqrt(pi/2): 1/0.15666 = 6.383.
	assert.InDelta(t, 8/math.Sqrt(math.Pi/2), z[7], 1e-12)
	assert.Greater(t, z[7], 3.5)
	assert.Equal(t, []float64{0, 0, 0}, sample.RobustZ([]float64{2, 2, 2}))
	assert.Empty(t, sample.RobustZ(nil))
}

// NIST/SEMATECH e-Handbook 7.1.6, as quoted.
func TestTukeyFences(t *testing.T) {
	x := []float64{30, 171, 184, 201, 212, 250, 265, 270, 272, 289, 305, 306, 322, 322, 336, 346, 351, 370, 390, 404, 409, 411, 436, 437, 439, 441, 444, 448, 451, 453, 470, 480, 482, 487, 494, 495, 499, 503, 514, 521, 522, 527, 548, 550, 559, 560, 570, 572, 574, 578, 585, 592, 592, 607, 616, 618, 621, 629, 637, 638, 640, 656, 668, 707, 709, 719, 737, 739, 752, 758, 766, 792, 792, 794, 802, 818, 830, 832, 843, 858, 860, 869, 918, 925, 953, 991, 1000, 1005, 1068, 1441}
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(x), func(i, j int) { x[i], x[j] = x[j], x[i] })
	q1, median, q3 := sample.Quartiles(x)
	assert.Equal(t, []float64{429.75, 559.5, 742.25}, []float64{q1, median, q3})
	assert.Equal(t, sample.Fences{InnerLow: -39, InnerHigh: 1211, OuterLow: -507.75, OuterHigh: 1679.75}, sample.Tukey(x))
}

// NumAcc1 to 4, NIST StRD univariate, certified, as quoted in GSL
// statistics/test_nist.c: a small ripple on a big offset, which a one-pass sum
// of squares loses.
func TestMeanAndDeviationKeepTheirDigits(t *testing.T) {
	ripple := func(base float64) []float64 {
		x := []float64{base + 0.2}
		for range 500 {
			x = append(x, base+0.1, base+0.3)
		}
		return x
	}
	for name, c := range map[string]struct {
		x                   []float64
		mean, sd, auto, tol float64
	}{
		"NumAcc1": {[]float64{10000001, 10000003, 10000002}, 10000002, 1, -0.5, 1e-15},
		"NumAcc2": {ripple(1), 1.2, 0.1, -0.999, 1e-14},
		"NumAcc3": {ripple(1000000), 1000000.2, 0.1, -0.999, 1e-9},
		"NumAcc4": {ripple(10000000), 10000000.2, 0.1, -0.999, 1e-7},
	} {
		mean, sd := sample.MeanSD(c.x)
		assert.InEpsilon(t, c.mean, mean, 1e-14, name)
		assert.InEpsilon(t, c.sd, sd, c.tol, name)
		var num, den float64
		for i := range c.x {
			den += (c.x[i] - mean) * (c.x[i] - mean)
			if i > 0 {
				num += (c.x[i] - mean) * (c.x[i-1] - mean)
			}
		}
		assert.InDelta(t, c.auto, num/den, 1e-6, name)
	}
}

// Mavro, NIST StRD univariate, certified, as quoted in GSL.
func TestMavro(t *testing.T) {
	x := []float64{2.0018, 2.0017, 2.0018, 2.0019, 2.0018, 2.0017, 2.0015, 2.0014, 2.0015, 2.0015, 2.0017, 2.0018, 2.0018, 2.0019, 2.0019, 2.0021, 2.0020, 2.0016, 2.0014, 2.0013, 2.0013, 2.0015, 2.0015, 2.0016, 2.0015, 2.0014, 2.0013, 2.0014, 2.0015, 2.0014, 2.0015, 2.0016, 2.0015, 2.0016, 2.0019, 2.0020, 2.0020, 2.0021, 2.0022, 2.0023, 2.0024, 2.0025, 2.0027, 2.0026, 2.0026, 2.0026, 2.0027, 2.0026, 2.0025, 2.0024}
	mean, sd := sample.MeanSD(x)
	assert.InEpsilon(t, 2.00185600000000, mean, 1e-15)
	assert.InEpsilon(t, 0.000429123454003053, sd, 1e-12)
}

// Lines through the origin, NIST StRD linear regression, certified, as quoted
// in GSL: gonum's regression does them right.
func TestLineThroughTheOrigin(t *testing.T) {
	var x, y []float64
	for v := 60.0; v <= 70; v++ {
		x, y = append(x, v), append(y, v+70)
	}
	_, b := stat.LinearRegression(x, y, nil, true)
	assert.InEpsilon(t, 2.07438016528926, b, 1e-13)
	_, b = stat.LinearRegression([]float64{4, 5, 6}, []float64{3, 4, 4}, nil, true)
	assert.InEpsilon(t, 0.727272727272727, b, 1e-13)
}

// gonum's two rules for a quantile are not the (n+1)p rule that we state: on the
// e-Handbook's 90 values (7.1.6, as quoted: 429.75 and 742.25) one takes a value of
// the sample and the other interpolates n*p. So the quartiles are ours.
func TestQuartilesOfGonumFollowOtherRules(t *testing.T) {
	x := []float64{1, 2, 3, 4, 5, 6, 7, 8}
	q1, median, q3 := sample.Quartiles(x)
	assert.Equal(t, []float64{2.25, 4.5, 6.75}, []float64{q1, median, q3}) // 9/4, 9/2, 27/4
	assert.Equal(t, 2.0, stat.Quantile(0.25, stat.Empirical, x, nil))
	assert.Equal(t, 2.0, stat.Quantile(0.25, stat.LinInterp, x, nil))
	assert.Equal(t, 4.0, stat.Quantile(0.5, stat.LinInterp, x, nil), "not even the median")
}

// Values of Student's t that the tests for outliers rest on, t(0.975), table 3 of
// the NIST/SEMATECH e-Handbook 1.3.6.7.2 (from memory).
func TestStudentQuantilesOfGonum(t *testing.T) {
	for nu, want := range map[float64]float64{1: 12.706, 2: 4.303, 5: 2.571, 10: 2.228, 30: 2.042, 100: 1.984} {
		assert.InDelta(t, want, distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(0.975), 5e-4, "%g degrees of freedom", nu)
	}
}

// Two outliers on one side of few cells mask each other from a single test and not
// from the generalised one; nor does the robust score fall for it.
func TestTwoWeakCellsDoNotHideEachOther(t *testing.T) {
	x := []float64{40.1, 40.0, 39.9, 40.05, 39.95, 40.02, 39.98, 40.07, 39.93, 40.0, 36.0, 36.1}
	g, _ := sample.Grubbs(x)
	assert.Less(t, g, sample.GrubbsCritical(len(x), 0.01, true), "one alone is masked by the other")
	_, n := sample.GESD(x, 3, 0.01)
	assert.Equal(t, 2, n)
	z := sample.RobustZ(x)
	assert.Less(t, z[10], -3.5)
	assert.Less(t, z[11], -3.5)
}
