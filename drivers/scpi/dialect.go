package scpi

import (
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Dialect says how one kind of instrument speaks: what differs between
// manuals, and nothing else. ParseDialect makes it; it is never changed after.
type Dialect struct {
	name, role, about string

	line     line
	identity identityRule
	errors   errorRule
	status   string // asks for the status byte; empty: not asked
	marker   marker
	connect  []string // sent on each connection, once the identity is right
	prepare  []string // sent at each arming, before the limits
	release  []string // sent before the connection is closed

	current, voltage setting
	both             string // sets both at once, in place of their own commands
	setSettle        time.Duration
	output           output

	overVoltage, overCurrent, silence *limit

	readVoltage, readCurrent reading
	states                   []state
}

// Name is the dialect's own name.
func (d *Dialect) Name() string { return d.name }

// Role is the role that the dialect is for: supply, load or meter.
func (d *Dialect) Role() string { return d.role }

// About is the dialect's own sentence on what it is for.
func (d *Dialect) About() string { return d.about }

// line is how messages travel.
type line struct {
	ends    string        // after each message of ours
	reply   byte          // ends each reply; the other of CR and LF beside it is dropped
	longest int           // characters of a reply
	gap     time.Duration // between two messages of ours
}

// identityRule is how the reply to the identity query is cut.
type identityRule struct {
	ask    string
	fields int  // at least so many
	maker  bool // surplus commas belong to the maker, not the firmware
}

type errorRule struct {
	ask, clear string
	most       int // entries that are read before the queue counts as endless
}

// marker is a number that can be written and read back; without send, the
// identity serves in its place.
type marker struct{ send, ask string }

// output switches on and off.
type output struct {
	on, off  string
	settle   time.Duration // after either, before the next message
	overtake bool          // off may be sent while a reply is awaited
}

// number is how a quantity is written.
type number struct {
	mult     int64 // base units (uV, uA, us) in the unit
	decimals int
	step     int64  // base units; 0: the bench file's
	suffix   string // of replies: the unit in letters, where they end with it
}

// resolution is the least difference that can be written, in base units.
func (n number) resolution() int64 {
	r := n.mult
	for range n.decimals {
		r /= 10
	}
	return max(r, 1)
}

// down rounds v down to what can be written and to a step.
func (n number) down(v, step int64) int64 {
	if n.step > 0 {
		step = n.step
	}
	if step > 1 {
		v -= v % step
	}
	return v - v%n.resolution()
}

// up is down in the other direction, and never over top.
func (n number) up(v, step, top int64) int64 {
	if low := n.down(v, step); low < v {
		if n.step > 0 {
			step = n.step
		}
		v = low + max(step, n.resolution())
		v = n.down(v+n.resolution()-1, 1)
	}
	return min(v, top)
}

// setting is one half of a setpoint.
type setting struct {
	number
	send, ask string // ask: empty: it cannot be read back
}

// limit is one that the instrument guards by itself.
type limit struct {
	number
	send, clear, off []string
	ask              string
}

// reading is one measurement.
type reading struct {
	ask, suffix string
	mult        int64
	reversed    bool
}

// flags are what a state can mean.
type flags uint8

const (
	flagOn flags = 1 << iota
	flagVoltage
	flagTripped
	flagFault
	flagTimeout
	flagRestarted
)

// stateWords are the flags as dialects write them.
var stateWords = map[string]flags{
	"none": 0, "on": flagOn, "voltage": flagVoltage, "tripped": flagTripped,
	"fault": flagFault, "timeout": flagTimeout, "restarted": flagRestarted,
}

// state is a question whose reply says what the instrument does.
type state struct {
	ask     string
	boolean bool
	when    [2]flags         // boolean: of 0 and of 1
	bits    map[uint]flags   // of a register
	words   map[string]flags // of a word, in upper case
}

// meaning is everything that the state can say.
func (s *state) meaning() flags {
	all := s.when[0] | s.when[1]
	for _, f := range s.bits {
		all |= f
	}
	for _, f := range s.words {
		all |= f
	}
	return all
}

// meaning is everything that the dialect's states can say.
func (d *Dialect) meaning() (all flags) {
	for i := range d.states {
		all |= d.states[i].meaning()
	}
	return all
}

// bitsOf are the flags as a reading carries them.
func bitsOf(f flags) (s int32) {
	for _, p := range [...]struct {
		flag flags
		bit  int32
	}{
		{flagOn, drivers.PowerOn}, {flagVoltage, drivers.PowerVoltage}, {flagTripped, drivers.PowerTripped},
		{flagFault, drivers.PowerFault}, {flagTimeout, drivers.PowerLeaseOut},
	} {
		if f&p.flag != 0 {
			s |= p.bit
		}
	}
	return s
}
