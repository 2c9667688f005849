package bench

import (
	"iter"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Stepped is a Virtual bench without a goroutine of its own: its caller is the
// loop, turn by turn, so that whatever befalls it (a command, a killed process)
// comes at an exact place and comes there again. It stores as Live does, in the
// rig's time: permits, trips and ends in order, routine commits beside them, and
// neither holds up the loop. It is for one goroutine.
type Stepped struct {
	v     *Virtual
	waits *Waits
	desks [desks]desk
	asked drivers.Instant // when the routine commit was last asked for
}

// Waits is where a storage job of a Stepped bench waits, as for a slow disk. The
// zero value is ready and serves one bench at a time.
type Waits struct{ until func(drivers.Instant) bool }

// Until lets the job that calls it stand until an instant of the rig's time,
// while the bench goes on.
func (w *Waits) Until(t drivers.Instant) { w.until(t) }

// The desks, as Live's goroutines; of two that are due, the first goes on first.
const (
	deskRoutine = iota // commits
	deskSafety         // what safety waits for
	desks
)

// desk does storage jobs, one after the other. Each is a coroutine, which runs
// when its desk calls it and at no other time: one that waits for nothing costs
// little more than a call.
type desk struct {
	queue []job
	// goOn lets the job under way go on until it waits, for an instant, or ends;
	// nil without one.
	goOn  func() (until drivers.Instant, waits bool)
	wait  func(drivers.Instant) bool // how it waits
	until drivers.Instant
	event machine.Event // what came of it
}

// NewStepped opens a bench over rig, as a starting process does.
func NewStepped(rig Rig, o Options) *Stepped {
	tell := o.Alert
	o.Alert = nil // which would come from a goroutine, at no exact place
	if o.Waits == nil {
		o.Waits = &Waits{}
	}
	s := &Stepped{v: newVirtual(rig, o), waits: o.Waits}
	if tell != nil {
		s.v.hub.tell = func(n machine.Notify) { tell(o.Name, n) }
	}
	s.v.core.keep = s.keep
	s.v.tend = func() {}
	s.v.handle(machine.Boot{At: rig.Now(), Latched: s.v.latched})
	s.v.drain()
	return s
}

// Start begins a run.
func (s *Stepped) Start(r StartRequest) error {
	err := s.v.begin(s.v.rig.Now(), r)
	s.v.drain()
	return err
}

// Command carries out a person's command.
func (s *Stepped) Command(verb machine.Verb, who, reason string) error {
	err := s.v.command(s.v.rig.Now(), verb, who, reason)
	s.v.drain()
	return err
}

// Turn moves time to whatever comes next and handles it.
func (s *Stepped) Turn() {
	if d := s.due(); d != nil {
		s.v.rig.Advance(max(d.until, s.v.rig.Now()))
		s.goOn(d)
		s.begin(d)
		s.v.drain()
	} else {
		s.v.turn()
	}
	s.routine()
	s.v.drain()
}

// due is the desk that goes on next, where nothing else comes before it.
func (s *Stepped) due() (next *desk) {
	t := s.v.next()
	for i := range s.desks {
		if d := &s.desks[i]; d.goOn != nil && d.until <= t && (next == nil || d.until < next.until) {
			next = d
		}
	}
	return next
}

// keep gives a storage job to its desk.
func (s *Stepped) keep(j job) {
	d := &s.desks[deskSafety]
	d.queue = append(d.queue, j)
	s.begin(d)
}

// routine asks for the routine commit and watches the data at risk, as Live does.
func (s *Stepped) routine() {
	run, now := s.v.run, s.v.rig.Now()
	if run == nil || run.broken {
		return
	}
	if d := &s.desks[deskRoutine]; d.goOn == nil && now.Sub(s.asked) >= drivers.Span(commitEvery.Microseconds()) {
		s.asked = now
		d.queue = append(d.queue, job{kind: jobCommit, run: run, at: now})
		s.begin(d)
	}
	s.v.atRisk(now)
}

// begin does the jobs that a desk has, until one waits.
func (s *Stepped) begin(d *desk) {
	for d.goOn == nil && len(d.queue) > 0 {
		j := d.queue[0]
		d.queue, d.event = d.queue[1:], nil
		d.goOn, _ = iter.Pull(func(yield func(drivers.Instant) bool) {
			d.wait, s.waits.until = yield, yield
			d.event = j.do(s.v.latches)
		})
		s.goOn(d)
	}
}

// goOn returns when the desk's job has ended or waits again. Nothing else is
// under way meanwhile, so that the order of things is always the same. What a job
// panics with belongs to whoever turns the bench.
func (s *Stepped) goOn(d *desk) {
	goOn := d.goOn
	d.goOn, s.waits.until = nil, d.wait
	if until, waits := goOn(); waits {
		d.goOn, d.until = goOn, until
	} else if d.event != nil {
		s.v.post(at(d.event, s.v.rig.Now()))
	}
}

// Leave ends the bench as its process ends: jobs that wait go on at once, and no
// other begins. A process that was killed has a disk that takes nothing more.
func (s *Stepped) Leave() {
	for i := range s.desks {
		d := &s.desks[i]
		d.queue = nil
		for d.goOn != nil {
			s.leaving(d)
		}
	}
}

// leaving is goOn for a process that ends: what a job panics with no longer
// matters.
func (s *Stepped) leaving(d *desk) {
	defer func() { _ = recover() }()
	s.goOn(d)
}

// Active says whether Virtual would let time go on: it does not while nothing
// is under way, or while a person is waited for.
func (s *Stepped) Active() bool { return s.v.active() }

// Look fills v with the machine's present state.
func (s *Stepped) Look(v *machine.View) { s.v.m.Look(v) }

// Phase is the machine's present state in a word.
func (s *Stepped) Phase() machine.Phase { return s.v.m.Phase() }

// Asks says that a person is being asked, with everything safe.
func (s *Stepped) Asks() bool { return s.v.m.Asks() }

// Unproven says that a trip's current could not be proven zero.
func (s *Stepped) Unproven() bool { return s.v.m.Unproven() }

// Latched is the trip that waits for acknowledgement, empty when none.
func (s *Stepped) Latched() string { return s.v.latched }

// Now is the rig's present instant.
func (s *Stepped) Now() drivers.Instant { return s.v.rig.Now() }
