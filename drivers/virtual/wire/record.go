package wire

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// Line is one line of the instruments' own record, which judges read beside the
// bench's truth log, never a driver:
//
//	1700000000123456 supply heard "OUTP OFF"
//	1700000000223456 supply off command
//	1700000000261456 supply zero 12000
//
// An instant of the bench's clock (us, anchored once to the wall clock), an
// instrument, a word and what belongs to it:
//
//	heard TEXT        a message, register write or frame that commands something
//	                  arrived (Go-quoted; queries and mere heartbeats are not told)
//	on                the output stage switched on
//	off WHY           it switched off: command, silence (communication timeout),
//	                  trip (own limit) or fault
//	flowing CURRENT   the instrument's true current (uA) rose above the bench's
//	                  zero (virtual.Config.Zero)
//	zero CURRENT      and fell to it or under it: the instant a judge wants
//	contacts SET      of the box: its closed contactors, such as
//	                  negative+positive, or none
//	bleeding WORDS    of the monitor: the words in force, in hexadecimal
//
// Instants are those of the bench's steps: exact for what instruments do by
// themselves, 1 ms while currents move.
type Line struct {
	At      drivers.Instant
	Device  virtual.Device
	Word    Word
	Text    string            // heard, off, contacts, bleeding
	Current drivers.Microamps // flowing, zero
}

// Word says what a line of the record tells.
type Word string

// The words.
const (
	Heard     Word = "heard"
	On        Word = "on"
	OutputOff Word = "off"
	Flowing   Word = "flowing"
	Zero      Word = "zero"
	Contacts  Word = "contacts"
	Bleeding  Word = "bleeding"
)

// Why an output stage switched off.
const (
	ByCommand = "command"
	BySilence = "silence"
	ByTrip    = "trip"
	ByFault   = "fault"
)

// String is the line without its end; ParseLine reads it back.
func (l Line) String() string {
	head := fmt.Sprintf("%d %s %s", l.At, l.Device, l.Word)
	switch l.Word {
	case Heard:
		return head + " " + strconv.Quote(l.Text)
	case OutputOff, Contacts, Bleeding:
		return head + " " + l.Text
	case Flowing, Zero:
		return head + " " + strconv.FormatInt(int64(l.Current), 10)
	}
	return head
}

// ParseLine reads a line of the record.
func ParseLine(s string) (Line, error) {
	part := strings.SplitN(strings.TrimSuffix(s, "\n"), " ", 4)
	if len(part) < 3 {
		return Line{}, fmt.Errorf("record line %q: want an instant, an instrument and a word", s)
	}
	at, err := strconv.ParseInt(part[0], 10, 64)
	if err != nil {
		return Line{}, fmt.Errorf("record line %q: instant: %w", s, err)
	}
	l := Line{At: drivers.Instant(at), Device: virtual.Device(part[1]), Word: Word(part[2])}
	rest := ""
	if len(part) == 4 {
		rest = part[3]
	}
	switch l.Word {
	case Heard:
		l.Text, err = strconv.Unquote(rest)
	case OutputOff, Contacts, Bleeding:
		if l.Text = rest; rest == "" {
			err = fmt.Errorf("%s says nothing", l.Word)
		}
	case Flowing, Zero:
		var n int64
		n, err = strconv.ParseInt(rest, 10, 64)
		l.Current = drivers.Microamps(n)
	case On:
		if rest != "" {
			err = fmt.Errorf("%q behind it", rest)
		}
	default:
		err = fmt.Errorf("unknown word %q", l.Word)
	}
	if err != nil {
		return Line{}, fmt.Errorf("record line %q: %w", s, err)
	}
	return l, nil
}

// recorder writes the record from what it sees of the bench. It is used only
// inside virtual.Realtime.Do.
type recorder struct {
	w      io.Writer
	err    error
	power  [2]outputSeen
	closed drivers.Contactors
	bleed  string
}

// outputSeen is what was last recorded of a supply or load.
type outputSeen struct{ on, flowing bool }

var outputs = [2]virtual.Device{virtual.DeviceSupply, virtual.DeviceLoad}

func (r *recorder) heard(b *virtual.Bench, d virtual.Device, text string) {
	r.write(Line{At: b.Now(), Device: d, Word: Heard, Text: text})
}

// look records what changed since the last look.
func (r *recorder) look(b *virtual.Bench) {
	if r.w == nil {
		return
	}
	for i, d := range outputs {
		r.output(b, d, &r.power[i])
	}
	if c := b.BoxPanel().Contacts(); c != r.closed {
		r.closed = c
		r.write(Line{At: b.Now(), Device: virtual.DeviceBox, Word: Contacts, Text: contactNames(c)})
	}
	if w := bleedText(b.MonitorPanel().Bleeding()); w != r.bleed {
		if r.bleed != "" || strings.Trim(w, "0,") != "" {
			r.write(Line{At: b.Now(), Device: virtual.DeviceMonitor, Word: Bleeding, Text: w})
		}
		r.bleed = w
	}
}

func (r *recorder) output(b *virtual.Bench, d virtual.Device, seen *outputSeen) {
	p := b.Panel(d)
	state := p.State()
	if on := state&drivers.PowerOn != 0; on != seen.on {
		seen.on = on
		l := Line{At: b.Now(), Device: d, Word: On}
		if !on {
			l.Word, l.Text = OutputOff, whyOff(state)
		}
		r.write(l)
	}
	amps := p.Current()
	if flowing := amps > b.Zero(); flowing != seen.flowing {
		seen.flowing = flowing
		l := Line{At: b.Now(), Device: d, Word: Zero, Current: amps}
		if flowing {
			l.Word = Flowing
		}
		r.write(l)
	}
}

func whyOff(state int32) string {
	switch {
	case state&drivers.PowerFault != 0:
		return ByFault
	case state&drivers.PowerLeaseOut != 0:
		return BySilence
	case state&drivers.PowerTripped != 0:
		return ByTrip
	}
	return ByCommand
}

func contactNames(c drivers.Contactors) string {
	var names []string
	for bit, name := range []string{"negative", "precharge", "positive"} {
		if c&(1<<bit) != 0 {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, "+")
}

func bleedText(words []int32) string {
	var b strings.Builder
	for k, w := range words {
		if k > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, "%04x", w)
	}
	return b.String()
}

// write keeps the first error: a judge must not take a record that stopped for
// instruments that did nothing more.
func (r *recorder) write(l Line) {
	if r.w == nil {
		return
	}
	if _, err := fmt.Fprintln(r.w, l); err != nil && r.err == nil {
		r.err = fmt.Errorf("instruments' record: %w", err)
	}
}
