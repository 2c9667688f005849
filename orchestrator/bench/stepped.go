package bench

import (
	"time"

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
	waits <-chan Wait
	every func() drivers.Span // between routine commits
	desks [desks]desk
	asked drivers.Instant // when the routine commit was last asked for
}

// Wait is something that storage waits for, as a slow disk: it goes on at an
// instant of the rig's time, when Go is called.
type Wait struct {
	Until drivers.Instant
	Go    func()
}

// commitSpan is how far apart routine commits lie, as on a live bench.
const commitSpan = drivers.Span(commitEvery / time.Microsecond)

// The desks, as Live's goroutines; of two that are due, the first goes on first.
const (
	deskRoutine = iota // commits
	deskSafety         // what safety waits for
	desks
)

// desk does storage jobs, one after the other.
type desk struct {
	queue  []job
	answer chan answer // of the job under way, nil without one
	wait   Wait        // what it waits for
}

// answer is how a storage job ended: with an event or nil, or with a panic, which
// belongs to whoever turns the bench.
type answer struct {
	event    machine.Event
	panicked any
}

// NewStepped opens a bench over rig, as a starting process does.
func NewStepped(rig Rig, o Options) *Stepped {
	tell := o.Alert
	o.Alert = nil // which would come from a goroutine, at no exact place
	s := &Stepped{v: newVirtual(rig, o), waits: o.Waits, every: o.Commits}
	if s.every == nil {
		s.every = func() drivers.Span { return 0 }
	}
	if tell != nil {
		s.v.hub.tell = tell
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
		s.v.rig.Advance(max(d.wait.Until, s.v.rig.Now()))
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
		if d := &s.desks[i]; d.answer != nil && d.wait.Until <= t && (next == nil || d.wait.Until < next.wait.Until) {
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
	every := max(s.every(), commitSpan)
	if d := &s.desks[deskRoutine]; d.answer == nil && now.Sub(s.asked) >= every {
		s.asked = now
		d.queue = append(d.queue, job{kind: jobCommit, run: run, at: now})
		s.begin(d)
	}
	s.v.atRisk(now, riskMax+every-commitSpan)
}

// begin does the jobs that a desk has, until one waits.
func (s *Stepped) begin(d *desk) {
	for d.answer == nil && len(d.queue) > 0 {
		j, ch := d.queue[0], make(chan answer, 1)
		d.queue, d.answer = d.queue[1:], ch
		go func() {
			var a answer
			defer func() {
				a.panicked = recover()
				ch <- a
			}()
			a.event = j.do(s.v.latches)
		}()
		s.await(d)
	}
}

// goOn lets the job that waits at a desk go on.
func (s *Stepped) goOn(d *desk) {
	d.wait.Go()
	s.await(d)
}

// await returns when the desk's job has ended or waits again. Nothing else is
// under way meanwhile, so that the order of things is always the same.
func (s *Stepped) await(d *desk) {
	select {
	case a := <-d.answer:
		d.answer = nil
		if a.panicked != nil {
			panic(a.panicked)
		}
		if a.event != nil {
			s.v.post(at(a.event, s.v.rig.Now()))
		}
	case d.wait = <-s.waits:
	}
}

// Leave ends the bench as its process ends: jobs that wait go on at once, and no
// other begins. A process that was killed has a disk that takes nothing more.
func (s *Stepped) Leave() {
	for i := range s.desks {
		d := &s.desks[i]
		d.queue = nil
		for d.answer != nil {
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
