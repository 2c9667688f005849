package host

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Role names one of a bench's devices.
type Role uint8

// Roles. RoleNone stands where no single device is meant.
const (
	RoleNone Role = iota
	RoleSupply
	RoleLoad
	RoleBox
	RoleMonitor
	RoleMeter
	roles // their number, with RoleNone
)

var roleNames = [roles]string{"bench", "supply", "load", "box", "monitor", "meter"}

func (r Role) String() string {
	if r < roles {
		return roleNames[r]
	}
	return fmt.Sprintf("role(%d)", uint8(r))
}

// EventKind says what the host did or noticed by itself.
type EventKind uint8

// Event kinds.
const (
	EventNone       EventKind = iota
	EventDeviceLost           // stopped answering; no renewal counts until it is back
	EventDeviceBack           // answers again
	EventBreach               // tripwire: everything was halted; arm with a newer epoch
	EventLeaseOut             // the lease ran out: everything was halted; arm with a newer epoch
	EventOpened               // contactors were told to open, after everything was halted
	EventHaltFailed           // a device did not take its halt; it is repeated
	eventKinds
)

var eventNames = [eventKinds]string{"none", "device lost", "device back", "breach", "lease out", "opened", "halt failed"}

func (k EventKind) String() string {
	if k < eventKinds {
		return eventNames[k]
	}
	return fmt.Sprintf("event(%d)", uint8(k))
}

// Event is something that the host did or noticed by itself. The daemon
// latches breaches and lost leases; the host has already acted.
type Event struct {
	Kind EventKind
	// At is when, by the host's clock (Serve) or mapped to the client's.
	At   drivers.Instant
	Role Role // the device concerned, if one is
	// Echo is the number of the frame that shows a breach.
	Echo uint64
	// Breach is what the tripwire found. For EventOpened its Value is the
	// latest current in uA, its Limit the declared opening current, and
	// Unknown says that current was not known: an opening above the limit
	// counts against the breaking rating and demands a weld check (INV-03).
	Breach Breach
	// Text says it in a sentence.
	Text string
}

func (e Event) String() string { return fmt.Sprintf("%s: %s: %s", e.Role, e.Kind, e.Text) }
