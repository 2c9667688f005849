package guard

import "github.com/rigwarden/rigwarden/drivers"

// Cause says what is wrong. Values are stored; never renumber.
type Cause uint8

// Causes, the hard ones first.
const (
	CauseNone          Cause = iota
	CellHigh                 // a cell is over its upper limit
	CellLow                  // a cell is under its lower limit
	ModuleHigh               // terminal voltage over its limit
	ModuleLow                // terminal voltage under its limit
	TempHigh                 // a temperature is over its limit
	TempLow                  // a temperature is under its limit
	TempRise                 // a temperature rises faster than is credible in health
	ChargeCold               // charging under the maker's temperature
	ChargeForbidden          // charge current into a cell under its no-charge voltage
	ChargeHigh               // charge current over its limit
	DischargeHigh            // discharge current over its limit
	CurrentUncommanded       // more current than the commands explain, or the wrong way
	Missing                  // a channel gives no reading
	Stale                    // an instrument's counter stands still or goes back, or time does
	Frozen                   // a value stands still while its siblings move
	Impossible               // a reading outside the plausible range
	SumMismatch              // taps and meter disagree
	CurrentMismatch          // current sensors disagree
	LoneCell                 // one cell moves and its siblings do not
	ContactorMismatch        // contactor feedback differs from the command
	EmergencyStop            // the hard-wired stop is engaged
	DeviceFault              // an instrument reports a fault or its own trip
	BothOn                   // supply and load are on at once (INV-01)
	TempSoft                 // a temperature is over its soft limit
	LoneTemp                 // one temperature moves and its siblings do not
	TerminalMismatch         // the voltage at the far end of the power path and the meter's disagree
)

// Finding is one thing the guard noticed.
type Finding struct {
	Cause Cause
	// Channel is the position in the layout, -1 where no single one is at fault.
	Channel int
	// Value and Limit are in the channel's base unit.
	Value, Limit int64
	// Since is when it began; a finding counts once its persistence is over.
	Since drivers.Instant
	// Hard trips and latches; a soft finding pauses (INV-15).
	Hard bool
}
