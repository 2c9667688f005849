package scpi

import (
	"context"
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// Survey is what an instrument says when nothing is asked of it but to speak:
// what `rigwarden bench check` shows. Making one changes no setting and
// switches nothing, but empties the error queue.
type Survey struct {
	Identity drivers.Identity
	// Errors are the entries that waited in its error queue, oldest first.
	Errors []string
	// Status is the status byte; HasStatus is false where the dialect has none.
	Status    int
	HasStatus bool
	// Reading is one measurement, in the spec's steps.
	Reading drivers.Reading
	// Limits are the own limits as they stand now; a limit that Can* denies is 0.
	Limits drivers.Protection
	// CanVoltage, CanCurrent and CanSilence say which own limits this dialect
	// can arm: over-voltage, over-current, communication timeout.
	CanVoltage, CanCurrent, CanSilence bool
	// Notes are sentences for people: what is unusual, what would be right.
	Notes []string
}

// statusBits of the status byte (IEEE 488.2 11.2 and SCPI-1999 volume 1, 5.6.3,
// as quoted in a BSD-licensed SCPI parser).
var statusBits = [...]string{2: "error queue not empty", 3: "questionable data", 4: "a message is available", 5: "standard event", 6: "service requested", 7: "operation"}

// statusWords names the bits that are set.
func statusWords(status int) []string {
	var words []string
	for bit, word := range statusBits {
		if word != "" && status>>bit&1 != 0 {
			words = append(words, word)
		}
	}
	return words
}

// Probe asks everything that can be asked without changing anything.
func (p *Power) Probe(ctx context.Context) (Survey, error) {
	var v Survey
	err := p.s.do(ctx, true, nil, func(t *talk) (err error) {
		p.mu.Lock()
		waiting := slices.Clone(p.waiting)
		p.mu.Unlock()
		if v, err = t.survey(waiting); err != nil {
			return err
		}
		if v.Limits, err = p.ownLimits(t); err != nil {
			return err
		}
		v.Reading, err = p.read(t)
		return err
	})
	if err != nil {
		return Survey{}, err
	}
	p.mu.Lock()
	p.waiting = nil
	p.mu.Unlock()
	d := p.d
	v.CanVoltage, v.CanCurrent, v.CanSilence = d.overVoltage != nil, d.overCurrent != nil, d.silence != nil
	v.note(!v.CanVoltage, "dialect %q arms no over-voltage limit: that protection exists only in software", d.name)
	v.note(!v.CanCurrent, "dialect %q arms no over-current limit: that protection exists only in software", d.name)
	v.note(!v.CanSilence, "dialect %q arms no silence limit: the contactor box must drop without its heartbeat", d.name)
	v.note(v.CanSilence && p.spec.CommTimeout == 0, "dialect %q can arm a silence limit; the bench file gives none", d.name)
	v.note(!v.CanSilence && p.spec.CommTimeout > 0, "the bench file gives a silence limit; dialect %q cannot arm one", d.name)
	all := d.meaning()
	v.note(all&flagVoltage == 0, "dialect %q does not tell when the voltage bound holds", d.name)
	v.note(all&flagRestarted == 0, "dialect %q does not tell that the instrument restarted; it shows only on a new connection", d.name)
	v.note(v.Reading.State&drivers.PowerOn != 0, "its output is on")
	v.note(v.Reading.State&drivers.PowerTripped != 0, "one of its own limits has tripped")
	v.note(v.Reading.State&drivers.PowerFault != 0, "it reports a fault")
	v.missing()
	return v, nil
}

// Probe asks everything that can be asked without changing anything.
func (m *Meter) Probe(ctx context.Context) (Survey, error) {
	var v Survey
	err := m.s.do(ctx, true, nil, func(t *talk) (err error) {
		m.mu.Lock()
		waiting := slices.Clone(m.waiting)
		m.mu.Unlock()
		if v, err = t.survey(waiting); err != nil {
			return err
		}
		v.Reading, err = m.read(t)
		return err
	})
	if err != nil {
		return Survey{}, err
	}
	m.mu.Lock()
	m.waiting = nil
	m.mu.Unlock()
	v.missing()
	return v, nil
}

// survey asks what supplies, loads and meters have in common.
func (t *talk) survey(waiting []Entry) (v Survey, err error) {
	if v.Identity, err = t.identity(); err != nil {
		return v, err
	}
	if d := t.s.dialect; d.status != "" {
		err := t.ask(d.status, func(reply string) error {
			r, err := parseRegister(reply)
			if err == nil && r > 255 {
				err = unusable("a status byte is at most 255")
			}
			v.Status, v.HasStatus = int(r), true
			return err
		})
		if err != nil {
			return v, err
		}
		for _, w := range statusWords(v.Status) {
			v.note(true, "status byte: %s", w)
		}
	}
	more, err := t.old()
	for _, e := range append(waiting, more...) {
		v.Errors = append(v.Errors, e.String())
	}
	v.note(len(v.Errors) > 0, "its error queue was not empty; it is now")
	return v, err
}

func (v *Survey) note(when bool, format string, args ...any) {
	if when {
		v.Notes = append(v.Notes, fmt.Sprintf(format, args...))
	}
}

func (v *Survey) missing() {
	v.note(v.Reading.Voltage == drivers.NoReading, "it gives no voltage reading")
}
