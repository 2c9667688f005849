package host

import (
	"github.com/rigwarden/rigwarden/drivers"
)

// Leg is one part of the way from a fault to an output that is off.
type Leg struct {
	Name string
	Time drivers.Span
}

// Path is what happens after one fault: who notices, and after what time at
// most the current is off.
type Path struct {
	// Fault is what breaks: daemon dead, host frozen, supply's cable cut...
	Fault string
	// Acts names what switches off.
	Acts string
	Legs []Leg
	// Worst is the sum of the legs. It means nothing unless Bounded.
	Worst drivers.Span
	// Bounded is false where nothing on this bench ends it: unattended runs
	// are then refused.
	Bounded bool
}

// Timing is what Paths needs beside the bench's description.
type Timing struct {
	// Scheduling is the measured 99.9 % of scheduling delays.
	Scheduling drivers.Span
	// Call is the deadline of a device call, LostAfter the periods of silence
	// after which a device counts as lost (both as in Config).
	Call      drivers.Span
	LostAfter int
	// Silence and Persistence are the tripwire's.
	Silence, Persistence drivers.Span
	// Plugin says that some driver is a program of its own behind the host.
	Plugin bool
}

// Paths returns the worst time from each fault to zero current: by daemon,
// host, plugin, cable and instrument. The times are computed from what the
// bench declares and the scheduling measured, never typed in.
func Paths(b *drivers.Bench, t Timing) []Path {
	p := paths{b: b, t: t}
	off := p.fall()
	open := []Leg{{"current may still flow", openingTime(&b.Box)}, {"contactors open", b.Box.SwitchTime}}
	list := []Path{
		path("breach of an absolute limit", "tripwire in the host",
			append([]Leg{{"next frame", b.Monitor.Period + b.Monitor.Skew + b.Monitor.Window}, {"persistence", t.Persistence}, p.read(), p.turn()}, off...)...),
		path("monitor silent", "tripwire in the host",
			append([]Leg{{"silence allowed", t.Silence}, {"next frame", b.Monitor.Period}, p.read(), p.turn()}, off...)...),
		path("daemon dead", "end of the lease pipe", append([]Leg{p.turn()}, off...)...),
		path("daemon frozen", "lease in the host", append([]Leg{{"lease", b.Lease}, p.turn()}, off...)...),
	}
	if t.Plugin {
		list = append(list,
			path("host dead", "end of the plugin's lease pipe", append([]Leg{p.turn()}, off...)...),
			path("host frozen", "lease in the plugin", append([]Leg{{"lease", b.Lease}, p.turn()}, off...)...),
			p.alone("plugin dead or frozen"))
	} else {
		list = append(list, p.alone("host dead or frozen"))
	}
	list = append(list,
		p.cable("supply", &b.Supply, open), p.cable("load", &b.Load, open),
		path("instrument obeys nothing", "contactor box", append([]Leg{p.turn()}, open...)...),
	)
	return list
}

// paths carries the arguments of Paths.
type paths struct {
	b *drivers.Bench
	t Timing
}

func (p *paths) turn() Leg { return Leg{"scheduling", p.t.Scheduling} }
func (p *paths) read() Leg { return Leg{"reading", p.b.Monitor.Period / readShare} }

// fall is the way from the off command to zero current, of the slower of
// supply and load.
func (p *paths) fall() []Leg {
	s, l := reaction(&p.b.Supply), reaction(&p.b.Load)
	return []Leg{{"call", p.t.Call}, {"output falls", max(s, l)}}
}

// alone is the path where no process of ours acts: the instruments' own
// communication timeouts, or the contactor box without its heartbeat.
func (p *paths) alone(fault string) Path {
	s, l, box := &p.b.Supply, &p.b.Load, &p.b.Box
	var best Path
	if s.CommTimeout > 0 && l.CommTimeout > 0 {
		best = path(fault, "instruments' communication timeouts",
			Leg{"communication timeout", max(s.CommTimeout, l.CommTimeout)}, Leg{"output falls", max(reaction(s), reaction(l))})
	}
	if box.Heartbeat > 0 {
		heart := path(fault, "contactor box without its heartbeat", Leg{"heartbeat", box.Heartbeat}, Leg{"contactors open", box.SwitchTime})
		if !best.Bounded || heart.Worst < best.Worst {
			best = heart
		}
	}
	if !best.Bounded {
		return Path{Fault: fault, Acts: "nothing on this bench"}
	}
	return best
}

// cable is the path where one instrument can no longer be told anything.
func (p *paths) cable(role string, spec *drivers.PowerSpec, open []Leg) Path {
	fault := role + " cut off"
	lost := Leg{"silence until it counts as lost", drivers.Span(p.t.LostAfter+1) * p.b.Monitor.Period}
	box := path(fault, "lease in the host, then the contactor box", append([]Leg{lost, {"lease", p.b.Lease}, p.turn()}, open...)...)
	if spec.CommTimeout == 0 {
		return box
	}
	own := path(fault, "its own communication timeout", Leg{"communication timeout", spec.CommTimeout}, Leg{"output falls", reaction(spec)})
	if own.Worst < box.Worst {
		return own
	}
	return box
}

func path(fault, acts string, legs ...Leg) Path {
	p := Path{Fault: fault, Acts: acts, Bounded: true}
	for _, l := range legs {
		if l.Time > 0 {
			p.Legs = append(p.Legs, l)
			p.Worst += l.Time
		}
	}
	return p
}

// reaction is how long an output takes from its command to zero current. An
// undeclared slew counts as immediate: Delay then covers the whole fall.
func reaction(s *drivers.PowerSpec) drivers.Span {
	if s.Slew <= 0 {
		return s.Delay
	}
	// Divided first, so that no declared current overflows; rounded up.
	whole, rest := s.CurrentMax/s.Slew, s.CurrentMax%s.Slew
	fall := drivers.Span(whole)*drivers.Second + drivers.Span((int64(rest)*1000+int64(s.Slew)-1)/int64(s.Slew))*drivers.Millisecond
	return s.Delay + fall
}

// openingTime is the box's, or the default of 100 ms (INV-03).
func openingTime(b *drivers.BoxSpec) drivers.Span {
	if b.OpeningTime > 0 {
		return b.OpeningTime
	}
	return 100 * drivers.Millisecond
}
