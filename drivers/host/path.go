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
}

// Paths returns the worst time from each fault to zero current: by daemon,
// host, plugin, cable and instrument. The times are computed from what the
// bench declares and the scheduling measured, never typed in. Each holds for
// one fault: the wires that it does not name are whole.
func Paths(b *drivers.Bench, t Timing) []Path {
	p := paths{b: b, t: t}
	monitor := &b.Monitor
	seen := []Leg{{"next reading", monitor.Period + monitor.Skew + monitor.Window}}
	switch {
	case plugged(monitor.Wire): // which samples on its own grid, and then the host on its
		seen = append(seen, Leg{"plugin's next frame", monitor.Period + monitor.Period/readShare}, p.turn(), p.look())
	case wired(monitor.Wire): // it measures on its own grid, the host looks on its
		seen = append(seen, p.look())
	}
	seen = append(seen, Leg{"persistence", t.Persistence}, p.read(), p.turn())
	silent := []Leg{{"silence allowed", t.Silence}, p.frame(), p.read(), p.turn()}
	if wired(monitor.Wire) { // the last reading is news when it is looked at
		silent = append([]Leg{p.look()}, silent...)
	}
	off := p.fall()
	list := []Path{
		path("breach of an absolute limit", "tripwire in the host", seen, off),
		path("monitor silent", "tripwire in the host", silent, off),
		path("daemon dead", "end of the lease pipe", []Leg{p.turn()}, off),
		path("daemon frozen", "lease in the host", []Leg{p.lease(), p.turn()}, off),
	}
	list = append(list, p.host()...)
	for _, o := range p.outputs() {
		list = append(list, p.cable(o)...)
	}
	list = append(list,
		p.blind("box", b.Box.Wire), p.blind("meter", b.Meter.Wire),
		path("instrument obeys nothing", "contactor box", []Leg{p.turn()}, p.opens()),
	)
	return list
}

// wired says whether an instrument is reached over a wire, which can break in
// the middle of an exchange and takes a new connection then.
func wired(w drivers.Wire) bool { return w.Driver != "virtual" }

// plugged says whether a program of its own holds the instrument.
func plugged(w drivers.Wire) bool { return w.Driver == "plugin" }

// paths carries the arguments of Paths.
type paths struct {
	b *drivers.Bench
	t Timing
}

// output is a supply or load.
type output struct {
	name string
	spec *drivers.PowerSpec
}

func (p *paths) outputs() [2]output {
	return [2]output{{"supply", &p.b.Supply}, {"load", &p.b.Load}}
}

func (p *paths) turn() Leg  { return Leg{"scheduling", p.t.Scheduling} }
func (p *paths) lease() Leg { return Leg{"lease", p.b.Lease} }
func (p *paths) look() Leg  { return Leg{"host's next look", p.b.Monitor.Period} }

// frame is the time to the next frame where a monitor that makes them at its own
// pace is silent: the host waits a little longer for it.
func (p *paths) frame() Leg {
	period := p.b.Monitor.Period
	if wired(p.b.Monitor.Wire) {
		period += period / sweepGrace
	}
	return Leg{"next frame", period}
}

func (p *paths) read() Leg { return Leg{"reading", p.b.Monitor.Period / readShare} }

// call is the way of a command that switches off, up to the device's taking it:
// it waits for no other call. Over a wire the exchange that it interrupts may
// cost the connection; then it is told a second time, over a new one.
func (p *paths) call(w drivers.Wire) []Leg {
	legs := []Leg{{"call", p.t.Call}}
	if wired(w) {
		legs = append(legs, Leg{"told again over a new connection", drivers.Span(retryPause.Microseconds()) + p.t.Call})
	}
	if plugged(w) {
		legs = append(legs, Leg{"plugin's scheduling", p.t.Scheduling})
	}
	return legs
}

// falls is the way from the off command to zero current of one output.
func (p *paths) falls(o output) []Leg {
	return append(p.call(o.spec.Wire), Leg{"output falls", reaction(o.spec)})
}

// fall is the slower of the outputs' ways.
func (p *paths) fall() []Leg {
	o := p.outputs()
	supply, load := p.falls(o[0]), p.falls(o[1])
	if total(load) > total(supply) {
		return load
	}
	return supply
}

// opens is the way from an opening that is asked for to open contactors.
func (p *paths) opens() []Leg {
	legs := append([]Leg{{"current may still flow", openingTime(&p.b.Box)}}, p.call(p.b.Box.Wire)...)
	return append(legs, Leg{"contactors open", p.b.Box.SwitchTime})
}

// lapses is what an instrument does by itself: it is proven to this time.
func (p *paths) lapses(o output) []Leg {
	timeout := o.spec.CommTimeout
	return []Leg{{"communication timeout", timeout}, {"its timer's margin", p.b.SilenceMargin(timeout)}, {"output falls", reaction(o.spec)}}
}

// heart is what the box does by itself.
func (p *paths) heart() []Leg {
	beat := p.b.Box.Heartbeat
	return []Leg{{"heartbeat", beat}, {"its timer's margin", p.b.SilenceMargin(beat)}, {"contactors open", p.b.Box.SwitchTime}}
}

// host are the paths after the death of the process that holds the wires. What
// a plugin holds, the plugin switches off; what the host held has only itself,
// or the box.
func (p *paths) host() (list []Path) {
	var own, behind []output
	for _, o := range p.outputs() {
		if plugged(o.spec.Wire) {
			behind = append(behind, o)
		} else {
			own = append(own, o)
		}
	}
	if len(own) > 0 {
		list = append(list, p.alone(own))
	}
	var slow []Leg
	for _, o := range behind {
		if legs := p.falls(o); total(legs) > total(slow) {
			slow = legs
		}
	}
	if len(behind) > 0 {
		list = append(list,
			path("host dead, before a plugin", "end of the plugin's lease pipe", []Leg{p.turn()}, slow),
			path("host frozen, before a plugin", "lease in the plugin", []Leg{p.lease(), p.turn()}, slow))
	}
	return list
}

// alone is the path of outputs whose host is dead or frozen.
func (p *paths) alone(own []output) Path {
	const fault = "host dead or frozen"
	var slow []Leg
	all := true
	for _, o := range own {
		if all = all && o.spec.CommTimeout > 0; all {
			if legs := p.lapses(o); total(legs) > total(slow) {
				slow = legs
			}
		}
	}
	var ways []Path
	if all {
		ways = append(ways, path(fault, "instruments' communication timeouts", slow))
	}
	switch box := &p.b.Box; {
	case plugged(box.Wire):
		ways = append(ways, path(fault, "lease in the box's plugin", []Leg{p.lease(), p.turn()}, p.opens()))
	case box.Heartbeat > 0:
		ways = append(ways, path(fault, "contactor box without its heartbeat", p.heart()))
	}
	return quickest(fault, ways)
}

// cable are the paths where one output can no longer be told anything.
func (p *paths) cable(o output) (list []Path) {
	fault := o.name + " cut off"
	if plugged(o.spec.Wire) {
		list = append(list, path(o.name+"'s plugin cut off", "lease in the plugin", []Leg{p.lease(), p.turn()}, p.falls(o)))
		fault = o.name + "'s plugin dead, or itself cut off"
	}
	ways := []Path{path(fault, "lease in the host, then the contactor box", p.unheard(o.spec.Wire), p.opens())}
	if o.spec.CommTimeout > 0 {
		ways = append(ways, path(fault, "its own communication timeout", p.lapses(o)))
	}
	return append(list, quickest(fault, ways))
}

// blind is the path where an instrument that switches no output off is cut off.
func (p *paths) blind(name string, w drivers.Wire) Path {
	fault := name + " cut off"
	if plugged(w) {
		fault = name + " or its plugin cut off"
	}
	ways := []Path{path(fault, "lease in the host", p.unheard(w), p.fall())}
	if name == "box" && p.b.Box.Heartbeat > 0 && !plugged(w) {
		ways = append(ways, path(fault, "contactor box without its heartbeat", p.heart()))
	}
	return quickest(fault, ways)
}

// unheard is the time from a device's last answer to the end of the lease, which
// is not renewed once the device counts as lost. A plugin's last frame is an
// answer for as long as it is news.
func (p *paths) unheard(w drivers.Wire) []Leg {
	period := p.b.Monitor.Period
	legs := []Leg{{"silence until it counts as lost", drivers.Span(p.t.LostAfter) * period}, p.frame(), p.read(), p.lease(), p.turn()}
	if plugged(w) {
		legs = append([]Leg{{"plugin's last frame is news", newsPeriods * period}}, legs...)
	}
	return legs
}

// quickest is the way that is over first.
func quickest(fault string, ways []Path) Path {
	best := Path{Fault: fault, Acts: "nothing on this bench"}
	for _, w := range ways {
		if !best.Bounded || w.Worst < best.Worst {
			best = w
		}
	}
	return best
}

func total(legs []Leg) (sum drivers.Span) {
	for _, l := range legs {
		sum += l.Time
	}
	return sum
}

func path(fault, acts string, ways ...[]Leg) Path {
	p := Path{Fault: fault, Acts: acts, Bounded: true}
	for _, legs := range ways {
		for _, l := range legs {
			if l.Time > 0 {
				p.Legs = append(p.Legs, l)
				p.Worst += l.Time
			}
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
