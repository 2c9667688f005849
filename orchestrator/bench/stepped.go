package bench

import (
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Stepped is a Virtual bench without a goroutine of its own: its caller is the
// loop, turn by turn, so that whatever befalls it (a command, a killed process)
// comes at an exact place and comes there again. The wall clock that dates its
// commits is the rig's, which makes it as repeatable as the rig is. It is for
// one goroutine and needs no closing.
type Stepped struct{ v *Virtual }

// NewStepped opens a bench over rig, as a starting process does.
func NewStepped(rig Rig, o Options) *Stepped {
	v := newVirtual(rig, o)
	v.wall = func() time.Time { return time.UnixMicro(int64(rig.Now())) }
	v.quiet, v.every = true, 1
	v.handle(machine.Boot{At: rig.Now(), Latched: v.latched})
	v.drain()
	return &Stepped{v}
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
func (s *Stepped) Turn() { s.v.turn() }

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
