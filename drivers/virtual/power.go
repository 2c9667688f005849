package virtual

import (
	"context"
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// power is a supply or a load: it takes commands after a delay, regulates with
// the errors its declaration allows, and guards limits of its own.
//
// Nothing is switched on before Arm; after one of its own limits tripped, or
// its communication timeout ran out, it needs arming again.
type power struct {
	b    *Bench
	name Device
	spec *drivers.PowerSpec

	volts, amps     sensor
	gain, offset    float64 // of the regulated current: A per A, A
	vGain, vOffset  float64 // of the regulated voltage
	state           int32   // PowerTripped, PowerFault, PowerLeaseOut
	armed, on       bool
	overVoltage     bool // why it tripped
	limits          drivers.Protection
	target          drivers.Setpoint
	source          plant.Source // in force in the plant
	queue           [16]order
	head, waiting   int
	heard           drivers.Instant
	latest          drivers.Reading
	faults          powerFaults
	starts          int
	overV, overI, p float64 // own limits in V and A with their tolerance; power limit in W
}

// order is a command on its way from the instrument's socket to its output.
type order struct {
	at  drivers.Instant
	set drivers.Setpoint
}

// powerFaults are what faults make of an instrument.
type powerFaults struct {
	hung, deaf                          int // counts: two faults may overlap
	keepsCurrent, keepsOn, keepsVoltage int
	dead                                int
	extra /* A */, extraGain/* A per A */ float64
	senseOffset, senseOhm, sensed float64 // V, Ohm, V
	drains                        bool
}

func (p *power) init(b *Bench, name Device, spec *drivers.PowerSpec, draw *plant.Rand) {
	p.b, p.name, p.spec = b, name, spec
	s := b.cfg.Sensing.opposed()
	p.volts = newSensor(draw, s, int64(spec.VoltageStep), spec.VoltageAcc, 1e6, math.MinInt32, int64(spec.VoltageMax)*11/10)
	p.amps = newSensor(draw, s, int64(spec.CurrentStep), spec.CurrentAcc, 1e6, math.MinInt32, int64(spec.CurrentMax)*3/2)
	share := s.Static
	if s.Ideal {
		share = 0
	}
	p.gain = float64(float64(spread(draw)*share) * float64(spec.CurrentAcc.GainPPM) / 1e6)
	p.offset = float64(float64(spread(draw)*share) * float64(spec.CurrentAcc.Offset) / 1e6)
	p.vGain = float64(float64(spread(draw)*share) * float64(spec.VoltageAcc.GainPPM) / 1e6)
	p.vOffset = float64(float64(spread(draw)*share) * float64(spec.VoltageAcc.Offset) / 1e6)
	p.p = float64(spec.PowerMaxMW) / 1e3
	if spec.PowerMaxMW == 0 {
		p.p = math.Inf(1)
	}
	p.limit(drivers.Protection{VoltageMax: spec.VoltageMax, CurrentMax: spec.CurrentMax})
}

// limit puts the instrument's own limits in force. They act beyond the declared
// accuracy, or a healthy instrument set to its limit would trip.
func (p *power) limit(l drivers.Protection) {
	p.limits = l
	p.overV = float64(int64(l.VoltageMax)+p.spec.VoltageAcc.At(int64(l.VoltageMax))) / 1e6
	p.overI = float64(int64(l.CurrentMax)+p.spec.CurrentAcc.At(int64(l.CurrentMax))) / 1e6
}

// contact is the beginning of every call: a hung device and a dead context give
// no answer, any other contact feeds the communication timeout.
func (p *power) contact(ctx context.Context) error {
	if err := reach(ctx, p.name, p.faults.hung); err != nil {
		return err
	}
	p.heard = p.b.now
	return nil
}

// Identify says who the instrument is.
func (p *power) Identify(ctx context.Context) (drivers.Identity, error) {
	if err := p.contact(ctx); err != nil {
		return drivers.Identity{}, err
	}
	return p.b.identity(p.name), nil
}

// Arm sets the instrument's own limits, rounded down to its steps and cut to
// its ranges, clears its trips and returns what is in force.
func (p *power) Arm(ctx context.Context, l drivers.Protection) (drivers.Protection, error) {
	if err := p.contact(ctx); err != nil {
		return drivers.Protection{}, err
	}
	if l.VoltageMax <= 0 || l.CurrentMax <= 0 || l.CommTimeout < 0 {
		return drivers.Protection{}, fmt.Errorf("virtual %s: arm %+v: %w: limits must be positive", p.name, l, drivers.ErrRefused)
	}
	l.VoltageMax = min(l.VoltageMax, p.spec.VoltageMax)
	l.CurrentMax = min(l.CurrentMax, p.spec.CurrentMax)
	l.VoltageMax -= l.VoltageMax % max(1, p.spec.VoltageStep)
	l.CurrentMax -= l.CurrentMax % max(1, p.spec.CurrentStep)
	l.CommTimeout = min(l.CommTimeout, p.spec.CommTimeout)
	if p.faults.deaf == 0 {
		p.limit(l)
		p.armed = true
		p.state &^= drivers.PowerTripped | drivers.PowerLeaseOut
	}
	return l, nil
}

// Set takes a setpoint; its effect comes after the instrument's delay.
func (p *power) Set(ctx context.Context, s drivers.Setpoint) error {
	if !s.On {
		return p.Halt(ctx)
	}
	if err := p.contact(ctx); err != nil {
		return err
	}
	switch {
	case p.state&drivers.PowerLeaseOut != 0:
		return fmt.Errorf("virtual %s: set: %w", p.name, drivers.ErrLease)
	case !p.armed:
		return fmt.Errorf("virtual %s: set: %w: its limits were not armed", p.name, drivers.ErrRefused)
	case p.state&(drivers.PowerTripped|drivers.PowerFault) != 0:
		return fmt.Errorf("virtual %s: set: %w: it has tripped or is faulty (state %#x)", p.name, drivers.ErrRefused, p.state)
	case s.Current < 0 || s.Current > p.spec.CurrentMax:
		return fmt.Errorf("virtual %s: set %d uA: %w: 0 to %d uA is possible", p.name, s.Current, drivers.ErrRefused, p.spec.CurrentMax)
	case s.Voltage < 0 || s.Voltage > p.spec.VoltageMax:
		return fmt.Errorf("virtual %s: set %d uV: %w: 0 to %d uV is possible", p.name, s.Voltage, drivers.ErrRefused, p.spec.VoltageMax)
	}
	p.send(s)
	return nil
}

// Halt takes the output off ahead of everything on its way. It acts whatever
// the context says: nobody who wants an output off is to be told it is too late.
// Halting again never puts off the first one.
func (p *power) Halt(context.Context) error {
	if p.faults.hung > 0 {
		return fmt.Errorf("virtual %s: halt: %w", p.name, drivers.ErrNoAnswer)
	}
	p.heard = p.b.now
	p.off()
	return nil
}

// off puts switching off on its way, ahead of everything else.
func (p *power) off() {
	if p.faults.deaf > 0 {
		return
	}
	at := p.b.now.Add(p.b.delay(p.spec.Delay))
	for i := range p.waiting {
		if o := &p.queue[(p.head+i)%len(p.queue)]; !o.set.On {
			at = min(at, o.at)
		}
	}
	p.head, p.waiting = 0, 1
	p.queue[0] = order{at: at}
}

// send puts a setpoint on its way. Orders never overtake each other; one too
// many replaces the youngest.
func (p *power) send(s drivers.Setpoint) {
	if p.faults.deaf > 0 {
		return
	}
	o := order{p.b.now.Add(p.b.delay(p.spec.Delay)), s}
	if p.waiting > 0 {
		o.at = max(o.at, p.queue[(p.head+p.waiting-1)%len(p.queue)].at)
	}
	if p.waiting < len(p.queue) {
		p.waiting++
	}
	p.queue[(p.head+p.waiting-1)%len(p.queue)] = o
}

// Read returns the latest measurement.
func (p *power) Read(ctx context.Context) (drivers.Reading, error) {
	if err := p.contact(ctx); err != nil {
		return drivers.Reading{}, err
	}
	return p.latest, nil
}

// event returns when the instrument next does something by itself.
func (p *power) event() drivers.Instant {
	e := never
	if p.waiting > 0 {
		e = p.queue[p.head].at
	}
	if p.on && p.limits.CommTimeout > 0 && p.faults.keepsOn == 0 {
		e = min(e, p.heard.Add(p.limits.CommTimeout))
	}
	return e
}

// happen carries out orders that arrived, and the timeout.
func (p *power) happen() {
	for p.waiting > 0 && p.queue[p.head].at <= p.b.now {
		s := p.queue[p.head].set
		p.head, p.waiting = (p.head+1)%len(p.queue), p.waiting-1
		p.obey(s)
	}
	if p.on && p.limits.CommTimeout > 0 && p.faults.keepsOn == 0 && p.b.now >= p.heard.Add(p.limits.CommTimeout) {
		p.drop(drivers.PowerLeaseOut)
	}
	if p.faults.senseOhm > 0 {
		p.resense()
	}
	if p.on && float64(p.p*1.001) < float64(p.source.Current*p.b.plant.LinkVoltage()) {
		p.drive()
	}
}

// obey makes an order the target.
func (p *power) obey(s drivers.Setpoint) {
	switch {
	case p.faults.dead > 0:
		return
	case !s.On && p.faults.keepsOn > 0:
		return
	case s.On && p.on && p.faults.keepsCurrent > 0:
		s.Current = max(s.Current, p.target.Current)
	}
	if p.state&(drivers.PowerTripped|drivers.PowerLeaseOut) != 0 {
		s = drivers.Setpoint{}
	}
	p.target, p.on = s, s.On
	p.drive()
}

// protect trips on the instrument's own limits.
func (p *power) protect() {
	if !p.on || p.faults.keepsVoltage > 0 {
		return
	}
	if over := p.b.plant.LinkVoltage() > p.overV; over || p.believed() > p.overI {
		p.overVoltage = over
		p.drop(drivers.PowerTripped)
	}
}

// drop switches the output off by the instrument's own will.
func (p *power) drop(why int32) {
	p.state |= why
	p.armed = false
	p.target, p.on = drivers.Setpoint{}, false
	p.head, p.waiting = 0, 0
	p.drive()
}

// current is the true current of the instrument, A.
func (p *power) current() float64 {
	if p.name == DeviceSupply {
		return p.b.plant.SupplyCurrent()
	}
	return p.b.plant.LoadCurrent()
}

// believed is the current as the instrument's own regulation sees it: one that
// gives more than it was told does not know it.
func (p *power) believed() float64 {
	return (p.current() - p.faults.extra) / (1 + p.faults.extraGain)
}

// drive puts the target in force in the plant, with the regulation's errors.
func (p *power) drive() {
	// Switched off, the current still falls at the slew: the bound stays.
	s := plant.Source{Slew: float64(p.spec.Slew) / 1e6, Voltage: p.source.Voltage}
	if p.on {
		s.Current = p.regulated()
		s.Voltage = float64(quantum(int64(p.target.Voltage), int64(p.spec.VoltageStep))) / 1e6
		s.Voltage += float64(s.Voltage*p.vGain) + p.vOffset
		if p.faults.keepsVoltage > 0 && p.name == DeviceSupply {
			s.Voltage = float64(p.spec.VoltageMax) / 1e6 * 1.05
		}
		s.Voltage += p.senseError()
		if v := p.b.plant.LinkVoltage(); float64(s.Current*v) > p.p {
			s.Current = p.p / v
		}
	}
	travel := drivers.Span(fine)
	if s.Slew > 0 {
		travel += drivers.Span(math.Abs(s.Current-p.current()) / s.Slew * 1e6)
	}
	p.b.moves(min(travel, 10*drivers.Second) + settling)
	if p.holding() {
		// The declared slew is the current's, not that of a limit far above it:
		// without this the first reaction would come later than declared, or the
		// current would jump once the voltage no longer holds it.
		p.put(plant.Source{Current: p.current(), Voltage: p.source.Voltage})
	}
	p.source = s
	p.put(s)
	if p.faults.drains {
		p.leak()
	}
}

func (p *power) put(s plant.Source) {
	if p.name == DeviceSupply {
		p.b.plant.SetSupply(s)
	} else {
		p.b.plant.SetLoad(s)
	}
}

// settling is how long the link goes on after an edge.
const settling = 3 * fine

// regulated is the current that the instrument really gives for its target.
func (p *power) regulated() float64 {
	set := float64(quantum(int64(p.target.Current), int64(p.spec.CurrentStep))) / 1e6
	if set > 0 {
		set = max(0, float64(set*(1+p.gain))+p.offset)
	}
	given := max(0, float64(set*(1+p.faults.extraGain))+p.faults.extra)
	// A fault finds no more in the power stage than it was built for.
	return min(given, max(set, float64(p.spec.CurrentMax)/1e6))
}

// quantum rounds v to the nearest multiple of step.
func quantum(v, step int64) int64 {
	if step <= 1 {
		return v
	}
	return (v + step/2) / step * step
}

// measure reads the instrument's own meters.
func (p *power) measure() {
	amps := p.current()
	if p.faults.extra != 0 || p.faults.extraGain != 0 {
		amps = max(0, p.believed())
	}
	v := p.volts.read(p.b.plant.LinkVoltage()-p.senseError(), p.b.noise)
	i := p.amps.read(amps, p.b.noise)
	if p.faults.hung > 0 {
		return
	}
	p.latest = drivers.Reading{Voltage: v, Current: i, State: p.status(), Beat: tally(p.latest.Beat)}
}

// status is what the instrument is doing, in state bits.
func (p *power) status() int32 {
	state := p.state
	if p.on {
		state |= drivers.PowerOn
		if p.holding() {
			state |= drivers.PowerVoltage
		}
	}
	return state
}

func (p *power) holding() bool {
	if p.name == DeviceSupply {
		return p.b.plant.SupplyHolding()
	}
	return p.b.plant.LoadHolding()
}
