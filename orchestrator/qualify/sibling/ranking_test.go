package sibling_test

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sibling"
)

func named(values []float64, u float64) []sibling.One {
	var out []sibling.One
	for i, v := range values {
		out = append(out, sibling.One{Name: fmt.Sprintf("KW-%02d", i+1), Value: v, Spread: gum.Spread{Scale: u}})
	}
	return out
}

// Tietjen and Moore's mass-spectrometer data (NIST/SEMATECH e-Handbook
// 1.3.5.17.1): 245.57 is the one outlier, with a modified z-score of 29.96.
func TestTheOddOneIsNamed(t *testing.T) {
	x := []float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57}
	r := sibling.Compare("capacity", "Ah", sibling.Higher, named(x, 0.1))
	assert.Equal(t, []string{"KW-08"}, r.OddOnes())
	assert.Equal(t, 1, r.Rows[0].Rank)
	assert.InDelta(t, 29.9627, r.Rows[0].Z, 2e-3)
	assert.Equal(t, "outer", r.Rows[0].Fence)
	assert.InDelta(t, 201.37, r.Median, 1e-9)
	// What is not known better than it is off is not odd.
	assert.Empty(t, sibling.Compare("capacity", "Ah", sibling.Higher, named(x, 30)).OddOnes())
	_, err := json.Marshal(r)
	require.NoError(t, err)
}

// NIST/SEMATECH e-Handbook 7.1.6: 1441 of 90 is a mild outlier, no extreme one.
func TestMildOutlierStandsBetweenTheFences(t *testing.T) {
	x := []float64{30, 171, 184, 201, 212, 250, 265, 270, 272, 289, 305, 306, 322, 322, 336, 346, 351, 370, 390, 404, 409, 411, 436, 437, 439, 441, 444, 448, 451, 453, 470, 480, 482, 487, 494, 495, 499, 503, 514, 521, 522, 527, 548, 550, 559, 560, 570, 572, 574, 578, 585, 592, 592, 607, 616, 618, 621, 629, 637, 638, 640, 656, 668, 707, 709, 719, 737, 739, 752, 758, 766, 792, 792, 794, 802, 818, 830, 832, 843, 858, 860, 869, 918, 925, 953, 991, 1000, 1005, 1068, 1441}
	r := sibling.Compare("energy", "Wh", sibling.Higher, named(x, 1))
	assert.Equal(t, "inner", r.Rows[0].Fence)
	for _, row := range r.Rows[1:] {
		assert.Empty(t, row.Fence, row.Name)
	}
}

// More than half alike: the MAD is zero, and the one that differs is found.
func TestEqualSiblings(t *testing.T) {
	r := sibling.Compare("resistance", "mOhm", sibling.Lower, named([]float64{1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 2.5}, 0.01))
	assert.Equal(t, []string{"KW-08"}, r.OddOnes())
	assert.Empty(t, sibling.Compare("resistance", "mOhm", sibling.Lower, named([]float64{2, 2, 2, 2, 2}, 0.01)).OddOnes())
}

// Modules of one bench share its shunt's gain: 0.1 % of 40 Ah moves all of them
// alike and says nothing of their differences. On two benches it does.
func TestWhatABenchSharesCancels(t *testing.T) {
	gain := 0.04 / math.Sqrt(3)
	ones := named([]float64{40.00, 40.01, 40.02, 39.99, 40.05}, 0)
	for i := range ones {
		ones[i].Spread = gum.Spread{Scale: 0.002, Boxes: []float64{0.04}}
		ones[i].Bench, ones[i].Shared = "slip 2", map[string]float64{"shunt gain": gain}
	}
	r := sibling.Compare("capacity", "Ah", sibling.Higher, ones)
	assert.InDelta(t, 2*0.002, r.Rows[0].OffU, 1e-9)
	assert.True(t, r.Rows[0].Apart)
	ones[2].Bench = "slip 3"
	r = sibling.Compare("capacity", "Ah", sibling.Higher, ones)
	assert.InDelta(t, 2*math.Hypot(0.002, gain), r.Rows[0].OffU, 1e-9)
	assert.False(t, r.Rows[0].Apart)
}

func TestColdAndWarmSiblingsDoNotCompare(t *testing.T) {
	ones := named([]float64{1.5, 1.51, 1.49, 1.5, 1.9}, 0.01)
	cold, warm := 22.0, 26.0
	ones[0].Temperature, ones[4].Temperature = &warm, &cold
	r := sibling.Compare("module_resistance_10s", "mOhm", sibling.Lower, ones)
	assert.Contains(t, r.Refused, "measured at 22.0 to 26.0 degC, over 3 K apart")
	assert.Empty(t, r.OddOnes())
	warm = 24.5
	assert.Equal(t, []string{"KW-05"}, sibling.Compare("module_resistance_10s", "mOhm", sibling.Lower, ones).OddOnes())
}

func TestMissingFiguresAndFewArticles(t *testing.T) {
	ones := named([]float64{40, 41, 39}, 0.1)
	ones[1].Missing = "paused"
	r := sibling.Compare("capacity", "Ah", sibling.Higher, ones)
	assert.Equal(t, "KW-02", r.Rows[2].Name)
	assert.Equal(t, "paused", r.Rows[2].Reason)
	assert.Zero(t, r.Rows[2].Rank)
	assert.Equal(t, []string{"2 articles are too few to call one odd"}, r.Notes)
	assert.Equal(t, "no article has the figure", sibling.Compare("capacity", "Ah", sibling.Higher, nil).Refused)
}

// Two measurements of each of three articles: the effect between them, by GUM
// H.5's analysis; means 10, 11, 12, each scattering by +/- 0.1: F = 2/0.02 = 100.
func TestRepeatedArticles(t *testing.T) {
	var ones []sibling.One
	for i, m := range []float64{10, 11, 12} {
		for _, d := range []float64{-0.1, 0.1} {
			ones = append(ones, sibling.One{Name: fmt.Sprint("KW-0", i+1), Value: m + d, Spread: gum.Spread{Scale: 0.1}})
		}
	}
	r := sibling.Compare("capacity", "Ah", sibling.Higher, ones)
	require.NotNil(t, r.Repeats)
	assert.InDelta(t, 100, r.Repeats.F, 1e-6)
	assert.Less(t, r.Repeats.P, 0.01)
	assert.InDelta(t, math.Sqrt(0.02), r.Repeats.Within, 1e-9)
	assert.Nil(t, sibling.Compare("capacity", "Ah", sibling.Higher, named([]float64{1, 2, 3}, 0.1)).Repeats)
}

// Much capacity and little resistance are good: rank 1 is the best of either.
func TestTheBestRanksFirst(t *testing.T) {
	ones := named([]float64{2, 1, 3}, 0.1)
	names := func(r *sibling.Ranking) (out []string) {
		for _, x := range r.Rows {
			out = append(out, fmt.Sprint(x.Rank, " ", x.Name))
		}
		return out
	}
	assert.Equal(t, []string{"1 KW-03", "2 KW-01", "3 KW-02"}, names(sibling.Compare("capacity", "Ah", sibling.Higher, ones)))
	assert.Equal(t, []string{"1 KW-02", "2 KW-01", "3 KW-03"}, names(sibling.Compare("resistance", "mOhm", sibling.Lower, ones)))
}
