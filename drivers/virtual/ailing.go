package virtual

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// What faults make of a supply or a load beyond its counters.

// exceed makes an instrument give more than it was set to.
func (p *power) exceed(b *Bench, kind FaultKind) {
	current, gain := int64(0), int64(0)
	b.active(func(f *faultState) {
		current += int64(f.Current)
		gain += f.GainPPM
	}, kind)
	p.faults.extra, p.faults.extraGain = float64(current)/1e6, float64(gain)/1e6
	p.drive()
}

// die takes an instrument's mains away, or gives it back: the output stays off.
func (p *power) die(by int) {
	p.faults.dead += by
	if p.faults.dead > 0 {
		p.drop(drivers.PowerFault)
	} else {
		p.state &^= drivers.PowerFault
	}
}

// snap makes the output's current stop from one moment to the next.
func (p *power) snap() {
	if !p.on {
		p.source.Current, p.source.Slew = 0, 0
		p.put(p.source)
	}
}

// restart is the instrument at power on: output off, its own limits wide, no
// communication timeout, not armed, and no word of what happened.
func (p *power) restart() {
	p.drop(0)
	p.snap()
	p.state &= drivers.PowerFault // what has no mains still has none
	p.overVoltage = false
	p.limit(drivers.Protection{VoltageMax: p.spec.VoltageMax, CurrentMax: p.spec.CurrentMax})
}

// missense opens the sense leads, or mends them: see senseError.
func (p *power) missense(b *Bench) {
	offset, ohms := int64(0), int64(0)
	b.active(func(f *faultState) {
		offset += int64(f.Voltage)
		ohms += int64(f.Resistance)
	}, SenseOpen)
	p.faults.senseOffset, p.faults.senseOhm = float64(offset)/1e6, float64(ohms)/1e6
	if ohms == 0 {
		p.faults.sensed = 0
	}
	p.drive()
}

// senseError is how much lower than the link's voltage the instrument senses.
// With open leads it sees its own terminals through the resistors that protect
// its inputs: less by an offset, more by what its leads drop.
func (p *power) senseError() float64 { return p.faults.senseOffset - p.faults.sensed }

// resense lets regulation follow the drop in the leads. The loop of a supply is
// slower than the link, and half-way a step keeps it stable where the leads drop
// less than three times what the article does.
func (p *power) resense() {
	drop := float64(p.faults.senseOhm * p.current())
	if p.on && math.Abs(drop-p.faults.sensed) > 1e-3 {
		p.faults.sensed += float64(0.5 * (drop - p.faults.sensed))
		p.drive()
	}
}

// leak opens or closes the way back into an idle supply. It conducts as much as
// draws the fault's current at the article's voltage.
func (p *power) leak() {
	amps, idle := int64(0), !p.on
	p.faults.drains = false
	p.b.active(func(f *faultState) {
		p.faults.drains = true
		if idle {
			amps += int64(f.Current)
		}
	}, SupplyDrains)
	p.b.plant.Drain(float64(amps) / 1e6 / max(p.b.module.TerminalVoltage(), 1))
}
