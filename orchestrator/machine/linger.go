package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// lingering is what may still be live after a run or a trip: a supply that
// ignored off stands on a link whose contactors are open. No current flows in
// the article, so the trip is over by INV-04's first measure; but whoever
// touches the link, or closes on to it, meets the supply. The machine goes on
// telling it to go off, slowly, until it is seen to be off.
type lingering struct {
	on bool
	// since is when something began to read live, 0 while nothing does; text
	// says what.
	since drivers.Instant
	text  string
	// opened is when all contactors began to read open, 0 while they do not;
	// least is the link's lowest reading since then.
	opened drivers.Instant
	least  drivers.Microvolts
	// next is when the halt is repeated, 0 while nothing was found; told when
	// people heard of it last.
	next, told drivers.Instant
	level      int
}

const (
	// lingerEvery is the pace of halts while the link is live, lingerTell that of
	// telling people again.
	lingerEvery = 10 * drivers.Second
	lingerTell  = 5 * drivers.Minute
	// lingerLeast is how long a link is looked at before it counts as dead.
	lingerLeast = 10 * drivers.Second
	// bledAfter is after how many time constants of its bleed a link is judged: by
	// then it holds e^-5, under a hundredth, and with a capacitor of a quarter more
	// than declared still under a fiftieth of what it had.
	bledAfter = 5
	// linkDead is what counts as no voltage on a link, next to a twentieth of the
	// article's highest: under 60 V d.c., where voltage class B begins (ISO 6469-3,
	// from memory), with room for the box's error.
	linkDead = 50 * drivers.Volt
)

// beginLinger is called at the end of every run and trip.
func (m *Machine) beginLinger() { m.linger = lingering{on: true} }

// lingers says that the machine looks after a link that may be live.
func (m *Machine) lingers() bool { return m.linger.on && m.plan != nil && !m.Busy() }

// lingerNext is when the halt is told again, 0 while nothing is live.
func (m *Machine) lingerNext() drivers.Instant {
	if !m.lingers() {
		return 0
	}
	return m.linger.next
}

// lingerFrame looks whether anything is left on.
func (m *Machine) lingerFrame() {
	l := &m.linger
	if !m.lingers() {
		return
	}
	text := m.live()
	switch {
	case text == "" && l.next != 0 && !m.dark():
		return // not seen is not off (INV-02)
	case text == "":
		m.lingerOver()
		return
	case l.since == 0:
		l.since = m.now
	}
	l.text = text
	if l.next == 0 && m.now.Sub(l.since) >= m.response(0)+fallGrace {
		m.lingerDue()
	}
}

// live says what of the bench reads live although nothing should, or nothing.
func (m *Machine) live() string {
	s, l, box := &m.meas, &m.linger, &m.plan.Bench.Box
	if !m.open() || !s.linkOK {
		l.opened = 0
	} else if l.opened == 0 {
		l.opened, l.least = m.now, s.link
	}
	l.least = min(l.least, s.link)
	switch {
	case s.supplyOK && s.supply&drivers.PowerOn != 0:
		return "THE LINK IS LIVE: the supply still reads on"
	case s.loadOK && s.load&drivers.PowerOn != 0:
		return "THE LOAD IS LIVE: it still reads on"
	case l.opened == 0 || s.link <= m.darkest():
		return ""
	}
	// Two readings of one sensor differ by its whole error at most.
	if s.link-l.least > 2*drivers.Microvolts(box.LinkAcc.At(int64(s.link)))+2*box.LinkStep {
		return fmt.Sprintf("THE LINK IS LIVE: it reads %v and rose from %v with every contactor open: something feeds it", s.link, l.least)
	}
	if tau := m.bleedTime(); tau > 0 && m.now.Sub(l.opened) > bledAfter*tau {
		return fmt.Sprintf("THE LINK IS LIVE: it still reads %v, %d s after every contactor opened; its bleed should have left under %v", s.link, m.now.Sub(l.opened)/drivers.Second, m.darkest())
	}
	return ""
}

// bleedTime is the time constant with which the link loses its charge, 0 where
// nothing declared discharges it.
func (m *Machine) bleedTime() drivers.Span {
	box := &m.plan.Bench.Box
	return drivers.Span(int64(box.LinkBleed) / 1_000_000 * box.LinkNF / 1000) // Ohm*nF is ns
}

// darkest is the highest reading of a link that counts as dead.
func (m *Machine) darkest() drivers.Microvolts {
	box := &m.plan.Bench.Box
	dead := min(m.plan.Limits.ModuleMax/20, linkDead)
	return max(dead, 2*drivers.Microvolts(box.LinkAcc.At(int64(dead)))+box.LinkStep)
}

// dark says that everything is seen to be off: an instrument that does not
// answer may be on.
func (m *Machine) dark() bool { return m.meas.supplyOK && m.meas.loadOK && m.meas.linkOK }

// lingerOver is called while nothing reads live.
func (m *Machine) lingerOver() {
	l := &m.linger
	if l.next != 0 {
		m.emit(Notify{Severity: SeverityInfo, Text: "supply and load read off, and nothing feeds the link any more"})
	}
	l.since, l.text, l.next, l.told, l.level = 0, "", 0, 0, 0
	bled := m.bleedTime() == 0 || m.meas.link <= m.darkest()
	if m.dark() && bled && l.opened != 0 && m.now.Sub(l.opened) >= lingerLeast {
		l.on = false
	}
}

// lingerDue tells everything to go off once more.
func (m *Machine) lingerDue() {
	l := &m.linger
	l.level++
	m.halt(l.level)
	m.switchTo(0)
	l.next = m.now.Add(lingerEvery)
	if l.told != 0 && m.now.Sub(l.told) < lingerTell {
		return
	}
	l.told = m.now
	m.emit(Record{Kind: RecordAlarm, Text: m.lingerWords()})
	m.emit(Notify{Severity: SeverityAlarm, Text: m.lingerWords()})
}

// lingerWords is what people must know and do.
func (m *Machine) lingerWords() string {
	return m.linger.text + ". Switch supply and load off by hand, at their own switches, and measure the link before anybody touches it; they are told to go off every 10 s and do not"
}

// LinkLive says what of the bench is still live after an end, in words for
// people, or nothing.
func (m *Machine) LinkLive() string {
	if m.lingerNext() == 0 {
		return ""
	}
	return m.lingerWords()
}
