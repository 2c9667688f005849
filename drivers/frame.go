package drivers

// Frame is one reading of the whole bench: the monitor's cells, temperatures
// and current, and the latest reading of every other instrument, as raw counts
// in the order of the bench's Layout. A frame says when each instrument last
// really measured through the instrument's counter channel (Beat).
type Frame struct {
	// At is when the frame arrived.
	At Instant
	// Seq is the frame's number in the run's one sequence of inputs; the loop
	// that accepts the frame sets it.
	Seq uint64
	// Echo is the number the host put on this reading; a lease renewal must
	// quote one younger than a lease.
	Echo uint64
	// Counts holds one raw count per channel, NoReading where there is none.
	Counts []int32
}

// Clone returns a copy that shares nothing with f.
func (f *Frame) Clone() *Frame {
	g := *f
	g.Counts = append([]int32(nil), f.Counts...)
	return &g
}

// State bits of a contactor box (kind BoxState), as measured by its auxiliary
// contacts, not as commanded.
const (
	BoxNegative      = 1 << iota // negative main contactor is closed
	BoxPrecharge                 // precharge contactor is closed
	BoxPositive                  // positive main contactor is closed
	BoxEmergencyStop             // the hard-wired emergency stop is engaged
	BoxFault                     // the box reports a fault of its own
)

// State bits of a supply or load (kinds SupplyState and LoadState).
const (
	PowerOn       = 1 << iota // output (or input) is switched on
	PowerVoltage              // regulating voltage rather than current
	PowerTripped              // one of the instrument's own limits has tripped
	PowerFault                // hardware fault, over-temperature, lost mains
	PowerLeaseOut             // halted itself because its lease ran out
)
