package rehearse

import (
	"fmt"
	"math"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// operation is one command that went out on a wire.
type operation struct {
	at      drivers.Instant
	device  virtual.Device
	halt    bool
	on      bool // it energises or closes
	current drivers.Microamps
	voltage drivers.Microvolts
	closed  drivers.Contactors
	text    string
}

// killed ends a process in the middle of what it does.
type killed struct{}

// witness is the judge's eyes: what passed over the wires, what was recorded,
// and the plant's truth at each frame. It decides nothing.
type witness struct {
	t     *Twin
	c     *Campaign
	rig   *virtual.Bench
	shelf *shelf
	say   func(at drivers.Instant, text string) // nil: nobody reads along

	calls    int                                   // drivers, journal and disk, since the first start
	killAt   int                                   // the call that the process dies of; 0: none
	killWhen drivers.Instant                       // or the instant from which the next call is the last; 0: none
	dead     bool                                  // it has
	bornAt   drivers.Instant                       // when the process's present life began
	started  bool                                  // a person has started a run in this life of the process
	stopped  bool                                  // a person has stopped it
	unready  bool                                  // the bench has yet to show itself in good order (INV-08)
	tripped  bool                                  // a trip was recorded that nobody has acknowledged
	read     map[virtual.Device]drivers.Protection // as read back in this run
	on       map[virtual.Device]bool               // as commanded
	closed   drivers.Contactors                    // as commanded in this life
	told     drivers.Contactors                    // as the box was told last, in any life
	halts    int                                   // of supply and load alike, in this life
	halted   map[virtual.Device]int
	haltAt   drivers.Instant
	alarms   int // people were told
	alarmAt  drivers.Instant
	last     [2]operation // the latest two commands to supply or load
	seq      uint64       // of the lines below
	lines    []string

	storeFailed drivers.Instant
	trips       []Trip
	violations  []Violation
	truth       truthSeen
	ends        ends // of the truth, at the latest frame
	misread     misread
	data        *looked // nil while no process looks
	touched     touched
	inrush      inrush
	history     history
	step        stepping
	bounds      []stepBounds
	stand       standing
	highest     float64     // V, of the article's cells when the run began
	nearest     float64     // how near what has flowed came to a step's bound, as a part
	over        bool        // the run under way has ended
	watching    bool        // and is to be watched
	single      bool        // at most one thing goes wrong
	more        []Violation // what several faults did
	healthy     *Healthy
}

// Trip is a trip as it was recorded.
type Trip struct {
	At    drivers.Instant
	Cause string // its first word
	Text  string
	// Began says that some fault had begun by then, Blamed that one had which may
	// lead to such a trip.
	Began, Blamed bool
	// True says that the truth itself stood where the trip says.
	True bool
}

// Violation is a safety invariant that was seen not to hold.
type Violation struct {
	INV  int
	At   drivers.Instant
	What string
}

func (v Violation) String() string {
	return fmt.Sprintf("INV-%02d at %s: %s", v.INV, seconds(v.At.Sub(began)), v.What)
}

func (w *witness) violate(inv int, format string, args ...any) {
	v := Violation{inv, w.rig.Now(), fmt.Sprintf(format, args...)}
	for _, old := range w.violations {
		if old.INV == inv && len(w.violations) > 8 {
			return
		}
	}
	w.violations = append(w.violations, v)
	if w.say != nil {
		w.say(v.At, "VIOLATION "+v.String())
	}
}

// wire looks at a command before it goes out.
func (w *witness) wire(o operation) {
	w.call()
	o.at = w.rig.Now()
	power := o.device == virtual.DeviceSupply || o.device == virtual.DeviceLoad
	if power && o.text != "arm" {
		w.last[0], w.last[1] = w.last[1], o
		w.on[o.device] = o.on
	}
	if power && o.halt {
		w.halted[o.device]++
		if n := min(w.halted[virtual.DeviceSupply], w.halted[virtual.DeviceLoad]); n > w.halts {
			w.halts, w.haltAt = n, o.at
		}
	}
	if o.device == virtual.DeviceBox {
		if o.closed&drivers.BoxPositive != 0 && w.told&drivers.BoxPositive == 0 {
			w.inrush.told = o.at
		}
		w.closed, w.told = o.closed, o.closed
	}
	if !o.on {
		return
	}
	if w.tripped {
		w.violate(5, "%s was energised after a trip that nobody acknowledged", o.device)
	}
	if w.stopped {
		w.violate(13, "%s was energised after a person's stop", o.device)
	}
	w.mayEnergise(o)
	w.mayClose(o.closed)
	if !w.shelf.energised {
		w.violate(5, "%s was energised before the mark was durable", o.device)
	}
	if !w.started {
		w.violate(6, "%s was energised although nobody started a run", o.device)
	}
	if f := w.storeFailed; f != 0 && o.at.Sub(f) > drivers.Second {
		w.violate(7, "%s was energised %s after the store had failed", o.device, seconds(o.at.Sub(f)))
	}
	if power {
		w.power(o)
	}
}

// power looks at a command that lets current flow.
func (w *witness) power(o operation) {
	other, flows := virtual.DeviceLoad, w.rig.Plant().LoadCurrent()
	p := w.c.plan
	most, arm := p.Limits.ChargeMax, p.SupplyArm
	if o.device == virtual.DeviceLoad {
		other, flows = virtual.DeviceSupply, w.rig.Plant().SupplyCurrent()
		most, arm = p.Limits.DischargeMax, p.LoadArm
	}
	near := float64(p.Limits.NearZero+p.Limits.CurrentTolerance+p.Limits.BoxCurrentTolerance) / 1e6
	if w.on[other] || flows > near {
		w.violate(1, "%s was switched on while the %s gave %.3f A", o.device, other, flows)
	}
	if o.current > most || o.current > arm.CurrentMax {
		w.violate(10, "%s was told %v; the limit is %v", o.device, o.current, most)
	}
	if o.device == virtual.DeviceSupply && o.voltage > arm.VoltageMax {
		w.violate(10, "supply was told %v; the limit is %v", o.voltage, arm.VoltageMax)
	}
}

// line looks at what the record was given.
func (w *witness) line(seq uint64, at drivers.Instant, line string) {
	if w.say != nil {
		w.say(at, line)
	}
	if seq != w.seq {
		w.seq, w.lines = seq, w.lines[:0]
	}
	w.lines = append(w.lines, line)
	if strings.HasPrefix(line, "record ") || strings.HasPrefix(line, "proof ") {
		if a, err := machine.ParseAction(line); err == nil {
			if r, ok := a.(machine.Record); ok {
				w.record(r)
			}
			w.proves(a)
		}
	}
	if w.healthy != nil {
		w.healthy.note(at, line)
	}
}

// trip looks at a trip before it is stored: by then everything is told to go
// off, before anything else (INV-03).
func (w *witness) trip(at drivers.Instant, line, reason string) {
	cause, _, _ := strings.Cut(reason, ":")
	t := Trip{At: at, Cause: cause, Text: reason, True: w.explains(cause)}
	t.Began, t.Blamed = w.blamed(cause)
	w.trips = append(w.trips, t)
	w.tripped, w.stand.trippedAt, w.stand.answered, w.step.on = true, w.rig.Now(), false, false
	if w.say != nil {
		w.say(at, line)
	}
	for _, o := range w.last {
		if o.at != 0 && (!o.halt || o.at > w.rig.Now()) {
			w.violate(3, "a trip was recorded before supply and load were told to go off")
		}
	}
	actions := w.lines
	if len(actions) > 0 && !strings.HasPrefix(actions[0], "halt") {
		actions = actions[1:] // the event itself
	}
	if w.c.Store.Kind == StoreGood && w.seq != 0 && (len(actions) == 0 || !strings.HasPrefix(actions[0], "halt")) {
		w.violate(3, "the first action after a breach was not a halt but %q", w.lines)
	}
}

// clear looks at the word that a trip is over (INV-04).
func (w *witness) clear(drivers.Instant) {
	p := &w.c.plan.Limits
	near := float64(p.NearZero+p.CurrentTolerance+p.BoxCurrentTolerance) / 1e6
	if i := w.rig.Plant().Module().Current(); math.Abs(i) > near {
		w.violate(4, "current was said to be proven zero; it was %.3f A", i)
	}
}

// markedSafe looks at the end of the energised mark (INV-05).
func (w *witness) markedSafe() {
	p := &w.c.plan.Limits
	near := float64(p.NearZero+p.CurrentTolerance+p.BoxCurrentTolerance) / 1e6
	if i := w.rig.Plant().Module().Current(); math.Abs(i) > near {
		w.violate(5, "the energised mark was taken away at %.3f A", i)
	}
}
