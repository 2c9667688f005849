package canbus

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Map says which DBC signal is which channel of a monitor, how fresh channels
// must be, and what makes a frame valid. It is compiled from a signal map and
// its DBC file, and never changes.
type Map struct {
	name string
	at   tree.Pos

	cells, temps, current group
	bleeding              group // of masks, empty: the map names no bleed state
	bleed                 command
	guards                map[*message]*guardOf
	identity              identity
}

// group is the channels of one kind.
type group struct {
	at      tree.Pos
	signals []mapped
	unit    unitOf
	// sign is -1 for a current that is negative while charging.
	sign int64
	// period is how often the monitor sends them; 0: at the bench's period. age
	// is how old a value may become; 0: three periods.
	period, age drivers.Span
	absent      []int64
}

// mapped is a signal that the map uses.
type mapped struct {
	at     tree.Pos // in the map
	signal *signal
	bits   bits
}

// width returns the number of bits of all of a group's masks.
func (g *group) width() (n int) {
	for _, m := range g.signals {
		n += m.signal.size
	}
	return n
}

// command is the frames that tell the monitor which cells to bleed.
type command struct {
	group
	// repeat is how often a command is sent again while it is wanted; 0: three
	// times per timeout.
	repeat drivers.Span
	// constants are signals that always have one value.
	constants []constant
	// messages in the order of their identifiers.
	messages []*message
}

type constant struct {
	mapped
	value uint64
}

// guardOf is what makes a frame of a message valid.
type guardOf struct {
	counter  *mapped
	checksum *mapped
	kind     ChecksumKind
	dataID   []byte
}

// identity is where a monitor says who it is.
type identity struct {
	at    tree.Pos
	parts [identityParts]identityPart
	// request is the message that asks for it; nil: it comes unasked.
	request *message
}

const (
	partMaker = iota
	partModel
	partSerial
	partFirmware
	identityParts
)

var partNames = [identityParts]string{"maker", "model", "serial", "firmware"}

// identityPart is fixed by the map, or comes in signals: bytes of text, or
// numbers joined by points.
type identityPart struct {
	fixed   string
	signals []mapped
	numbers bool
}

// Cells returns the number of cells that the map names.
func (m *Map) Cells() int { return len(m.cells.signals) }

// Temps returns the number of temperature sensors that the map names.
func (m *Map) Temps() int { return len(m.temps.signals) }
