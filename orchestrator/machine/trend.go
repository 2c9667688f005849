package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// CurvePoint is one point of a cell's open-circuit voltage, by the module file.
type CurvePoint struct {
	SoCPPM  int64              `json:"soc_ppm"`
	Voltage drivers.Microvolts `json:"voltage_uV"`
}

// trending holds the voltages of a drive against what the file's open-circuit
// curve makes of the charge that was counted: another article than the file says
// has other limits, and nothing at rest tells an LFP cell of 3.30 V from an NMC
// cell of 3.30 V. Charged by a tenth, one has moved and the other has not.
//
// Each cell's voltage at rest before the current gives the states of charge that
// it may have; the charge since then, over the least and the greatest capacity
// that is credible, gives the band in which its open-circuit voltage must now
// lie. What follows the current is taken off by each cell's own resistance,
// measured at the drive's edge. Where the file's curve is flat the band is wide
// and says nothing. A second look compares a cell with itself a little charge
// ago: no cell rises or falls more steeply than the file's curve does near there.
type trending struct {
	on     bool
	edge   bool // the cells' resistances are known
	q0     drivers.Charge
	i0     drivers.Microamps // the greatest so far, magnitude
	prev   drivers.Microamps // of the drive before, which still relaxes
	prevAt drivers.Instant
	cell   []trendCell
	mark   [2]trendMark // where the steepness counts from: the older first
	turn   int          // the cell whose turn it is
	wrong  int          // frames in a row
}

type trendCell struct {
	rest   drivers.Microvolts
	lo, hi int64 // states of charge it may have had, ppm
	own    drivers.Microohms
	at     [2]drivers.Microvolts // at the marks
}

type trendMark struct {
	set bool
	q   drivers.Charge
	i   drivers.Microamps
}

const (
	// trendLeast and trendMost are a cell's capacity relative to the rated one, per
	// mille, that is still credible.
	trendLeast, trendMost = 800, 1300
	// trendCurve is how far the file's curve may lie beside the cell's own, ppm of
	// charge; trendChord how much steeper a curve may be at a point than its table
	// between two, per mille (both common practice, no source).
	trendCurve, trendChord = 20_000, 1500
	// trendFine is what else may move a cell within half a per cent of its charge:
	// temperature, the curve's hysteresis.
	trendFine = 20_000 // uV
	// trendRelaxed is when the drive before no longer shows.
	trendRelaxed = 10 * drivers.Minute
	// trendFrames in a row must show it.
	trendFrames = 3
	// trendFar is how far beside a cell's voltage the curve is searched for its
	// steepest part.
	trendFar = 100_000 // uV
	// colder: a cell's resistance goes up fourfold in the cold (as in holding).
	colder = 4
)

// beginTrend anchors the trend at the cells' voltages before the current.
func (m *Machine) beginTrend() {
	t := &m.trend
	prev := t.i0
	if t.prevAt == 0 || m.now.Sub(t.prevAt) > trendRelaxed {
		prev = 0
	}
	cells := t.cell[:0]
	*t = trending{on: len(m.plan.Curve) > 1 && m.meas.cellsOK, q0: m.count.charge, prev: prev, turn: t.turn}
	for _, v := range m.meas.cell {
		cells = append(cells, trendCell{rest: v})
	}
	t.cell = cells
}

// trendFrame looks at one fresh frame of a drive; true means that it tripped.
func (m *Machine) trendFrame() bool {
	t, s := &m.trend, &m.meas
	if !t.on || !s.cellsOK || !s.currentOK {
		return false
	}
	if m.cmd.bleeding || m.now < m.cmd.bleedUntil {
		t.on = false // a bled cell loses what nobody counts
		return false
	}
	t.prevAt, t.i0 = m.now, max(t.i0, abs(s.current))
	if !t.edge {
		return m.trendEdge()
	}
	if len(t.cell) == 0 {
		return false
	}
	if off := abs(abs(s.current) - m.cmd.current); off > m.cmd.current/4+m.plan.Limits.CurrentTolerance {
		return false // not the current that was commanded: the guard's to judge
	}
	t.turn = (t.turn + 1) % len(t.cell)
	text := ""
	for _, k := range [...]int{s.highest, s.lowest, t.turn} {
		if text = m.trendCell(k); text != "" {
			break
		}
	}
	m.trendMark()
	if text == "" {
		t.wrong = 0
		return false
	}
	if t.wrong++; t.wrong < trendFrames {
		return false
	}
	m.becomeTripped(causeArticle, guard.Finding{}, text)
	return true
}

// trendEdge measures each cell's resistance once current has surely arrived.
func (m *Machine) trendEdge() bool {
	t, s := &m.trend, &m.meas
	if m.now.Sub(m.drive.setAt) < m.response(m.cmd.current) {
		return false
	}
	i, forth := int64(s.current), s.current
	if m.drive.ins.Direction == Discharging {
		forth = -forth
	}
	// A current that nobody commanded, as that into a short, is the guard's to judge,
	// and shows no resistance.
	if forth < -m.plan.Limits.NearZero || forth > m.cmd.current+m.cmd.current/4+m.plan.Limits.CurrentTolerance {
		return false
	}
	if abs(s.current) < 4*m.plan.Limits.NearZero || abs(s.current) < m.cmd.current/2 {
		t.on = false // nothing that a resistance could be measured with
		return false
	}
	t.edge = true
	base, sum := int64(m.plan.CellResistance), int64(0)
	for k := range t.cell {
		c := &t.cell[k]
		r := int64(s.cell[k]-c.rest) * 1_000_000 / i
		sum += r
		c.own = drivers.Microohms(min(max(r, 0), 2*colder*base))
	}
	fine := 2 * int64(m.plan.Bench.Monitor.CellStep) * 1_000_000 / abs(i)
	if mean := sum / int64(max(len(t.cell), 1)); mean > colder*base+fine {
		m.becomeTripped(causeArticle, guard.Finding{}, fmt.Sprintf(
			"a cell has %d.%03d mOhm in the mean at %v; the module file says %d.%03d mOhm, and the cold makes at most four times that of it: "+
				"another article than the file says, a far smaller one, or joints that do not conduct", mean/1000, mean%1000, s.current, base/1000, base%1000))
		return true
	}
	for k := range t.cell {
		c := &t.cell[k]
		slack := m.trendSlack(c)
		c.lo = m.socAt(c.rest-slack) - trendCurve
		c.hi = m.socAt(c.rest+slack) + trendCurve
	}
	return false
}

// trendSlack is what a cell's voltage may differ from its open-circuit one when
// what follows the current at once is taken off: what relaxes, from this drive
// and the one before, and two readings' errors.
func (m *Machine) trendSlack(c *trendCell) drivers.Microvolts {
	t, mon := &m.trend, &m.plan.Bench.Monitor
	r := max(int64(c.own), int64(m.plan.CellResistance))
	return drivers.Microvolts(2*r*int64(t.i0+t.prev)/1_000_000) +
		2*drivers.Microvolts(mon.CellAccuracy.At(int64(m.plan.Limits.CellMax))) + 2*mon.CellStep
}

// trendCell says in which way a cell does not follow the file's curve, or
// nothing.
func (m *Machine) trendCell(k int) string {
	t, s, c := &m.trend, &m.meas, &m.trend.cell[k]
	q := int64(m.count.charge-t.q0) / max(int64(m.plan.Rated)/1_000_000, 1) // ppm of the rated capacity
	open := s.cell[k] - drivers.Microvolts(int64(c.own)*int64(s.current)/1_000_000)
	lo, hi := c.lo+q*1000/trendMost, c.hi+q*1000/trendLeast
	if q < 0 {
		lo, hi = c.lo+q*1000/trendLeast, c.hi+q*1000/trendMost
	}
	slack := m.trendSlack(c)
	if least := m.curveAt(lo); lo > 0 && open < least-slack {
		return fmt.Sprintf("cell %02d stands at %v open circuit after %d.%d %% of the rated charge from %v; by the module file it is over %v: "+
			"another chemistry or a larger article than the file says, or current that does not reach it", k+1, open, abs(q)/10_000, abs(q)/1000%10, c.rest, least)
	}
	if most := m.curveAt(hi); hi < 1_000_000 && open > most+slack {
		return fmt.Sprintf("cell %02d stands at %v open circuit after %d.%d %% of the rated charge from %v; by the module file it is under %v: "+
			"another chemistry or a smaller article than the file says", k+1, open, abs(q)/10_000, abs(q)/1000%10, c.rest, most)
	}
	return m.trendSteep(k)
}

// trendSteep compares a cell with itself half a per cent to one of charge ago.
func (m *Machine) trendSteep(k int) string {
	t, s, c := &m.trend, &m.meas, &m.trend.cell[k]
	a, before, relaxing := t.mark[0], c.at[0], int64(1)
	if !a.set { // from the edge on, where most of what relaxes shows
		a, before, relaxing = t.mark[1], c.at[1], 2
	}
	if !a.set {
		return ""
	}
	moved := int64(s.cell[k]-before) - int64(c.own)*int64(s.current-a.i)/1_000_000
	q := abs(int64(m.count.charge-a.q)) / max(int64(m.plan.Rated)/1_000_000, 1)
	slope, known := m.steepest(min(s.cell[k], before)-trendFar, max(s.cell[k], before)+trendFar)
	if !known {
		return ""
	}
	own := max(int64(c.own), int64(m.plan.CellResistance))
	most := slope*q/1_000_000*trendChord/trendLeast + trendFine + relaxing*own*int64(max(abs(s.current), abs(a.i)))/2_000_000 + 2*int64(m.plan.Bench.Monitor.CellStep)
	if abs(moved) <= most {
		return ""
	}
	return fmt.Sprintf("cell %02d moved by %v within %d.%02d %% of the rated charge at %v; by the module file at most by %v: "+
		"another chemistry or a smaller article than the file says", k+1, drivers.Microvolts(moved), q/10_000, q/100%100, s.cell[k], drivers.Microvolts(most))
}

// trendMark moves the marks on, each half a per cent of the rated charge.
func (m *Machine) trendMark() {
	t, s := &m.trend, &m.meas
	if t.mark[1].set && abs(m.count.charge-t.mark[1].q) < m.plan.Rated/200 {
		return
	}
	t.mark[0], t.mark[1] = t.mark[1], trendMark{true, m.count.charge, s.current}
	for k := range t.cell {
		c := &t.cell[k]
		c.at[0], c.at[1] = c.at[1], s.cell[k]
	}
}

// curveAt is the file's open-circuit voltage at a state of charge; beyond its
// ends the end's.
func (m *Machine) curveAt(soc int64) drivers.Microvolts {
	p := m.plan.Curve
	for i := 1; i < len(p); i++ {
		if a, b := p[i-1], p[i]; soc <= b.SoCPPM {
			return a.Voltage + drivers.Microvolts(int64(b.Voltage-a.Voltage)*(max(soc, a.SoCPPM)-a.SoCPPM)/(b.SoCPPM-a.SoCPPM))
		}
	}
	return p[len(p)-1].Voltage
}

// socAt is the state of charge at an open-circuit voltage, by the file.
func (m *Machine) socAt(v drivers.Microvolts) int64 {
	p := m.plan.Curve
	for i := 1; i < len(p); i++ {
		if a, b := p[i-1], p[i]; v <= b.Voltage {
			return a.SoCPPM + (b.SoCPPM-a.SoCPPM)*int64(max(v, a.Voltage)-a.Voltage)/int64(b.Voltage-a.Voltage)
		}
	}
	return p[len(p)-1].SoCPPM
}

// steepest is the file's steepest slope between two voltages, uV for the whole
// charge; false where they leave the curve, of which nothing is known there.
func (m *Machine) steepest(lo, hi drivers.Microvolts) (slope int64, known bool) {
	p := m.plan.Curve
	if lo < p[0].Voltage || hi > p[len(p)-1].Voltage {
		return 0, false
	}
	for i := 1; i < len(p); i++ {
		if a, b := p[i-1], p[i]; b.Voltage >= lo && a.Voltage <= hi {
			slope = max(slope, int64(b.Voltage-a.Voltage)*1_000_000/(b.SoCPPM-a.SoCPPM))
		}
	}
	return slope, true
}
