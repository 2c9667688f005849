package plant

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// Half-cell potentials computed outside from the published fits: check values,
// section 8 (the fits as quoted in PyBaMM's parameter sets; table computed).
func TestHalfCells(t *testing.T) {
	for _, row := range []struct{ x, graphite, nmc, lfp float64 }{
		{0.05, 0.678571, 4.637446, 3.406963},
		{0.10, 0.406516, 4.594483, 3.405673},
		{0.20, 0.216986, 4.468983, 3.403646},
		{0.30, 0.162973, 4.205394, 3.401619},
		{0.40, 0.135240, 4.104747, 3.399592},
		{0.50, 0.133086, 3.971959, 3.397565},
		{0.60, 0.118751, 3.824474, 3.395533},
		{0.70, 0.092194, 3.730403, 3.393401},
		{0.80, 0.092020, 3.649110, 3.389254},
		{0.90, 0.092020, 3.568200, 3.344650},
	} {
		assert.InDelta(t, row.graphite, graphiteHalf(row.x), 1e-6, "graphite at %g", row.x)
		assert.InDelta(t, row.nmc, nmc811Half(row.x), 1e-6, "NMC811 at %g", row.x)
		assert.InDelta(t, row.lfp, lfpHalf(row.x), 1e-6, "LFP at %g", row.x)
	}
}

// Full cells: check values, section 8 (computed), to half a unit of the last
// printed digit and the digits of the stoichiometries.
func TestFullCells(t *testing.T) {
	soc := []float64{0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1}
	for _, c := range []struct {
		of    *Chemistry
		volts []float64
	}{
		{LFP(), []float64{2.000000, 2.785319, 2.978092, 3.168489, 3.205821, 3.252499, 3.266030,
			3.268822, 3.274028, 3.309691, 3.314167, 3.316387, 3.600000}},
		{NMC811(), []float64{2.500000, 3.109446, 3.295907, 3.485189, 3.581446, 3.667007, 3.750874,
			3.840577, 3.947906, 4.042080, 4.096656, 4.123553, 4.200000}},
	} {
		for i, s := range soc {
			assert.InDelta(t, c.volts[i], c.of.OCV(s), 1e-6, "%s at %g", c.of.Name(), s)
		}
	}
}

// The plateau's slope decides what voltage can tell of charge: check values,
// section 8 (computed), dV/dSOC of LFP. A central difference over the table's
// nodes is good to a thousandth in the steep part.
func TestSlopeLFP(t *testing.T) {
	c := LFP()
	for _, row := range []struct{ soc, slope, tolerance float64 }{
		{0.05, 6.6644, 1e-3}, {0.1, 2.6024, 1e-3}, {0.2, 0.5095, 1e-4}, {0.3, 0.4983, 1e-4},
		{0.4, 0.2869, 1e-4}, {0.5, 0.0487, 1e-4}, {0.6, 0.0191, 1e-4}, {0.7, 0.1766, 1e-4},
		{0.8, 0.1515, 1e-4}, {0.9, 0.0163, 1e-4}, {0.95, 0.1713, 1e-4},
	} {
		const h = 1.0 / tableSize
		got := (c.OCV(row.soc+h) - c.OCV(row.soc-h)) / (2 * h)
		assert.InDelta(t, row.slope, got, row.tolerance, "at %g", row.soc)
	}
}

// Between its nodes the table stays within 0.1 mV of the fits.
func TestTableBetweenNodes(t *testing.T) {
	e := electrodes{x0: 0.0176179, x100: 0.8100435, y0: 0.7035020, y100: 0.0037616}
	c, worst := LFP(), 0.0
	for i := range 40_000 {
		s := (float64(i) + 0.37) / 40_000
		want := lfpHalf(e.y0+s*(e.y100-e.y0)) - graphiteHalf(e.x0+s*(e.x100-e.x0))
		worst = max(worst, abs(c.OCV(s)-want))
	}
	assert.Less(t, worst, 1e-4)
}

func TestInverse(t *testing.T) {
	for _, c := range []*Chemistry{LFP(), NMC811()} {
		for _, s := range []float64{-0.05, 0, 0.013, 0.25, 0.5, 0.97, 1, 1.02} {
			assert.InDelta(t, s, c.SoC(c.OCV(s)), 1e-9, "%s at %g", c.Name(), s)
		}
	}
}

// Beyond empty and full the end's slope goes on, so abuse has no floor.
func TestBeyondEnds(t *testing.T) {
	c := LFP()
	assert.InDelta(t, c.OCV(1)+0.01*tableSize*(c.table[tableSize]-c.table[tableSize-1]), c.OCV(1.01), 1e-9)
	assert.InDelta(t, c.OCV(0)-0.02*tableSize*(c.table[1]-c.table[0]), c.OCV(-0.02), 1e-9)
}

func abs(x float64) float64 { return max(x, -x) }
