package rehearse

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// stepping is the plan's step under way, by the record, and what has truly
// flowed since it began (INV-11).
type stepping struct {
	on      bool
	step    int
	begun   drivers.Instant
	flowed  drivers.Span // with current
	idle    drivers.Span // without, pauses left out
	paused  bool
	looked  drivers.Instant
	peak    float64 // A
	at      plant.Counters
	rush    rush
	rushed  bool // which was told
	flagged bool
}

// rush is what has flowed in a step at more than the cell maker's current, C and
// J, charging positive.
type rush struct{ charge, energy float64 }

// rushes says that a current, A, charging positive, is over what the cell
// maker allows.
func (w *witness) rushes(amps float64) bool {
	maker := &w.t.Module.Maker
	return amps > float64(maker.ChargeMax)/1e6 || -amps > float64(maker.DischargeMax)/1e6
}

// add takes in what has flowed since the step of time before.
func (r *rush) add(was, is *plant.Counters) {
	r.charge += is.ChargeIn - was.ChargeIn - (is.ChargeOut - was.ChargeOut)
	r.energy += is.EnergyIn - was.EnergyIn - (is.EnergyOut - was.EnergyOut)
}

// stepBounds are what the plan declares of one step, over all its instructions.
type stepBounds struct {
	span, wait drivers.Span // with current, and without
	charge     drivers.Charge
	energy     drivers.Energy
	person     bool // waits for a person
}

// slack is what a step may take beyond its instructions' own times: zero current
// before it, permits, closing again after a long pause, the answer of a planner.
const slack = 2 * drivers.Minute

func boundsOf(p *machine.Plan) []stepBounds {
	list := make([]stepBounds, len(p.Steps))
	for _, ins := range p.Code {
		b := &list[ins.Step]
		switch ins.Op {
		case machine.OpDrive, machine.OpPulse:
			b.span += ins.Drive.Bounds.Span
			b.charge += ins.Drive.Bounds.Charge
			b.energy += ins.Drive.Bounds.Energy
		case machine.OpWait:
			b.wait += ins.Wait.Span
		case machine.OpBleed: // waiting for cool resistors may double it
			b.wait += ins.Bleed.Settle + 2*ins.Bleed.Bounds.Span
		case machine.OpSwitch:
			b.wait += ins.Switch.Max
		case machine.OpAsk:
			b.person = true
		}
	}
	return list
}

// record takes in what the record tells of steps, pauses and people.
func (w *witness) record(r machine.Record) {
	s := &w.step
	switch r.Kind {
	case machine.RecordStep:
		*s = stepping{on: true, step: r.Step, begun: w.rig.Now(), looked: w.rig.Now(), at: w.rig.Plant().Counters()}
	case machine.RecordEnd:
		w.stepped()
		s.on = false
	case machine.RecordPause:
		s.paused = true
		w.pause(r)
	case machine.RecordResume:
		s.paused = false
		w.resume(r)
	}
}

// stepped compares what has truly flowed in the step with its bounds.
func (w *witness) stepped() {
	s, now := &w.step, w.rig.Now()
	if !s.on || s.flagged || s.step >= len(w.bounds) {
		return
	}
	gone := now.Sub(s.looked)
	s.looked = now
	l, b := &w.c.plan.Limits, &w.bounds[s.step]
	pl := w.rig.Plant()
	current := pl.Module().Current()
	i := math.Abs(current)
	switch {
	case i > float64(l.NearZero)/1e6:
		s.flowed += gone
	case !s.paused:
		s.idle += gone
	}
	c := pl.Counters()
	var net rush
	net.add(&s.at, &c)
	coulombs, joules := math.Abs(net.charge), math.Abs(net.energy)
	// What the readings cannot tell while current flows, and what flows from one
	// reading until a halt has taken effect.
	if !w.rushes(current) || !w.leaves("step_charge") {
		s.peak = max(s.peak, i)
	}
	unseen := float64(l.CurrentTolerance)/1e6*float64(s.flowed+s.idle)/1e6 + (s.peak+float64(l.NearZero)/1e6)*float64(w.latest())/1e6
	w.approach(s.flowed, coulombs, joules, b)
	volts := pl.Module().TerminalVoltage()
	most := float64(b.charge)/1e9 + unseen
	energy := func(coulombs float64) float64 {
		return float64(b.energy)/1e6 + unseen*volts*1.01 + float64(l.SumTolerance)/1e6*coulombs
	}
	// What no program is quick enough for is left to what the catalogue names.
	if (coulombs > most || joules > energy(coulombs)) && s.rush != (rush{}) && w.leaves("step_charge") {
		if !s.rushed {
			s.rushed = true
			w.leave(11, "step_charge: a short took %.1f C in step %d, whose bound is %.1f C", math.Abs(s.rush.charge), s.step, float64(b.charge)/1e9)
		}
		coulombs, joules = math.Abs(net.charge-s.rush.charge), math.Abs(net.energy-s.rush.energy)
	}
	switch {
	case b.span > 0 && s.flowed > b.span+w.latest():
		w.overstep("current has flowed for %s in step %d; %s is its bound", seconds(s.flowed), s.step, seconds(b.span))
	case s.idle > b.wait+slack && !b.person:
		w.overstep("step %d has stood for %s without current; %s is its bound", s.step, seconds(s.idle), seconds(b.wait))
	case coulombs > most:
		w.overstep("%.1f C have flowed in step %d; %.1f C is its bound", coulombs, s.step, float64(b.charge)/1e9)
	case joules > energy(coulombs):
		w.overstep("%.0f J have flowed in step %d; %.0f J is its bound", joules, s.step, float64(b.energy)/1e6)
	}
}

func (w *witness) overstep(format string, args ...any) {
	w.step.flagged = true
	w.beyond(11, format, args...)
}

// latest is the longest from a truth to its answer in the article: a reading, the
// persistence, the way to the instrument, its delay and slew; and of one that does
// not answer, as long again until that is seen, half a second more to be sure, and
// what the contactors take.
func (w *witness) latest() drivers.Span {
	p := w.c.plan
	t := 2*p.Bench.Monitor.Period + p.Bench.Monitor.Window + p.Limits.CurrentPersistence + w.t.Bench.HaltPath
	t += max(p.Bench.Supply.Delay+slewing(&p.Bench.Supply), p.Bench.Load.Delay+slewing(&p.Bench.Load))
	if w.began(virtual.SupplyIgnoresOff, virtual.LoadIgnoresOff, virtual.CommandsIgnored, virtual.DriverHangs) {
		t += t + drivers.Second/2 + p.Bench.Box.OpeningTime + p.Bench.Box.SwitchTime
	}
	return t
}

func slewing(s *drivers.PowerSpec) drivers.Span {
	if s.Slew <= 0 {
		return 0
	}
	return drivers.Span(int64(s.CurrentMax) * int64(drivers.Second) / int64(s.Slew))
}
