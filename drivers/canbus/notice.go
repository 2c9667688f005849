package canbus

import (
	"fmt"
	"math"
	"math/big"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// noticeGap is how long the same trouble is not told again.
const noticeGap = 10 * drivers.Second

// tell counts a value that is none, and notes why unless it was told lately.
func (d *decoder) tell(c *field, at drivers.Instant, f *Frame, little, big uint64, what verdict) {
	short := f.Len < uint16(c.need)
	switch {
	case short:
	case what == absent:
		d.counts.Absent++
		return // the monitor says so; nothing is wrong on the bus
	default:
		d.counts.Impossible++
	}
	if at < d.quiet[c.slot] {
		return
	}
	d.quiet[c.slot] = at.Add(noticeGap)
	name := d.names[c.slot]
	if short {
		d.notices = append(d.notices, fmt.Sprintf("%s: frame %#x has %d bytes, signal %s needs %d; it counts as no reading", name, f.ID, f.Len, c.signal.full(), c.need))
		return
	}
	d.notices = append(d.notices, fmt.Sprintf("%s: signal %s is impossible: %s; it counts as no reading", name, c.signal.full(), c.signal.describe(c.bits, little, big)))
}

// describe says what a frame holds for a signal and what could be.
func (s *signal) describe(b bits, little, big64 uint64) string {
	w := b.word(little, big64)
	var value float64
	raw := fmt.Sprintf("raw value %d", w)
	factor, _ := s.factor.Float64()
	offset, _ := s.offset.Float64()
	switch s.number {
	case float32Bits:
		value = float64(math.Float32frombits(uint32(w)))
		raw = fmt.Sprintf("raw bits %#x", w)
	case float64Bits:
		value = math.Float64frombits(w)
		raw = fmt.Sprintf("raw bits %#x", w)
	default:
		v := new(big.Rat).SetInt(new(big.Int).SetUint64(w))
		if r, ok := b.raw(little, big64); ok || s.signed {
			raw = fmt.Sprintf("raw value %d", r)
			v.SetInt64(r)
		}
		value, _ = v.Float64()
	}
	least, _ := s.least.Float64()
	top, _ := s.top.Float64()
	text := fmt.Sprintf("%s, %.6g %s", raw, float64(value*factor)+offset, s.unit)
	if s.ranged() {
		text += fmt.Sprintf(", outside of the declared %g to %g", least, top)
	}
	return strings.TrimSpace(text)
}

// errorFrame notes what an error frame reports unless all of it was told lately:
// a disturbed bus makes thousands a second, of several kinds in turn.
func (d *decoder) errorFrame(f *Frame, at drivers.Instant) {
	if at >= d.errorQuiet {
		d.errorsTold, d.errorQuiet = 0, at.Add(noticeGap)
	} else if f.ID&^d.errorsTold == 0 {
		return
	}
	d.errorsTold |= f.ID
	d.notices = append(d.notices, errorText(f))
}

// errorClasses are the bits of an error frame's identifier (linux/can/error.h,
// from memory).
var errorClasses = [...]string{
	"a frame could not be sent in time", "arbitration was lost", "the controller reports a problem",
	"a rule of the protocol was broken", "the transceiver reports a problem", "nobody acknowledged a frame",
	"the controller is off the bus", "a bus error", "the controller was restarted",
}

// errorText says what an error frame reports.
func errorText(f *Frame) string {
	text := ""
	for i, class := range errorClasses {
		if f.ID&(1<<i) != 0 {
			if text != "" {
				text += "; "
			}
			text += class
		}
	}
	if text == "" {
		text = fmt.Sprintf("unknown class %#x", f.ID)
	}
	return "error frame: " + text
}
