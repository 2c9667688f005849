package plant

import "github.com/rigwarden/rigwarden/drivers"

// warmEvery is the step of everything slow: heat between neighbours, and the
// resistances that follow temperature and state of charge. No step crosses a
// multiple of it.
const warmEvery = drivers.Second

// Module is N cells in series with their joints and terminals. It is made by
// Draw, moved by a Bench or a Parallel, and looked at by anyone. All it tells
// is the truth; no instrument sees it exactly.
type Module struct {
	spec      CellSpec // nominal, for what all cells share
	cells     []cell
	terminals float64 // Ohm
	// perDischarge is the reciprocal of the discharge factor.
	perDischarge float64
	bleed        float64 // Ohm of a bleed resistor; 0: none
	bleedHeat    float64 // part of a bleed resistor's heat that its cell gets
	ambient      float64 // K
	heatPath     thermal

	now     drivers.Span
	current float64 // A
	// emf and res are the module as a source behind a resistance, for the
	// direction that charging tells.
	emf, res float64
	charging bool

	steps cache
	heat  float64 // J set free in cells, joints and terminals since the beginning
	bled  float64 // J in bleed resistors since the beginning
	worst Worst
}

// step moves every cell by dt at a mean current and mean square of the current,
// which differ where current is not constant. The caller splits time so that no
// step crosses a multiple of warmEvery, and calls output afterwards.
func (m *Module) step(dt drivers.Span, mean, square float64) {
	m.moveAll(dt, mean, square)
	m.now += dt
	if m.now%warmEvery == 0 {
		m.warm()
	}
	m.see()
}

func (m *Module) moveAll(dt drivers.Span, mean, square float64) {
	m.charging = mean > 0
	f := m.steps.get(dt, &m.spec)
	ripple := max(square-float64(mean*mean), 0)
	for k := range m.cells {
		m.move(&m.cells[k], f, mean, ripple)
	}
	m.heat += float64(float64(m.terminals*(float64(mean*mean)+ripple)) * f.sec)
}

// outlook returns the module's voltage at no current after a step of dt without
// current, and by how many volts each ampere through the step would raise it.
// It serves whoever must find a current that agrees with itself.
func (m *Module) outlook(dt drivers.Span) (rest, slope float64) {
	f := m.steps.get(dt, &m.spec)
	table, half := &m.spec.Chemistry.table, m.spec.Hysteresis
	for k := range m.cells {
		c := &m.cells[k]
		dir, _ := m.direction(c)
		side := 1.0
		if m.charging != (c.polarity > 0) {
			side = -1
		}
		x := float64(float64(c.q*c.perCapacity) * tableSize)
		n := min(max(int(x), 0), tableSize-1)
		perCharge := float64(float64((table[n+1]-table[n])*tableSize)*c.perCapacity) +
			float64(half*float64(c.perMemory*(1-float64(side*c.h))))
		perAmpere := float64(perCharge*f.sec) + float64(dir*(float64(c.r1*f.y1)+float64(c.r2*f.y2)))
		idle := -float64(c.polarity*c.bleed) - c.leak
		e := c.ocv + float64(half*c.h) + float64(c.u1*f.x1) + float64(c.u2*f.x2) +
			float64(idle*perAmpere) - float64(float64(c.r0*dir)*c.leak) -
			float64(c.selfDischarge*float64(perCharge*f.sec))
		part := 1.0
		if c.bleeding {
			part = 1 / (1 + (float64(c.r0*dir)+c.joint)/m.bleed)
		}
		rest += float64(c.polarity * float64(part*e))
		slope += float64(part * perAmpere)
	}
	return rest, slope
}

// move is one cell's step: charge, RC pairs, hysteresis and the heat they set
// free.
func (m *Module) move(c *cell, f *factors, mean, ripple float64) {
	s := &m.spec
	dir, perDir := m.direction(c)
	line := mean - c.bleed // what flows in the joint
	i := line
	if c.polarity < 0 {
		i = -i
	}
	i -= c.leak
	dq := float64(i * f.sec)

	// RC pairs: exact for a constant current. What a pair sets free is what
	// went in less what its capacitance kept, which is exact too.
	r1, r2 := float64(c.r1*dir), float64(c.r2*dir)
	n1 := float64(c.u1*f.x1) + float64(float64(r1*i)*f.y1)
	n2 := float64(c.u2*f.x2) + float64(float64(r2*i)*f.y2)
	heat := float64(i*(float64((r1+r2)*dq)-float64(f.tau1*(n1-c.u1))-float64(f.tau2*(n2-c.u2)))) -
		float64(perDir*(float64(c.g1*(float64(n1*n1)-float64(c.u1*c.u1)))+
			float64(c.g2*(float64(n2*n2)-float64(c.u2*c.u2)))))
	c.u1, c.u2 = n1, n2

	heat += float64(f.sec * (float64(float64(c.r0*dir)*(float64(i*i)+ripple)) +
		float64(c.joint*(float64(line*line)+ripple)) +
		float64(c.leak*c.v) + float64(c.selfDischarge*c.ocv)))
	heat += float64(dq * float64(c.kelvin*c.entropy)) // reversible: negative where it cools
	if half := s.Hysteresis; half > 0 {
		h := c.h
		c.h += float64(nearer(float64(dq*c.perMemory)) * (branch(dq) - h))
		heat += float64(dq * float64(half*float64(0.5*(h+c.h))))
	}
	if dq > 0 {
		stored := float64(dq * s.Efficiency)
		heat += float64((dq - stored) * c.ocv)
		dq = stored
	}
	c.q += dq - float64(c.selfDischarge*f.sec)
	if c.bleeding {
		bled := float64(float64(c.bleed*c.tap) * f.sec)
		m.bled += bled
		c.heat += float64(bled * m.bleedHeat)
	}
	c.heat += heat
	m.heat += heat
}

// nearer returns 1-exp(-|x|) to the second order, for the small part x of a
// memory that one step moves.
func nearer(x float64) float64 {
	if x < 0 {
		x = -x
	}
	if x > 1 { // plain: the builtin min minds NaN and the sign of 0, for every cell and step
		x = 1
	}
	return x - float64(0.5*float64(x*x))
}

// branch is the branch of the hysteresis that a movement of charge leads to.
func branch(dq float64) float64 {
	switch {
	case dq > 0:
		return 1
	case dq < 0:
		return -1
	}
	return 0 // and nearer(0) is 0
}

// direction returns the factor on a cell's resistances for the module's
// direction, and its reciprocal.
func (m *Module) direction(c *cell) (dir, perDir float64) {
	if m.charging == (c.polarity > 0) {
		return 1, 1
	}
	return m.spec.Discharge, m.perDischarge
}

// see brings the sources and resistances up to the cells' state.
func (m *Module) see() {
	table, half := &m.spec.Chemistry.table, m.spec.Hysteresis
	emf, res := 0.0, m.terminals
	for k := range m.cells {
		c := &m.cells[k]
		c.settleJoint(m.current)
		x := float64(float64(c.q*c.perCapacity) * tableSize)
		n := min(max(int(x), 0), tableSize-1)
		c.ocv = table[n] + float64((x-float64(n))*(table[n+1]-table[n])) + c.shift
		dir, _ := m.direction(c)
		r := float64(c.r0 * dir)
		e := c.ocv + float64(half*c.h) + c.u1 + c.u2 - float64(r*c.leak)
		if c.polarity < 0 {
			e = -e
		}
		c.source, c.rho = e, r+c.joint
		if c.bleeding {
			// The cell and its resistor as one source.
			part := 1 / (1 + c.rho/m.bleed)
			c.source, c.rho = float64(e*part), float64(c.rho*part)
		}
		emf += c.source
		res += c.rho
	}
	m.emf, m.res = emf, res
}

// face makes the module's resistances those of a direction.
func (m *Module) face(charging bool) {
	if m.charging != charging {
		m.charging = charging
		m.see()
	}
}

// output sets the voltages that follow from the present current, and keeps the
// extremes.
func (m *Module) output(current float64) {
	m.current = current
	w := &m.worst
	for k := range m.cells {
		c := &m.cells[k]
		c.tap = c.source + float64(c.rho*current)
		v := c.tap - float64(c.joint*current)
		if c.bleeding {
			c.bleed = c.tap / m.bleed
			v += float64(c.joint * c.bleed)
		}
		if c.polarity < 0 {
			v = -v
		}
		c.v = v
		if v > w.VoltageMax {
			w.VoltageMax, w.VoltageMaxCell, w.VoltageMaxAt = v, k, m.now
		}
		if v < w.VoltageMin {
			w.VoltageMin, w.VoltageMinCell, w.VoltageMinAt = v, k, m.now
		}
	}
	w.ChargeMax = max(w.ChargeMax, current)
	w.DischargeMax = max(w.DischargeMax, -current)
}

// warm lets heat flow for one warmEvery and refreshes what depends on it.
func (m *Module) warm() {
	m.heatPath.step(m.cells, m.ambient)
	w := &m.worst
	for k := range m.cells {
		c := &m.cells[k]
		c.refresh(&m.spec)
		if c.kelvin > w.KelvinMax {
			w.KelvinMax, w.KelvinMaxCell, w.KelvinMaxAt = c.kelvin, k, m.now
		}
		if c.kelvin < w.KelvinMin {
			w.KelvinMin, w.KelvinMinCell = c.kelvin, k
		}
	}
}

// untilWarm returns the time to the next multiple of warmEvery.
func (m *Module) untilWarm() drivers.Span { return warmEvery - m.now%warmEvery }

// settle recomputes everything that is seen from outside after a change from
// outside, at an unchanged current.
func (m *Module) settle() {
	m.see()
	m.output(m.current)
}
