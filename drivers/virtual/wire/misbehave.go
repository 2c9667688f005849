package wire

import "time"

// Kind is a way in which a wire goes wrong.
type Kind string

// The kinds. Those about answers mean an SCPI reply, a Modbus response, or a
// sweep of the monitor's frames.
const (
	Well          Kind = ""               // nothing is wrong
	Swallow       Kind = "swallow"        // a cut network: bytes get lost both ways, connections stay open
	Drop          Kind = "drop"           // every connection is closed at once, and each new one too
	Late          Kind = "late"           // answers come after Delay
	Twice         Kind = "twice"          // every answer comes twice
	Half          Kind = "half"           // the first half of an answer comes, and no end
	Garbage       Kind = "garbage"        // bytes that mean nothing come instead of an answer
	Endless       Kind = "endless"        // an answer without end: 1 MiB with no terminator
	WrongIdentity Kind = "wrong-identity" // another instrument than before answers
	ManyErrors    Kind = "many-errors"    // an error queue that never becomes empty
)

// Misbehaviour is what is wrong with a wire.
type Misbehaviour struct {
	Kind Kind
	// Delay is how late answers come (Late).
	Delay time.Duration
	// Count is how many answers are spoilt; 0: all until the next call.
	Count int
}
