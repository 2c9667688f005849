package bdf

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// meters are the instruments of a file as sources of error: one for both ways, or
// one for each.
type meters struct {
	gain, offset         [2]*gum.Input // of current: 0 charge, 1 discharge
	voltGain, voltOffset [2]*gum.Input
	clock                *gum.Input
}

func newMeters(a Accuracy) *meters {
	m := &meters{clock: gum.Own("clock", a.TimeGain)}
	for k := range m.gain {
		if k == 1 && !a.Separate {
			m.gain[1], m.offset[1], m.voltGain[1], m.voltOffset[1] = m.gain[0], m.offset[0], m.voltGain[0], m.voltOffset[0]
			break
		}
		m.gain[k], m.offset[k] = gum.Own("current gain", a.CurrentGain), gum.Own("current offset", a.CurrentOffset)
		m.voltGain[k], m.voltOffset[k] = gum.Own("voltage gain", a.VoltageGain), gum.Own("voltage offset", a.VoltageOffset)
	}
	return m
}

// normal is a distribution of which the stated interval's half width is known.
func normal(u float64) gum.Spread { return gum.Spread{Scale: u / gum.Factor} }

func way(s *Step) int {
	if s.Charge < 0 {
		return 1
	}
	return 0
}

// charge is a step's charge in Ah, signed. Gain and offset are the same for all
// of its rows and do not average out.
func (m *meters) charge(s *Step) gum.Value {
	k := way(s)
	return gum.Exact(s.Charge).With(m.gain[k], s.Charge).With(m.offset[k], s.Seconds/3600).With(m.clock, s.Charge)
}

// energy is a step's energy in Wh, signed.
func (m *meters) energy(s *Step) gum.Value {
	k := way(s)
	return gum.Exact(s.Energy).With(m.gain[k], s.Energy).With(m.offset[k], s.volts/3600).
		With(m.voltGain[k], s.Energy).With(m.voltOffset[k], s.Charge).With(m.clock, s.Energy)
}

// uncertain states the intervals of charge and energy.
func (x *reader) uncertain() {
	m := newMeters(x.accuracy)
	for i := range x.report.Steps {
		s := &x.report.Steps[i]
		s.ChargeU, _ = m.charge(s).Spread().Interval()
		s.EnergyU, _ = m.energy(s).Spread().Interval()
	}
}

// sameEnd is how far, as a share, the voltages at two ends of discharge may lie
// apart for the states to be called equal.
const sameEnd = 0.02

// What of a charge comes out again between equal end states, in %: beyond, the
// voltages say nothing, as on a flat curve (bounds of our own; new cells return 98
// to 100 %).
const leastReturned, mostReturned = 50.0, 102.0

// pairs finds each charge with the discharge after it. The two compare only
// where the charge began at the end of a discharge like its own.
func pairs(steps []Step, a Accuracy) []Pair {
	var out []Pair
	var p Pair
	var in, out1, ein, eout float64
	var cin, cout, gin, gout gum.Value
	one := newMeters(a)
	before, end := math.NaN(), math.NaN()
	flush := func() {
		if len(p.Charge) > 0 && len(p.Discharge) > 0 && in > 0 && ein > 0 && eout > 0 {
			p.Coulombic, p.Energy = 100*out1/in, 100*eout/ein
			p.Voltage = 100 * p.Energy / p.Coulombic
			p.CoulombicU, _ = gum.Scale(100, gum.Div(cout, cin)).Spread().Interval()
			p.EnergyU, _ = gum.Scale(100, gum.Div(gout, gin)).Spread().Interval()
			switch {
			case math.IsNaN(before):
				p.Reason = "the state before the charge is not known"
			case math.Abs(end-before) > sameEnd*math.Abs(before):
				p.Reason = fmt.Sprintf("the discharge before ended at %.4g V, this one at %.4g V: the end states differ", before, end)
			case p.Coulombic < leastReturned, p.Coulombic > mostReturned:
				p.Reason = fmt.Sprintf("%.3g %% of the charge came out again: the end states differ", p.Coulombic)
			}
			p.OK = p.Reason == ""
			out = append(out, p)
		}
		if len(p.Discharge) > 0 {
			before = end
		}
		p, in, out1, ein, eout = Pair{}, 0, 0, 0, 0
		cin, cout, gin, gout = gum.Value{}, gum.Value{}, gum.Value{}, gum.Value{}
	}
	for i := range steps {
		switch s := &steps[i]; s.Kind {
		case Charge:
			if len(p.Discharge) > 0 {
				flush()
			}
			p.Charge = append(p.Charge, s.Number)
			in, ein = in+s.Charge, ein+s.Energy
			cin, gin = gum.Add(cin, one.charge(s)), gum.Add(gin, one.energy(s))
		case Discharge:
			p.Discharge = append(p.Discharge, s.Number)
			out1, eout = out1-s.Charge, eout-s.Energy
			cout, gout = gum.Sub(cout, one.charge(s)), gum.Sub(gout, one.energy(s))
			end = s.EndVoltage
		}
	}
	flush()
	return out
}
