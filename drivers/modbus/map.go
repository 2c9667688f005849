package modbus

import (
	"github.com/rigwarden/rigwarden/drivers"
)

// Map is a register map, read and checked: which registers of a device hold
// what. It is immutable and may serve several devices.
type Map struct {
	// Name is what the map calls itself.
	Name string
	// Box says that the map describes a contactor box; else it describes points
	// to read.
	Box bool

	unit        uint8
	gap         int // registers that a read may take along unused
	outstanding int // requests without a reply, over TCP
	// answers is the longest time the device takes to begin its reply.
	answers drivers.Span

	link, current, beat *point
	stop                *point
	feedback            [3]*point // in the order of the contactor bits
	faults              []*point
	commands            commands
	heartbeat           heartbeat
	identity            [4]*point // maker, model, serial, firmware
	points              []*point
}

// heartbeat is how a box is kept in touch.
type heartbeat struct {
	// register is written with another value at each contact; nil: none.
	register *point
	// any says that every request keeps the box in touch.
	any bool
	// limit tells the box's own silence limit; nil: it does not.
	limit *point
}

// there says whether the box drops out in silence.
func (h *heartbeat) there() bool { return h.register != nil || h.any }

// Beat says whether the device counts its measurements. Without, each answered
// read counts as one, and a device whose measurement stands still looks alive.
func (m *Map) Beat() bool { return m.beat != nil }

// Heartbeat says whether the map knows how to keep the box in touch.
func (m *Map) Heartbeat() bool { return m.heartbeat.there() }

// measured lists the points of a box that each reading needs.
func (m *Map) measured() []*point {
	list := []*point{m.link, m.current, m.beat, m.stop}
	list = append(list, m.feedback[:]...)
	list = append(list, m.faults...)
	return present(append(list, m.points...))
}

// present drops the points that a map leaves out.
func present(points []*point) []*point {
	var list []*point
	for _, p := range points {
		if p != nil {
			list = append(list, p)
		}
	}
	return list
}
