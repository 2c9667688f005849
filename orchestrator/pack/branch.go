package pack

import (
	"errors"
	"fmt"
	"math"
)

// Interval is a closed interval.
type Interval struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Branch is a module that is to be connected in parallel with others, with its
// fuse and its path to their common point.
type Branch struct {
	Name      string
	Chemistry string
	// Curve is that of one cell; Series cells are in series.
	Curve  Curve
	Series int
	// Capacity is in Ah.
	Capacity float64
	// Resistance from the common point through fuse, module and back, ohm, and the
	// half width of its interval. What counts is the first instant: the resistance
	// after ten seconds of a pulse is greater and promises too little current.
	Resistance, ResistanceWithin float64
	// Voltage is measured at the open terminals, V, with its half width.
	Voltage, VoltageWithin float64
	// SoC is the state of charge by counting, 0 to 1; nil where nobody counted.
	SoC *Interval
	// CurveDoubt is how far a cell's resting voltage may stand off Curve, V: the
	// curve's own error and hysteresis.
	CurveDoubt float64
	// ChargeMax and DischargeMax are what the module takes and gives at its present
	// temperature, Joint what the weakest joint of the connection carries, all in A; a
	// Joint of 0 carries what the fuse lets through.
	ChargeMax, DischargeMax, Joint float64
	// Fuse is the rated current of the branch's own fuse, Breaking the d.c. current
	// that it can break, in A; 0: there is none, or nobody said, which is refused.
	Fuse, Breaking float64
	// Isolated says that a contactor which a trip opens isolates the branch.
	Isolated bool
	// CellMin, CellMax and NoCharge are per cell, V.
	CellMin, CellMax, NoCharge float64
	// HeatCapacity is the whole module's, J/K; 0: unknown.
	HeatCapacity float64
}

// limit is the weakest of what carries a branch's current, and its name.
func (b *Branch) limit(charging bool) (amps float64, what string) {
	amps, what = b.DischargeMax, "the module's discharge limit"
	if charging {
		amps, what = b.ChargeMax, "the module's charge limit"
	}
	if b.Fuse > 0 && b.Fuse < amps {
		amps, what = b.Fuse, "its fuse"
	}
	if b.Joint > 0 && b.Joint < amps {
		amps, what = b.Joint, "the weakest joint"
	}
	return amps, what
}

// lowest is the least resistance that the branch may have, ohm.
func (b *Branch) lowest() float64  { return b.Resistance - b.ResistanceWithin }
func (b *Branch) highest() float64 { return b.Resistance + b.ResistanceWithin }

func (b *Branch) check() error {
	finite := func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
	switch {
	case b.Name == "":
		return errors.New("a module has no name")
	case len(b.Curve.soc) < 2:
		return fmt.Errorf("%s: no open-circuit curve", b.Name)
	case b.Series < 1:
		return fmt.Errorf("%s: %d cells in series; one or more would be right", b.Name, b.Series)
	case !(b.Capacity > 0) || !finite(b.Capacity):
		return fmt.Errorf("%s: capacity %g Ah; more than 0 would be right", b.Name, b.Capacity)
	case !(b.ResistanceWithin >= 0) || !(b.lowest() > 0) || !finite(b.highest()):
		return fmt.Errorf("%s: resistance %g +/- %g ohm; an interval above 0 would be right", b.Name, b.Resistance, b.ResistanceWithin)
	case !finite(b.Voltage) || !(b.VoltageWithin >= 0) || !finite(b.VoltageWithin) || !(b.CurveDoubt >= 0) || !finite(b.CurveDoubt):
		return fmt.Errorf("%s: voltage %g +/- %g V, curve +/- %g V; finite numbers would be right", b.Name, b.Voltage, b.VoltageWithin, b.CurveDoubt)
	case b.SoC != nil && !(0 <= b.SoC.Low && b.SoC.Low <= b.SoC.High && b.SoC.High <= 1):
		return fmt.Errorf("%s: state of charge from %g to %g; a rising pair within 0 to 1 would be right", b.Name, b.SoC.Low, b.SoC.High)
	case !(b.ChargeMax >= 0) || !(b.DischargeMax >= 0) || !(b.Joint >= 0) || !(b.Fuse >= 0) || !(b.Breaking >= 0):
		return fmt.Errorf("%s: a limit is below 0 or no number", b.Name)
	}
	return nil
}

// state is what is known of a branch's charge and voltage before it is connected.
type state struct {
	soc       Interval
	mid       float64  // the likeliest state of charge
	volts     Interval // what may drive current, now or once the voltage has settled
	disagree  bool     // counted charge and voltage exclude each other
	byVoltage Interval // the states of charge that the voltage alone allows
}

// settle joins what the voltage says with what was counted. Equal voltages on a
// flat curve allow quite different states of charge; the voltage that a state
// settles to counts beside the one that was read.
func (b *Branch) settle() state {
	n := float64(b.Series)
	off := b.VoltageWithin/n + b.CurveDoubt
	cell := b.Voltage / n
	clamp := func(x float64) float64 { return min(max(x, 0), 1) }
	s := state{byVoltage: Interval{clamp(b.Curve.SoC(cell - off)), clamp(b.Curve.SoC(cell + off))}}
	s.soc, s.mid = s.byVoltage, clamp(b.Curve.SoC(cell))
	if b.SoC != nil {
		s.soc = Interval{max(s.soc.Low, b.SoC.Low), min(s.soc.High, b.SoC.High)}
		if s.disagree = s.soc.Low > s.soc.High; s.disagree {
			s.soc = Interval{min(s.byVoltage.Low, b.SoC.Low), max(s.byVoltage.High, b.SoC.High)}
		}
		s.mid = (s.soc.Low + s.soc.High) / 2
	}
	s.volts = Interval{
		min(b.Voltage-b.VoltageWithin, n*b.Curve.Voltage(s.soc.Low)),
		max(b.Voltage+b.VoltageWithin, n*b.Curve.Voltage(s.soc.High)),
	}
	return s
}
