package rehearse

import (
	"context"
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Who acts in a rehearsal.
const person = "rehearsal"

// Result is what became of a campaign.
type Result struct {
	Campaign *Campaign
	// Outcome and Reason are the first run's; a killed one is interrupted.
	Outcome machine.Outcome
	Reason  string
	Trips   []Trip
	Faults  []virtual.FaultStatus
	// Violations are of the product; Beyond is what more than one fault at once
	// did, or a fault that hardware must bound.
	Violations []Violation
	Beyond     []Violation
	// Worst lists how the truth left the maker's limits.
	Worst []virtual.Excursion
	// Margin is how near the truth came to the maker's limits.
	Margin Margin
	// ViolationToZero are the times from a truth outside the working limits to
	// no true current; TripToZero that from each trip.
	ViolationToZero, TripToZero []drivers.Span
	// CellError and TempError are the greatest errors that nobody noticed of a
	// tap, and of the temperatures by which the limits act; ThermometerError is
	// that of a single thermometer, which leaves the others.
	CellError, TempError, ThermometerError SensorError
	Killed                                 bool
	// Again says that the process after a kill was killed while it started,
	// Latched that the one after that found a latch, Lost how much of the record
	// the first kill took.
	Again             bool
	Latched           bool
	Lost              drivers.Span
	FalseTrip, Missed bool
	// Unfounded says why the truth does not bear out how the first run ended,
	// where it does not; Unnoticed that a sensor's error stayed unnoticed that is
	// greater than what the bench allows for (INV-12).
	Unfounded string
	Unnoticed string
	// Next is how the run after the repair ended.
	Next       machine.Outcome
	NextReason string
	Span       drivers.Span // rig time of both phases
}

// Held says that nothing was found.
func (r *Result) Held() bool {
	return len(r.Violations) == 0 && !r.FalseTrip && !r.Missed && r.Unfounded == "" && r.Unnoticed == ""
}

// runOptions are for those who run a campaign in parts.
type runOptions struct {
	ctx     context.Context // nil: nobody ends it early
	once    bool            // the first phase alone
	healthy *Healthy
	say     func(at drivers.Instant, text string)
}

// Run carries a campaign out; say, where given, is told every event line.
func (t *Twin) Run(c *Campaign, say func(at drivers.Instant, text string)) (*Result, error) {
	return t.run(c, &runOptions{say: say})
}

// rehearsal is one campaign under way.
type rehearsal struct {
	t     *Twin
	c     *Campaign
	ctx   context.Context
	w     *witness
	shelf *shelf
	loop  *bench.Stepped // nil while no process runs
	// text and digest are of the campaign's plan, where it is not the twin's.
	text   []byte
	digest string
	acts   []Act
	asked  drivers.Instant // since when a person is asked
	end    *bench.Ending   // of the run under way; nil while it goes on
	legacy legacy          // of the process that was killed
	r      *Result
}

func (t *Twin) run(c *Campaign, o *runOptions) (r *Result, err error) {
	rig, err := virtual.New(c.Config)
	if err != nil {
		return nil, err
	}
	w := &witness{t: t, c: c, rig: rig, say: o.say, healthy: o.healthy, single: c.single()}
	if c.Kill != nil {
		w.killAt = c.Kill.Call
		if c.Kill.Call == 0 {
			w.killWhen = began.Add(c.Kill.At)
		}
	}
	if w.shelf, err = newShelf(w, c.Store); err != nil {
		return nil, err
	}
	x := &rehearsal{t: t, c: c, ctx: o.ctx, w: w, shelf: w.shelf, r: &Result{Campaign: c}, acts: inOrder(c.Acts)}
	defer func() { err = errors.Join(err, x.leave(), w.shelf.remove()) }()
	x.watch()
	if o.say != nil {
		for _, l := range c.Lines() {
			o.say(rig.Now(), l)
		}
	}
	if err := x.underFaults(); err != nil {
		return nil, err
	}
	if x.given() {
		return nil, o.ctx.Err()
	}
	x.judge()
	if o.healthy != nil {
		o.healthy.Length, o.healthy.Calls = x.r.Span, w.calls
		return x.r, nil
	}
	if !o.once {
		if err := x.putRight(); err != nil {
			return nil, err
		}
	}
	if x.given() { // what it found is of a bench that was left alone
		return nil, o.ctx.Err()
	}
	if err := x.judgeRecords(); err != nil {
		return nil, fmt.Errorf("campaign %d: %w", c.Seed, err)
	}
	x.r.Violations = w.violations
	return x.r, nil
}

// given says that somebody has given the campaign up.
func (x *rehearsal) given() bool { return x.ctx != nil && x.ctx.Err() != nil }

// watch sets the limits that no true cell may leave.
func (x *rehearsal) watch() {
	x.w.touched = touched{}
	x.w.rig.Observe(x.w)
	maker := &x.t.Module.Maker
	x.w.rig.Watch(virtual.TruthLimits{
		CellMax: maker.CellMax, CellMin: maker.CellMin, TempMax: x.c.plan.Absolute.TempMax,
		Charge: maker.ChargeMax, Discharge: maker.DischargeMax,
	})
}

// After an end the bench is looked at for a while: nothing may come back.
const (
	afterEnd   = 5 * drivers.Second
	afterKill  = 15 * drivers.Second
	runMost    = 45 * drivers.Minute // and three times the healthy length
	turnsMost  = 10_000              // without the clock moving
	repairMost = 2 * drivers.Minute
	settleSpan = 5 * drivers.Second
	linkMost   = 20 * drivers.Minute
)

// underFaults is the first phase.
func (x *rehearsal) underFaults() error {
	var err error
	dead := safely(func() {
		if err = x.open(); err == nil {
			err = x.start()
		}
		if err == nil {
			x.follow(began.Add(3*x.t.Healthy.Length + runMost))
		}
	})
	if err != nil {
		return fmt.Errorf("campaign %d: %w", x.c.Seed, err)
	}
	if !dead {
		dead = safely(func() { x.idle(afterEnd) })
	}
	if dead {
		err = x.revive()
	}
	x.r.Span = x.w.rig.Now().Sub(began)
	return err
}

// follow is the person beside the run: turns until it is over.
func (x *rehearsal) follow(until drivers.Instant) {
	last := x.loop.Now()
	for n := 0; x.end == nil && n < turnsMost && x.loop.Now() < until && !x.given(); n++ {
		if now := x.loop.Now(); now != last {
			last, n = now, 0
		}
		x.actsDue()
		if !x.loop.Asks() {
			x.asked = last
		}
		switch {
		case x.end != nil:
			return
		case x.loop.Asks() && x.loop.Now() >= x.asked.Add(x.c.Think):
			x.command(machine.VerbConfirm)
		case !x.loop.Active() && len(x.acts) == 0 && x.loop.Phase() == machine.PhasePaused:
			x.command(machine.VerbResume)
		case x.loop.Unproven():
			return
		}
		x.loop.Turn()
	}
	// A soft limit may pause a run for half a day, with everything off; nobody
	// waits so long for a rehearsal.
	if x.end == nil && x.loop.Phase() == machine.PhasePaused {
		x.act(machine.VerbStop)
		for until := x.loop.Now().Add(repairMost); x.end == nil && x.loop.Now() < until; {
			x.loop.Turn()
		}
	}
}

// actsDue does what a person was to do by now.
func (x *rehearsal) actsDue() {
	for len(x.acts) > 0 && x.loop.Now() >= began.Add(x.acts[0].At) {
		x.act(x.acts[0].Verb)
		x.acts = x.acts[1:]
	}
}

// act does what the campaign wants a person to do.
func (x *rehearsal) act(verb machine.Verb) {
	err := x.command(verb)
	switch {
	case verb != machine.VerbStop:
	case err != nil:
		x.w.violate(13, "a stop was refused: %v", err)
	default:
		x.w.stops()
	}
}

func (x *rehearsal) command(verb machine.Verb) error {
	err := x.loop.Command(verb, person, "rehearsed")
	if verb == machine.VerbAcknowledge && err == nil {
		x.w.tripped = false
	}
	return err
}

// idle lets the bench's time go on with nothing asked for.
func (x *rehearsal) idle(d drivers.Span) {
	for until := x.loop.Now().Add(d); x.loop.Now() < until && !x.given(); {
		x.loop.Turn()
		x.actsDue()
	}
}

// putRight is the second phase: faults off. What has tripped must clear with an
// acknowledgement, and the next run, with another article on, must work.
func (x *rehearsal) putRight() error {
	w := x.w
	from := w.rig.Now()
	w.killAt, w.killWhen = 0, 0
	x.acts = nil
	x.shelf.disk.fault = StoreFault{}
	w.storeFailed = 0
	w.rig.Heal()
	w.rig.PressEmergencyStop(false) // a proof may have had it pressed
	w.stand.still = w.rig.Now()     // contactors that could not open can from here on
	w.single = true
	if x.loop == nil { // none could start until now
		if err := x.open(); err != nil {
			return err
		}
		x.inherit()
	}
	if w.rig.Plant().FuseBlown() { // only a new bench has a new fuse
		if err := x.renew(); err != nil {
			return err
		}
	}
	for until := w.rig.Now().Add(repairMost); w.rig.Now() < until; {
		x.loop.Turn()
		if p := x.loop.Phase(); p == machine.PhaseLatched || p == machine.PhaseIdle || p == machine.PhaseWatching {
			break
		}
	}
	switch p := x.loop.Phase(); {
	case x.end == nil:
		w.violate(11, "with everything put right, the run does not end: %s", p)
	case p != machine.PhaseLatched && p != machine.PhaseIdle && p != machine.PhaseWatching:
		w.violate(4, "with everything put right, the bench does not come to rest: %s", p)
	}
	// A person tells the bench to stop: a supply that heeds its commands again is
	// told once more (INV-13).
	x.act(machine.VerbStop)
	x.idle(settleSpan)
	x.otherArticle()
	x.bleedLink()
	if x.loop.Phase() == machine.PhaseLatched {
		if err := x.command(machine.VerbAcknowledge); err != nil {
			w.violate(5, "the latch does not clear: %v", err)
		}
	}
	if x.r.Killed { // a person looks for welds and starts the process anew
		if err := x.open(); err != nil {
			return err
		}
	}
	if err := x.start(); err != nil {
		w.violate(5, "with everything put right, no run can start: %v", err)
		x.finish(from)
		return nil
	}
	x.follow(w.rig.Now().Add(3*x.t.Healthy.Length + runMost))
	if x.end == nil {
		w.violate(11, "the run after the repair does not end")
	} else {
		x.r.Next, x.r.NextReason = x.end.Outcome, x.end.Reason
		if x.r.Next != machine.OutcomeDone {
			w.violate(5, "the run after the repair ended %s: %s", x.r.Next, x.r.NextReason)
		}
	}
	x.finish(from)
	return nil
}

// bleedLink waits until the link has lost what a supply left on it: a person
// does not connect an article to a link that is above it.
func (x *rehearsal) bleedLink() {
	for until := x.loop.Now().Add(linkMost); x.loop.Now() < until && !x.given(); {
		p := x.w.rig.Plant()
		if p.LinkVoltage() < p.Module().TerminalVoltage()+float64(x.c.plan.Bench.Box.DifferenceMax)/4e6 {
			return
		}
		x.idle(drivers.Second)
	}
}

func (x *rehearsal) finish(from drivers.Instant) {
	x.r.Span += x.w.rig.Now().Sub(from)
	for _, e := range x.w.rig.Excursions() {
		x.w.violate(12, "after the repair: %v", e)
	}
	x.r.Violations = x.w.violations
}

// renew puts the fuse right: a bench of the same kind, and the process started
// anew over it.
func (x *rehearsal) renew() error {
	c := x.c.Config
	c.Faults, c.Start = nil, x.w.rig.Now()
	rig, err := virtual.New(c)
	if err != nil {
		return err
	}
	x.w.rig = rig
	x.watch()
	return x.open()
}

// otherArticle connects a good article, as the bench file describes it: what ends
// its run is the bench's doing.
func (x *rehearsal) otherArticle() {
	if err := x.w.rig.Exchange(x.t.config.Article, x.c.Config.Seed); err != nil {
		x.w.violate(16, "with everything put right, %v", err)
	}
}
