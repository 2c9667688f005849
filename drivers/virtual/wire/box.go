package wire

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

const noReading = drivers.NoReading

// Registers of our common contactor box. The shipped map common-box says the
// same; a test compares them.
const (
	inLink      = 0 // two registers, mV, signed, high word first
	inCurrent   = 2 // two registers, mA, signed, into the article positive
	inState     = 4 // auxiliary contacts, bit 3 the emergency stop
	inBeat      = 5
	inFaults    = 6
	inHeartbeat = 7 // ms
	inputs      = 8

	inIdentity  = 100 // four texts of two characters a register
	identityEnd = 128

	holdCommand   = 0
	holdHeartbeat = 1
	holdings      = 2
)

// box is the contactor box's registers. It is used only inside
// virtual.Realtime.Do.
type box struct {
	command, heartbeat uint16
}

// boxBank is the box's registers for one request: what one reads of it belongs
// to one instant.
type boxBank struct {
	*box
	b       *virtual.Bench
	record  *recorder
	foreign bool
	inputs  *[inputs]uint16
	texts   *[identityEnd - inIdentity]uint16
}

// boxUnits are the unit identifiers that the box takes for its own: its address,
// and the two that mean the device itself at a TCP address (messaging guide
// V1.0b, 4.4.2.1).
func boxUnits(unit byte) bool { return unit == 1 || unit == 0 || unit == 255 }

// look keeps up with what the box does by itself: without its heartbeat, or with
// the emergency stop engaged, the command is forgotten.
func (x *box) look(b *virtual.Bench) {
	if p := b.BoxPanel(); !p.Alive() || p.Stopped() {
		x.command = 0
	}
}

func (k *boxBank) holding(at uint16) (uint16, bool) {
	switch at {
	case holdCommand:
		return k.command, true
	case holdHeartbeat:
		return k.heartbeat, true
	}
	return 0, false
}

func (k *boxBank) input(at uint16) (uint16, bool) {
	switch {
	case at < inputs:
		if k.inputs == nil {
			k.inputs = k.measure()
		}
		return k.inputs[at], true
	case at >= inIdentity && at < identityEnd:
		if k.texts == nil {
			k.texts = k.identity()
		}
		return k.texts[at-inIdentity], true
	}
	return 0, false
}

func (k *boxBank) measure() *[inputs]uint16 {
	spec := k.b.Spec().Box
	r := k.b.BoxPanel().Measure()
	var in [inputs]uint16
	put := func(at int, count int32, step int64) {
		v := int64(noReading)
		if count != noReading {
			v = nearest(int64(count)*step, 1000)
		}
		in[at], in[at+1] = uint16(uint32(v)>>16), uint16(uint32(v))
	}
	put(inLink, r.Link, int64(spec.LinkStep))
	put(inCurrent, r.Current, int64(spec.CurrentStep))
	in[inState] = uint16(r.State & (drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive | drivers.BoxEmergencyStop))
	in[inBeat] = uint16(r.Beat)
	in[inHeartbeat] = uint16(min(spec.Heartbeat/drivers.Millisecond, 65535))
	return &in
}

func (k *boxBank) identity() *[identityEnd - inIdentity]uint16 {
	id := k.b.Identity(virtual.DeviceBox)
	if k.foreign {
		id = drivers.Identity{Maker: "elsewhere", Model: "some other box", Serial: "0", Firmware: "0"}
	}
	var out [identityEnd - inIdentity]uint16
	put := func(at, length int, text string) {
		for i := range min(length, len(text)) {
			out[at+i/2] |= uint16(text[i]) << (8 * (1 - i%2))
		}
	}
	put(0, 16, id.Maker)
	put(8, 16, id.Model)
	put(16, 16, id.Serial)
	put(24, 8, id.Firmware)
	return &out
}

// contactorBits are the bits of the command that mean a contactor.
const contactorBits = drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive

func (k *boxBank) write(at uint16, values []uint16) exception {
	command, heartbeat := k.command, k.heartbeat
	told := false
	for i, v := range values {
		if at+uint16(i) == holdCommand {
			command, told = v, true
		} else {
			heartbeat = v
		}
	}
	p := k.b.BoxPanel()
	switch {
	case command&^contactorBits != 0:
		return illegalValue
	case told && command != 0 && p.Stopped():
		return deviceFailure
	}
	if heartbeat != k.heartbeat {
		p.Feed()
	}
	if told {
		if command != k.command {
			k.record.heard(k.b, virtual.DeviceBox, fmt.Sprintf("command %#x", command))
		}
		p.Energise(drivers.Contactors(command))
	}
	k.command, k.heartbeat = command, heartbeat
	k.look(k.b)
	return 0
}

// nearest divides, rounded to the nearest whole.
func nearest(v, by int64) int64 {
	if v < 0 {
		return -((-v + by/2) / by)
	}
	return (v + by/2) / by
}
