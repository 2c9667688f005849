package virtual

import "github.com/rigwarden/rigwarden/drivers"

// FaultKind names what goes wrong.
type FaultKind string

// The faults. Faults() says what each does.
const (
	TapReadsLow      FaultKind = "tap-reads-low"
	TapOpen          FaultKind = "tap-open"
	TapsSwapped      FaultKind = "taps-swapped"
	SensorFreezes    FaultKind = "sensor-freezes"
	TapNoisy         FaultKind = "tap-noisy"
	TapDrifts        FaultKind = "tap-drifts"
	ReferenceDrifts  FaultKind = "reference-drifts"
	ScaleWrong       FaultKind = "scale-wrong"
	TempOpen         FaultKind = "temp-open"
	TempShort        FaultKind = "temp-short"
	TempStuck        FaultKind = "temp-stuck"
	TempReadsLow     FaultKind = "temp-reads-low"
	CurrentOffset    FaultKind = "current-offset"
	CurrentGain      FaultKind = "current-gain"
	CurrentReversed  FaultKind = "current-reversed"
	CurrentSaturates FaultKind = "current-saturates"
	MeterReadsOff    FaultKind = "meter-reads-off"
	FramesStop       FaultKind = "frames-stop"
	FramesRepeat     FaultKind = "frames-repeat"
	FramesLate       FaultKind = "frames-late"
	FramesLost       FaultKind = "frames-lost"
	FramesDoubled    FaultKind = "frames-doubled"
	FramesReordered  FaultKind = "frames-reordered"
	FramesHalfEmpty  FaultKind = "frames-half-empty"
	FramesHalfOld    FaultKind = "frames-half-old"
	TimeSteps        FaultKind = "time-steps"
	MonitorSilent    FaultKind = "monitor-silent"
	ReadingsMissing  FaultKind = "readings-missing"
	DriverHangs      FaultKind = "driver-hangs"
	CommandsIgnored  FaultKind = "commands-ignored"
	DriverReconnects FaultKind = "driver-reconnects"
	IgnoresSetdown   FaultKind = "supply-ignores-setdown"
	SupplyIgnoresOff FaultKind = "supply-ignores-off"
	LoadIgnoresOff   FaultKind = "load-ignores-off"
	IgnoresVoltage   FaultKind = "supply-ignores-voltage"
	Overdelivers     FaultKind = "supply-overdelivers"
	Overdraws        FaultKind = "load-overdraws"
	SupplyDies       FaultKind = "supply-dies"
	SenseOpen        FaultKind = "sense-open"
	SupplyDrains     FaultKind = "supply-drains"
	LoadDies         FaultKind = "load-dies"
	LoadShorts       FaultKind = "load-shorts"
	SetupLost        FaultKind = "setup-lost"
	ContactorWelded  FaultKind = "contactor-welded"
	ContactorStuck   FaultKind = "contactor-stuck"
	ContactorBounces FaultKind = "contactor-bounces"
	PrechargeOpen    FaultKind = "precharge-open"
	LinkShort        FaultKind = "link-short"
	EmergencyPressed FaultKind = "emergency-stop"
	BleedStuck       FaultKind = "bleed-stuck"
	BleedOpen        FaultKind = "bleed-open"
	CellOverheats    FaultKind = "cell-overheats"
	CellLeaks        FaultKind = "cell-leaks"
	WrongCount       FaultKind = "wrong-count"
	WrongChemistry   FaultKind = "wrong-chemistry"
	WrongSize        FaultKind = "wrong-size"
	WrongMaker       FaultKind = "wrong-maker"
)

// Moment is what a fault waits for.
type Moment string

// Moments. Their names are the keys of ParseFault.
const (
	AfterStart       Moment = "after"       // a span after the bench's start
	AfterCharging    Moment = "charging"    // charge current has flowed for a span in all
	AfterDischarging Moment = "discharging" // the same for discharge current
	AfterPrecharge   Moment = "precharge"   // a span after the precharge contactor closes
)

// Trigger says when a fault begins.
type Trigger struct {
	On   Moment
	Span drivers.Span
}

// Device names one of a bench's instruments.
type Device string

// Devices.
const (
	DeviceSupply  Device = "supply"
	DeviceLoad    Device = "load"
	DeviceBox     Device = "box"
	DeviceMonitor Device = "monitor"
	DeviceMeter   Device = "meter"
)

// Anywhere as a fault's Cell or Sensor lets the bench pick the one on which the
// fault shows worst: the fullest cell, the cell beside a sensor, the first
// sensor.
const Anywhere = -1

// Fault is one thing that goes wrong. Only the parameters that its kind knows
// mean anything; Faults lists them. Its text form (String, ParseFault) counts
// cells and sensors from one, the fields from zero.
type Fault struct {
	Kind FaultKind
	When Trigger
	// For is how long the fault lasts; 0: for good.
	For drivers.Span

	Cell, Sensor int
	Device       Device
	Contactor    drivers.Contactors // exactly one
	Voltage      drivers.Microvolts
	Drift        drivers.Microvolts // per hour, from the fault's beginning
	Current      drivers.Microamps
	GainPPM      int64 // error: +20000 reads or gives 2 % too much
	GainDrift    int64 // ppm per hour, from the fault's beginning
	Temp         drivers.Millikelvins
	Resistance   drivers.Microohms
	PowerMW      int64
	Delay        drivers.Span
	RatePPM      int64 // share of frames
	SharePPM     int64 // share of a frame's channels
	Count        int64 // more cells than the file says, or less
	Chemistry    string
	SoCPPM       int64 // state of charge
}
