package rehearse

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// touched is what the true contacts, link and article were at the step of time
// before: a contact that moves is found at the step at which it does.
type touched struct {
	contacts plant.Contacts
	terminal float64 // V
	current  float64 // A
	counters plant.Counters
}

// Stepped looks at the true contacts after each step of time (INV-03, INV-09).
func (w *witness) Stepped(b *virtual.Bench) {
	p := b.Plant()
	is := p.Contacts()
	if was := &w.touched; is != was.contacts {
		w.closings(p, is)
		w.openings(is)
	}
	m, c := p.Module(), p.Counters()
	if w.rushes(w.touched.current) || w.rushes(m.Current()) {
		w.step.rush.add(&w.touched.counters, &c)
	}
	w.touched = touched{is, m.TerminalVoltage(), m.Current(), c}
}

// Swept is nothing to the witness, who looks at what the loop is given.
func (*witness) Swept(*virtual.Bench) {}

// closings: no contact closes that nobody told to; the path that bypasses the
// precharge resistor closes only over the difference that the bench allows, as
// far as its readings can tell it.
func (w *witness) closings(p *plant.Bench, is plant.Contacts) {
	was, box := w.touched.contacts, &w.c.plan.Bench.Box
	for _, x := range [...]struct {
		now, before bool
		bit         drivers.Contactors
	}{{is.Negative, was.Negative, drivers.BoxNegative}, {is.Precharge, was.Precharge, drivers.BoxPrecharge}, {is.Positive, was.Positive, drivers.BoxPositive}} {
		if x.now && !x.before && w.told&x.bit == 0 {
			w.violate(13, "contactor %03b closed and nobody had told it to; told were %03b", x.bit, w.told)
		}
	}
	if !(is.Negative && is.Positive) || was.Negative && was.Positive {
		return
	}
	sags := w.drawn(w.inrush.told)
	if amps := math.Abs(p.Module().Current()); sags && amps > w.inrush.worst {
		w.inrush.at, w.inrush.worst = w.rig.Now(), amps
	}
	// The link cannot jump; the article's voltage can, by what closing drives.
	off := math.Abs(p.LinkVoltage() - w.touched.terminal)
	told := int64(w.touched.terminal * 1e6)
	most := box.DifferenceMax + drivers.Microvolts(box.LinkAcc.At(told)) + w.c.plan.Limits.SumTolerance
	if off <= float64(most)/1e6 {
		return
	}
	say := w.beyond
	if sags {
		say = w.leave
	}
	say(9, "the contactors closed over %.3f V; %.3f V is allowed", off, float64(most)/1e6)
}

// inrush is what flows at the touch of the contact that bypasses the precharge
// resistor: the link's own charge, gone within the time constant of link and
// cells. What begins to draw on the link while that contact travels, in the last
// tens of milliseconds in which nobody can call it back, decides how much.
type inrush struct {
	moves drivers.Instant // when the box was told something new
	told  drivers.Instant // when it was told to close that contact
	at    drivers.Instant // the greatest touch of a link that sagged on the way
	worst float64         // A, its current, a magnitude
}

// drawn says that something which leaves this to hardware has begun to draw on the
// link since the box was told, while a contact travelled.
func (w *witness) drawn(since drivers.Instant) bool {
	var lately []virtual.FaultStatus
	for _, f := range w.rig.FaultStatus() {
		if f.Began && f.Begin >= since {
			lately = append(lately, f)
		}
	}
	return left(lately, "inrush", w.rig.Now())
}

// is says that an excursion is of that touch alone.
func (i *inrush) is(e virtual.Excursion) bool {
	return (e.What == "discharge_high" || e.What == "charge_high") && e.First == i.at && float64(e.Worst) <= i.worst*1e6+1
}

// openings: contactors open at a low current, but after a trip.
func (w *witness) openings(is plant.Contacts) {
	was, box := w.touched.contacts, &w.c.plan.Bench.Box
	if !was.Negative || !was.Positive || is.Negative && is.Positive {
		return
	}
	most := float64(box.OpeningCurrent+w.c.plan.Limits.CurrentTolerance+w.c.plan.Limits.BoxCurrentTolerance) / 1e6
	i := math.Abs(w.touched.current)
	if i <= most || w.tripped || w.dead {
		return
	}
	// A process that starts opens everything, and knows no current (INV-03, INV-06).
	if w.rig.Now().Sub(w.bornAt) <= box.SwitchTime+w.c.plan.Bench.Monitor.Period {
		return
	}
	// A box opens by itself when it is pressed, loses its set-up, or hears nobody;
	// and a contact that bounces opens too.
	if w.began(virtual.EmergencyPressed, virtual.SetupLost, virtual.DriverHangs, virtual.DriverReconnects, virtual.FramesStop, virtual.ContactorBounces) {
		return
	}
	say := w.beyond
	if w.drawn(w.inrush.moves) {
		say = w.leave
	}
	say(9, "a contactor opened at %.2f A with nothing tripped; %.2f A is allowed", i, most)
}

// began says whether a fault of some kind has begun.
func (w *witness) began(kinds ...virtual.FaultKind) bool {
	for _, f := range w.rig.FaultStatus() {
		for _, k := range kinds {
			if f.Began && f.Fault.Kind == k {
				return true
			}
		}
	}
	return false
}

// mayClose looks at a command that connects the article, beyond the negative
// pole: polarity must have been read lately, by the meter that is independent of
// the taps (INV-09).
func (w *witness) mayClose(closed drivers.Contactors) {
	if d := w.data; closed&(drivers.BoxPrecharge|drivers.BoxPositive) != 0 && d != nil {
		if age := w.rig.Now().Sub(d.volts); d.volts == 0 || age > w.c.plan.Limits.Stale {
			w.violate(9, "contactors %03b were closed without a positive reading of the independent meter for %s", closed, seconds(age))
		}
	}
}

// mayEnergise looks at the first command of a run, or after somebody was asked to
// act, that energises: instruments were armed and read back, and the bench has
// shown itself in good order for as long as the plan wants (INV-08).
func (w *witness) mayEnergise(o operation) {
	p := w.c.plan
	if !w.unready {
		return
	}
	w.unready = false
	for _, x := range [...]struct {
		device virtual.Device
		want   drivers.Protection
	}{{virtual.DeviceSupply, p.SupplyArm}, {virtual.DeviceLoad, p.LoadArm}} {
		if got := w.read[x.device]; !within(got, x.want) {
			w.violate(8, "%s was energised, and the %s had read back %+v where %+v was to be armed", o.device, x.device, got, x.want)
		}
	}
	settle := p.Ready.Settle
	if w.began(virtual.TimeSteps) { // by less than what the loop takes for a jump
		settle -= p.Bench.Lease / 2
	}
	if d := w.data; d != nil && (d.ready == 0 || w.rig.Now().Sub(d.ready) < settle) {
		good := "at no time"
		if d.ready != 0 {
			good = "for " + seconds(w.rig.Now().Sub(d.ready))
		}
		w.violate(8, "%s was energised; the bench had shown itself in good order %s, %s is declared", o.device, good, seconds(settle))
	}
}

// within says that limits read back as tight as they were asked for.
func within(got, want drivers.Protection) bool {
	return got.VoltageMax > 0 && got.VoltageMax <= want.VoltageMax && got.CurrentMax > 0 && got.CurrentMax <= want.CurrentMax &&
		(want.CommTimeout == 0 || got.CommTimeout > 0 && got.CommTimeout <= want.CommTimeout)
}
