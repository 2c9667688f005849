package virtual

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// box is the contactor box: three contactors with a time of flight each, a link
// meter, a current sensor of its own, a heartbeat and the emergency stop.
type box struct {
	b    *Bench
	spec *drivers.BoxSpec

	link, amps sensor
	starts     int
	// told is what was commanded; coil what each contactor moves to, and when.
	told  drivers.Contactors
	coil  drivers.Contactors
	moves [3]drivers.Instant
	// rest is when a contactor that closes has stopped bouncing, never for one
	// that does not bounce; apart are the contacts that a bounce holds open.
	rest  [3]drivers.Instant
	apart drivers.Contactors
	stop  bool
	// precharge is the precharge contactor's armature; its contact in the plant
	// stays open where the resistor is.
	precharge bool
	heard     drivers.Instant
	// precharged is when the precharge contactor first closed.
	precharged drivers.Instant
	latest     drivers.BoxReading
	faults     boxFaults
}

// boxFaults are what faults make of the box.
type boxFaults struct {
	hung, deaf   int
	stuck        [3]int // contactor k does not close
	welded       [3]int
	resistorOpen int
	pressed      int // emergency stop
	bounce       [3]drivers.Span
}

// known are the contactors there are, in the order of box.moves.
const known drivers.Contactors = drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive

func (x *box) init(b *Bench, draw *plant.Rand) {
	x.b, x.spec = b, &b.cfg.Bench.Box
	s := b.cfg.Sensing.opposed()
	x.link = newSensor(draw, s, int64(x.spec.LinkStep), x.spec.LinkAcc, 1e6, 0, 0)
	if x.spec.CurrentStep > 0 {
		x.amps = newSensor(draw, s, int64(x.spec.CurrentStep), x.spec.CurrentAcc, 1e6, 0, 0)
	}
	for k := range x.moves {
		x.moves[k], x.rest[k] = never, never
	}
	x.precharged = never
}

func (x *box) contact(ctx context.Context) error {
	if err := reach(ctx, DeviceBox, x.faults.hung); err != nil {
		return err
	}
	x.heard = x.b.now
	return nil
}

// Identify says who the box is.
func (x *box) Identify(ctx context.Context) (drivers.Identity, error) {
	if err := x.contact(ctx); err != nil {
		return drivers.Identity{}, err
	}
	return x.b.identity(DeviceBox), nil
}

// Switch closes exactly the given contactors.
func (x *box) Switch(ctx context.Context, closed drivers.Contactors) error {
	if closed == 0 {
		return x.Halt(ctx)
	}
	if err := x.contact(ctx); err != nil {
		return err
	}
	if closed&^known != 0 {
		return fmt.Errorf("virtual box: switch %#x: %w: there is no such contactor", closed, drivers.ErrRefused)
	}
	if x.stop {
		return fmt.Errorf("virtual box: switch: %w: the emergency stop is engaged", drivers.ErrRefused)
	}
	if x.faults.deaf == 0 {
		x.told = closed
		x.energise(closed)
	}
	return nil
}

// Halt opens every contactor, whatever the context says.
func (x *box) Halt(context.Context) error {
	if x.faults.hung > 0 {
		return fmt.Errorf("virtual box: halt: %w", drivers.ErrNoAnswer)
	}
	x.heard = x.b.now
	if x.faults.deaf == 0 {
		x.told = 0
		x.energise(0)
	}
	return nil
}

// energise drives the coils; each contactor that has to move does so after its
// own time of flight.
func (x *box) energise(want drivers.Contactors) {
	changed := x.coil ^ want
	x.coil = want
	for k := range x.moves {
		if changed&(1<<k) != 0 {
			x.moves[k] = x.b.now.Add(x.b.delay(x.spec.SwitchTime))
			x.rest[k], x.apart = never, x.apart&^(1<<k)
		}
	}
}

// Read returns the latest measurement.
func (x *box) Read(ctx context.Context) (drivers.BoxReading, error) {
	if err := x.contact(ctx); err != nil {
		return drivers.BoxReading{}, err
	}
	return x.latest, nil
}

// PressEmergencyStop engages (or releases) the hard-wired emergency stop: the
// coils lose their supply whatever software wants. Its release closes nothing.
func (b *Bench) PressEmergencyStop(on bool) {
	b.box.stop = on
	if on {
		b.box.told = 0
		b.box.energise(0)
	}
}

func (x *box) event() drivers.Instant {
	e := min(x.moves[0], x.moves[1], x.moves[2])
	if x.coil != 0 && x.spec.Heartbeat > 0 {
		e = min(e, x.heard.Add(x.spec.Heartbeat))
	}
	return e
}

func (x *box) happen() {
	if x.coil != 0 && x.spec.Heartbeat > 0 && x.b.now >= x.heard.Add(x.spec.Heartbeat) {
		x.told = 0
		x.energise(0)
	}
	moved := false
	for k := range x.moves {
		if x.moves[k] <= x.b.now {
			x.moves[k], moved = never, true
			x.land(k)
		}
	}
	if moved {
		x.settle()
	}
}

// settle puts the contacts where the coils and their faults want them: a
// contactor still in flight stays where it is.
func (x *box) settle() {
	is := x.contacts()
	for k := range x.moves {
		bit := drivers.Contactors(1) << k
		switch {
		case x.moves[k] != never && x.rest[k] == never: // in flight
		case x.coil&bit == 0 || x.apart&bit != 0:
			is &^= bit
		case x.faults.stuck[k] == 0:
			is |= bit
		}
	}
	precharge := is&drivers.BoxPrecharge != 0
	x.b.plant.Switch(plant.Contacts{
		Negative:  is&drivers.BoxNegative != 0,
		Precharge: precharge && x.faults.resistorOpen == 0,
		Positive:  is&drivers.BoxPositive != 0,
	})
	x.precharge = precharge
	if precharge && x.precharged == never {
		x.precharged = x.b.now
		x.b.arrange()
	}
	x.b.moves(10 * fine)
}

// contacts returns the measured contacts. The auxiliary contact of the
// precharge contactor follows its armature: it knows nothing of the resistor.
func (x *box) contacts() drivers.Contactors {
	c := x.b.plant.Contacts()
	var is drivers.Contactors
	if c.Negative {
		is |= drivers.BoxNegative
	}
	if c.Precharge || x.precharge {
		is |= drivers.BoxPrecharge
	}
	if c.Positive {
		is |= drivers.BoxPositive
	}
	return is
}

func (x *box) measure() {
	link := x.link.read(x.b.plant.LinkVoltage(), x.b.noise)
	amps := drivers.NoReading
	if x.spec.CurrentStep > 0 {
		amps = x.amps.read(x.b.module.Current(), x.b.noise)
	}
	if x.faults.hung > 0 {
		return
	}
	state := int32(x.contacts())
	if x.stop {
		state |= drivers.BoxEmergencyStop
	}
	x.latest = drivers.BoxReading{Link: link, Current: amps, State: state, Beat: tally(x.latest.Beat)}
}

// weld makes a contactor stay closed (by 1): one that is open now welds when it
// next closes. By -1 it is healthy again.
func (x *box) weld(c drivers.Contactors, by int) {
	for k := range x.faults.welded {
		if c&(1<<k) != 0 {
			x.faults.welded[k] += by
		}
	}
	x.b.plant.Weld(plant.Contacts{
		Negative: x.faults.welded[0] > 0, Precharge: x.faults.welded[1] > 0, Positive: x.faults.welded[2] > 0,
	})
	x.settle()
}

// stuck makes contactors unable to close (by 1) or able again (by -1); one that
// is closed stays so until it is next opened.
func (x *box) stuck(c drivers.Contactors, by int) {
	for k := range x.faults.stuck {
		if c&(1<<k) != 0 {
			x.faults.stuck[k] += by
		}
	}
}
