package profiles

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// model predicts how long steps take: one cell stands for all, with the
// module's open-circuit table and its start resistance. It counts in integers,
// for its results are stored with the plan and carry its digest.
type model struct {
	m   *Module
	soc Ppm
	// known says that the state of charge was anchored by a full charge or a
	// discharge to the end; before that it is the profile's guess.
	known bool
}

// slice is the step of the prediction in state of charge, ppm.
const slice = 1000

// forecast is what a drive is expected to take.
type forecast struct {
	span   drivers.Span
	charge drivers.Charge // magnitude
	energy drivers.Energy // magnitude
}

// OpenCircuit is a cell's open-circuit voltage at a state of charge, by the
// module file's table.
func (m *Module) OpenCircuit(soc Ppm) drivers.Microvolts { return m.ocv(soc) }

// ocv interpolates the open-circuit table.
func (m *Module) ocv(soc Ppm) drivers.Microvolts {
	soc = min(max(soc, 0), 1_000_000)
	for i := 1; i < len(m.OCV); i++ {
		a, b := m.OCV[i-1], m.OCV[i]
		if soc <= b.SoC {
			return a.Voltage + drivers.Microvolts(mulDiv(int64(b.Voltage-a.Voltage), soc-a.SoC, b.SoC-a.SoC))
		}
	}
	return m.OCV[len(m.OCV)-1].Voltage
}

// charged is the state of charge at an open-circuit voltage, by the same table.
func (m *Module) charged(v drivers.Microvolts) Ppm {
	for i := 1; i < len(m.OCV); i++ {
		a, b := m.OCV[i-1], m.OCV[i]
		if v <= b.Voltage {
			return a.SoC + mulDiv(b.SoC-a.SoC, int64(max(v-a.Voltage, 0)), int64(b.Voltage-a.Voltage))
		}
	}
	return 1_000_000
}

// ends of a drive in plain numbers; 0: none.
type ends struct {
	current, taper drivers.Microamps
	hold, cellEnd  drivers.Microvolts
	span           drivers.Span
	charge         drivers.Charge
	// lead is a pulse's first level, and a part of span; nil for none.
	lead *machine.Lead
}

// levels follows a drive, or a pulse of two levels.
func (p *model) levels(charge bool, e ends) forecast {
	if e.lead == nil {
		return p.drive(charge, e)
	}
	first := e
	first.current, first.span = e.lead.Current, e.lead.Span
	e.span -= e.lead.Span
	f, g := p.drive(charge, first), p.drive(charge, e)
	return forecast{span: f.span + g.span, charge: f.charge + g.charge, energy: f.energy + g.energy}
}

// drive follows one drive from the present state of charge and moves it.
func (p *model) drive(charge bool, e ends) forecast {
	var f forecast
	sign := Ppm(1)
	if !charge {
		sign = -1
	}
	perSlice := drivers.Charge(mulDiv(int64(p.m.Rated), slice, 1_000_000))
	for range 1_100_000 / slice {
		i, v, end := p.operate(charge, e)
		if end {
			p.known = p.known || e.charge == 0 && e.span == 0
			return f
		}
		q := perSlice
		if e.charge > 0 {
			q = min(q, e.charge-f.charge)
		}
		dt := drivers.Span(mulDivUp(int64(q), 1000, int64(i)))
		if e.span > 0 && f.span+dt >= e.span {
			dt = e.span - f.span
			q = drivers.Charge(mulDiv(int64(i), int64(dt), 1000))
		}
		f.span, f.charge = f.span+dt, f.charge+q
		f.energy += energy(v*drivers.Microvolts(p.m.Series), q)
		p.soc += sign * mulDiv(int64(q), 1_000_000, int64(p.m.Rated))
		if e.span > 0 && f.span >= e.span || e.charge > 0 && f.charge >= e.charge {
			return f
		}
	}
	return f
}

// operate returns current and cell voltage now, and whether an end is reached.
func (p *model) operate(charge bool, e ends) (i drivers.Microamps, v drivers.Microvolts, end bool) {
	i = max(e.current, 1)
	open, dir := p.m.ocv(p.soc), drivers.Microvolts(1)
	if !charge {
		dir = -1
	}
	if (charge && p.soc >= 1_000_000) || (!charge && p.soc <= 0) {
		return i, open, true
	}
	v = open + dir*drop(i, p.m.CellResistance)
	if e.hold > 0 && dir*v > dir*e.hold {
		room := max(dir*(e.hold-open), 0)
		i = drivers.Microamps(mulDiv(int64(room), 1_000_000, int64(p.m.CellResistance)))
		v = e.hold
		if i <= max(e.taper, 1) {
			return i, v, true
		}
	}
	if e.cellEnd > 0 && dir*v >= dir*e.cellEnd {
		return i, v, true
	}
	return i, v, false
}
