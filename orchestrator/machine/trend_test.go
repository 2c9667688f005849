package machine

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// The toy's cells rise from 3.0 V to 3.5 V over 1 Ah and have 5 mOhm. labelled
// says what a file may say of them.
func labelled(empty, full drivers.Microvolts, resistance drivers.Microohms) *Plan {
	p := sessionPlans["charge"]()
	p.Curve = []CurvePoint{{0, empty}, {500_000, (empty + full) / 2}, {1_000_000, full}}
	p.CellResistance, p.Probe = resistance, 200_000
	return p
}

// trippedBy runs a plan for a while and returns why it tripped, the charge that
// had flowed by then, and the greatest current that anything was told.
func trippedBy(t *testing.T, p *Plan, length string) (why string, charge drivers.Charge, most drivers.Microamps) {
	s := started(t, p)
	before := s.toy.charge[0]
	s.record = func(_ Event, as []Action) {
		for _, a := range as {
			switch a := a.(type) {
			case Record:
				if a.Kind == RecordTrip && why == "" {
					why, charge = a.Text, s.toy.charge[0]-before
				}
			case Set:
				most = max(most, a.Current)
			}
		}
	}
	s.pass(length)
	return why, charge, most
}

// An article that is what its file says runs as ever.
func TestTrendOfTheDeclaredArticle(t *testing.T) {
	why, _, most := trippedBy(t, labelled(3_000_000, 3_500_000, 5_000), "10min")
	require.Empty(t, why)
	require.Greater(t, most, 400_000*drivers.Microamps(1))
}

// Cells whose voltage hardly moves, labelled as ones that rise by 1.2 V: at rest
// both show 3.25 V, and the label's limits would be the cells' end. The file's
// curve says how much charge at most goes by unnoticed: cells of 1.3 times the
// rated capacity and 2 % of error of the curve, 36 mV, and what relaxes.
func TestCellsThatMoveTooLittle(t *testing.T) {
	why, charge, _ := trippedBy(t, labelled(2_500_000, 4_000_000, 5_000), "10min")
	require.True(t, strings.HasPrefix(why, "article: cell "), why)
	require.Contains(t, why, "another chemistry or a larger article")
	require.Less(t, charge, toyCapacity/8)
}

// Cells that move twice as much as labelled are smaller ones.
func TestCellsThatMoveTooMuch(t *testing.T) {
	why, charge, _ := trippedBy(t, labelled(3_200_000, 3_320_000, 5_000), "30min")
	require.True(t, strings.HasPrefix(why, "article: cell "), why)
	require.Contains(t, why, "another chemistry or a smaller article")
	require.Less(t, charge, toyCapacity/2)
}

// A file that speaks of a tenth of the resistance speaks of another article: it is
// found by the first, small current, before any other flows.
func TestFirstCurrentIsSmall(t *testing.T) {
	why, _, most := trippedBy(t, labelled(3_000_000, 3_500_000, 500), "30s")
	require.True(t, strings.HasPrefix(why, "article: a cell has 5."), why)
	require.Contains(t, why, "the module file says 0.500 mOhm")
	require.Equal(t, 200_000*drivers.Microamps(1), most)
}

// The charge that the small current moved is no part of the step's.
func TestFirstCurrentDoesNotCount(t *testing.T) {
	p := labelled(3_000_000, 3_500_000, 5_000)
	p.Code[1].Drive.Hold, p.Code[1].Drive.Taper, p.Code[1].Drive.CellEnd = 0, 0, 0
	p.Code[1].Drive.Charge = toyCapacity / 100
	s := started(t, p)
	s.pass("30s until first current")
	s.pass("30s until current")
	require.True(t, s.m.code.probed)
	require.Zero(t, s.m.driveCharge())
	require.NotZero(t, s.m.count.charge)
}

// A load shorted within the first, small current, and -8 A over 27 mOhm were taken
// for a measure of cells that have 4 mOhm: people were told of another article. A
// current that nobody commanded waits for the guard, and the small one is not over
// before it has measured.
func TestNoResistanceOfACurrentThatNobodyCommanded(t *testing.T) {
	m := New()
	m.plan = &Plan{CellResistance: 4_000, Curve: []CurvePoint{{0, 3_000_000}, {1_000_000, 3_500_000}}}
	m.plan.Limits.NearZero, m.plan.Limits.CurrentTolerance = 10_000, 40_000
	m.drive = driving{ins: &Drive{Direction: Charging}, stage: stageProbe}
	m.now, m.cmd.current = m.now.Add(drivers.Minute), 320_000
	s := &m.meas
	s.fresh, s.cellsOK, s.currentOK, s.cell = true, true, true, []drivers.Microvolts{3_182_000}
	m.trend = trending{on: true, cell: []trendCell{{rest: 3_400_000}}}
	for _, i := range []drivers.Microamps{-8_055_000, -11_000, 441_000} {
		s.current = i
		m.probeFrame()
		require.False(t, m.trend.edge, "%v", i)
		require.False(t, m.code.probed, "%v", i)
	}
	s.current, s.cell[0] = 440_000, 3_401_760
	m.probeFrame()
	require.True(t, m.trend.edge)
	require.True(t, m.code.probed)
	require.Equal(t, drivers.Microohms(4_000), m.trend.cell[0].own)
}
