package canbus

import (
	"fmt"
	"iter"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Player turns a recorded bus into the readings that the driver would have
// given on it.
type Player struct {
	log iter.Seq2[Record, error]
	d   *decoder
	err error // the first
	bad int
}

// Replay returns a player of a log: the frames of a bus in the order of their
// time. It returns the problems of Check as an error.
func Replay(log iter.Seq2[Record, error], m *Map, spec drivers.MonitorSpec) (*Player, error) {
	d, err := compile(m, spec)
	if err != nil {
		return nil, err
	}
	return &Player{log: log, d: d}, nil
}

// compile checks a map against a bench and makes its decoder.
func compile(m *Map, spec drivers.MonitorSpec) (*decoder, error) {
	if spec.Period <= 0 {
		return nil, fmt.Errorf("canbus: the bench file gives the monitor no period")
	}
	if err := tree.Error(Check(m, spec)); err != nil {
		return nil, fmt.Errorf("canbus: the signal map does not fit the bench:\n%w", err)
	}
	return newDecoder(m, spec)
}

// Readings yields one reading per complete sweep. Where sweeps fail or the bus
// is silent it yields one per period of the bench with the same beat and
// NoReading for what is too old, as the driver's readers would have seen it. The
// reading is valid until the next is asked for. A player plays once.
func (p *Player) Readings() iter.Seq2[drivers.Instant, *drivers.MonitorReading] {
	return func(yield func(drivers.Instant, *drivers.MonitorReading) bool) {
		var r drivers.MonitorReading
		var last, due drivers.Instant // of the latest record; when silence shows
		began := false
		show := func(at drivers.Instant) bool {
			p.d.read(at, &r)
			return yield(at, &r)
		}
		for rec, err := range p.log {
			switch {
			case err != nil:
				p.fail(err)
				continue
			case began && rec.At < last:
				p.fail(fmt.Errorf("candump log: time goes back from %d us to %d us; the frame is left out", last, rec.At))
				continue
			case !began:
				began, last, due = true, rec.At, rec.At.Add(p.late())
			}
			for end := min(rec.At, last.Add(maxSilence)); due < end; due = due.Add(p.d.spec.Period) {
				if !show(due) {
					return
				}
			}
			if gap := rec.At.Sub(last); gap > maxSilence {
				p.fail(fmt.Errorf("candump log: nothing was recorded for %s before %d us; no readings stand there", gap, rec.At))
				due = rec.At.Add(p.late())
			}
			last = rec.At
			beat := p.d.beat
			p.d.frame(&rec.Frame, rec.At)
			if p.d.beat != beat {
				due = rec.At.Add(p.late())
				if !show(rec.At) {
					return
				}
			}
		}
	}
}

// maxSilence is how much of a gap in a log is filled with readings of nothing;
// a longer one is another recording appended.
const maxSilence = drivers.Minute

// late is how long after a sweep the next one is missed.
func (p *Player) late() drivers.Span { return p.d.spec.Period + p.d.spec.Period/2 }

func (p *Player) fail(err error) {
	if p.bad++; p.err == nil {
		p.err = err
	}
}

// Err returns what was wrong with the log that Readings went over: the first
// mistake and the number of others. Nil if nothing was.
func (p *Player) Err() error {
	if p.bad > 1 {
		return fmt.Errorf("%w (and %d more)", p.err, p.bad-1)
	}
	return p.err
}

// Counts returns what was seen so far.
func (p *Player) Counts() Counts { return p.d.counts }

// Notices returns what the frames so far showed that no reading tells.
func (p *Player) Notices() []string { return p.d.notices }
