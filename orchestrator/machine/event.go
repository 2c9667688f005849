package machine

import "github.com/rigwarden/rigwarden/drivers"

// Event is one input of the machine. All inputs of a run share one sequence;
// each prints as one line (String) that ParseEvent reads back.
type Event interface {
	// When is the instant at which the loop accepted the event.
	When() drivers.Instant
	// String is the event's line.
	String() string
	event()
}

// The events.
type (
	// Boot is the first event of a machine's life: what the store remembers.
	Boot struct {
		At drivers.Instant
		// Latched is the trip that nobody has acknowledged yet, or empty.
		Latched string
	}
	// Start begins a run of a plan that Load was given beforehand.
	Start struct {
		At   drivers.Instant
		Run  string
		Plan string // digest of the plan's canonical form
		Who  string
		// Epoch is the machine's epoch before the run, so that a replay counts
		// on from the same number.
		Epoch uint64
	}
	// Framed carries one frame; frames are stored in blocks, not as lines.
	Framed struct {
		At    drivers.Instant
		Frame *drivers.Frame
	}
	// Due comes when the deadline that the machine asked for has passed.
	Due struct{ At drivers.Instant }
	// Operator is a person's command.
	Operator struct {
		At     drivers.Instant
		Verb   Verb
		Who    string
		Reason string
	}
	// Done is a driver's answer to an action of the same epoch.
	Done struct {
		At    drivers.Instant
		Epoch uint64
		Op    DeviceOp
		// Err is empty when the device did it.
		Err string
		// Supply and Load are what Arm read back.
		Supply, Load drivers.Protection
	}
	// Lost says that a device, or the host, no longer answers at all.
	Lost struct {
		At     drivers.Instant
		Device string
		Reason string
	}
	// Opened says that the host opened closed contactors by itself, above their
	// opening current or with the current unknown.
	Opened struct {
		At      drivers.Instant
		Current drivers.Microamps // magnitude
		Unknown bool
	}
	// Stored answers a Permit, Journal{Urgent} of the same epoch: it is durable,
	// or cannot be made so.
	Stored struct {
		At    drivers.Instant
		Epoch uint64
		Err   string
	}
	// StoreFailed says that frames can no longer be stored (INV-07).
	StoreFailed struct {
		At  drivers.Instant
		Err string
	}
	// Computed is the planner's answer to Compute.
	Computed struct {
		At    drivers.Instant
		Epoch uint64
		// Spans says how long each cell is to bleed, one entry per cell.
		Spans []drivers.Span
		// ImbalancePPM is the greatest excess charge over the least, in ppm of
		// the capacity; UncertaintyPPM its 95 % half width.
		ImbalancePPM   int64
		UncertaintyPPM int64
		// Left is the charge still to bleed over all cells, CellsLeft that of each
		// and Need how long it takes with its pauses, whatever one round may do.
		Left      drivers.Charge
		CellsLeft []drivers.Charge
		Need      drivers.Span
		// Excess is each cell's charge at the top over the least cell's, Doubts the
		// 95 % half widths; -1 where Excess is no more than a bound.
		Excess []drivers.Charge
		Doubts []drivers.Charge
		// Spread is the highest cell's voltage less the lowest's at rest. Telling
		// says that it means something there: the curve's slope times the target is
		// over three times the uncertainty of a tap.
		Spread  drivers.Microvolts
		Telling bool
		// GiveUp names why and who when there is no way on.
		GiveUp string
	}
	// ClockJump says that the loop's own clock moved by Jump between turns.
	ClockJump struct {
		At   drivers.Instant
		Jump drivers.Span
	}
)

// Verb is what an operator may ask for.
type Verb string

// Verbs.
const (
	VerbPause       Verb = "pause"
	VerbResume      Verb = "resume"
	VerbStop        Verb = "stop"        // never refused (INV-13)
	VerbConfirm     Verb = "confirm"     // answers an ask
	VerbAcknowledge Verb = "acknowledge" // clears a latch; needs a reason
)

// DeviceOp names what a driver was asked to do.
type DeviceOp string

// Device operations.
const (
	DeviceArm    DeviceOp = "arm"
	DeviceSet    DeviceOp = "set"
	DeviceHalt   DeviceOp = "halt"
	DeviceSwitch DeviceOp = "switch"
	DeviceBleed  DeviceOp = "bleed"
)

func (e Boot) When() drivers.Instant        { return e.At }
func (e Start) When() drivers.Instant       { return e.At }
func (e Framed) When() drivers.Instant      { return e.At }
func (e Due) When() drivers.Instant         { return e.At }
func (e Operator) When() drivers.Instant    { return e.At }
func (e Done) When() drivers.Instant        { return e.At }
func (e Lost) When() drivers.Instant        { return e.At }
func (e Opened) When() drivers.Instant      { return e.At }
func (e Stored) When() drivers.Instant      { return e.At }
func (e StoreFailed) When() drivers.Instant { return e.At }
func (e Computed) When() drivers.Instant    { return e.At }
func (e ClockJump) When() drivers.Instant   { return e.At }

func (Boot) event()        {}
func (Start) event()       {}
func (Framed) event()      {}
func (Due) event()         {}
func (Operator) event()    {}
func (Done) event()        {}
func (Lost) event()        {}
func (Opened) event()      {}
func (Stored) event()      {}
func (StoreFailed) event() {}
func (Computed) event()    {}
func (ClockJump) event()   {}
