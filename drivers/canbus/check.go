package canbus

import (
	"math/big"
	"strconv"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// agePeriods is how many periods a value may be old where the map does not say.
const agePeriods = 3

// Check says where a map and the bench file's monitor disagree: numbers of
// cells and sensors, steps finer than what the signals carry, ranges, pace, and
// bleeding.
func Check(m *Map, spec drivers.MonitorSpec) []tree.Problem {
	r := &tree.Report{}
	for _, c := range []struct {
		g          *group
		what       string
		have, want int
	}{{&m.cells, "cells", m.Cells(), spec.Cells}, {&m.temps, "temperatures", m.Temps(), spec.Temps}} {
		if c.have != c.want {
			r.Addf(c.g.at, "map every one of the bench's, and no other", "the map names %d %s, the bench file has %d", c.have, c.what, c.want)
		}
	}
	checkSteps(r, &m.cells, "cells", int64(spec.CellStep), tree.DimVoltage, spec.Period)
	checkSteps(r, &m.temps, "temperatures", int64(spec.TempStep), tree.DimDifference, 0)
	checkSteps(r, &m.current, "current", int64(spec.CurrentStep), tree.DimCurrent, spec.Period)
	checkRange(r, m, spec)
	checkBleed(r, m, spec)
	return r.Sorted()
}

// checkSteps checks a group's resolution, its arithmetic and its pace; a period
// of 0 leaves the pace open.
func checkSteps(r *tree.Report, g *group, what string, step int64, d tree.Dimension, period drivers.Span) {
	if step <= 0 {
		r.Addf(g.at, "give the step in the bench file", "the bench file has no step for %s", what)
		return
	}
	for _, s := range g.signals {
		l := linearOf(s.signal, g.unit, g.sign)
		if size := new(big.Rat).Abs(l.gain); s.signal.number == integer && size.Cmp(new(big.Rat).SetInt64(step)) > 0 {
			r.Addf(s.signal.at, "write the signal's step, or a coarser one, into the bench file",
				"signal %s moves in steps of %s; the bench file promises %s", s.signal.name, quantity(size, d), tree.FormatQuantity(step, d))
			break // the others are alike
		}
	}
	for _, s := range g.signals {
		if _, err := converter(s.signal, s.bits, linearOf(s.signal, g.unit, g.sign), step, g.absent); err != nil {
			r.Add(s.signal.at, err.Error(), "give factor and offset fewer digits")
			break
		}
	}
	if period > 0 && g.period > period+period/2 {
		r.Addf(g.at, "let the bench file's period be the monitor's", "%s come every %s; the bench file promises a reading every %s", what, g.period, period)
	}
}

// quantity writes a size in base units for people.
func quantity(size *big.Rat, d tree.Dimension) string {
	if size.IsInt() && size.Num().IsInt64() {
		return tree.FormatQuantity(size.Num().Int64(), d)
	}
	f, _ := size.Float64()
	unit := map[tree.Dimension]string{tree.DimVoltage: "uV", tree.DimCurrent: "uA", tree.DimDifference: "mK"}[d]
	return strconv.FormatFloat(f, 'g', 6, 64) + " " + unit
}

// checkRange checks that the current's signal reaches as far as the bench file
// says: readings outside would be none.
func checkRange(r *tree.Report, m *Map, spec drivers.MonitorSpec) {
	for _, s := range m.current.signals {
		l := linearOf(s.signal, m.current.unit, m.current.sign)
		c, err := converter(s.signal, s.bits, l, int64(max(spec.CurrentStep, 1)), nil)
		if err != nil || c.number != integer {
			return
		}
		lo, hi := c.at(c.lo), c.at(c.hi)
		lo, hi = min(lo, hi)*int64(spec.CurrentStep), max(lo, hi)*int64(spec.CurrentStep)
		if want := int64(spec.CurrentRange); lo > -want || hi < want {
			r.Addf(s.signal.at, "narrow the bench file's range, or mend the DBC file's", "the bench file's range is %s; signal %s reaches from %s to %s",
				spec.CurrentRange, s.signal.name, drivers.Microamps(lo), drivers.Microamps(hi))
		}
	}
}

func checkBleed(r *tree.Report, m *Map, spec drivers.MonitorSpec) {
	if spec.Bleed == 0 {
		return
	}
	for _, c := range []struct {
		key string
		g   *group
	}{{"bleed", &m.bleed.group}, {"bleeding", &m.bleeding}} {
		switch n := c.g.width(); {
		case len(c.g.signals) == 0:
			r.Addf(m.at, "map it, or take the bleed resistors out of the bench file", "the bench file has bleed resistors, and the map lacks %q", c.key)
		case n < spec.Cells:
			r.Addf(c.g.at, "map a bit for each cell", "%s has %d bits for %d cells", c.key, n, spec.Cells)
		}
	}
	if m.bleed.repeat > 0 && spec.BleedTimeout > 0 && m.bleed.repeat >= spec.BleedTimeout {
		r.Addf(m.bleed.at, "repeat at least twice within the timeout", "a command is repeated every %s; the monitor ends bleeding after %s", m.bleed.repeat, spec.BleedTimeout)
	}
}
