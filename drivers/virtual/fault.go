package virtual

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// FaultKind names what goes wrong.
type FaultKind string

// The faults. Faults() says what each does.
const (
	TapReadsLow      FaultKind = "tap-reads-low"
	TapOpen          FaultKind = "tap-open"
	TapsSwapped      FaultKind = "taps-swapped"
	SensorFreezes    FaultKind = "sensor-freezes"
	TempOpen         FaultKind = "temp-open"
	TempShort        FaultKind = "temp-short"
	TempStuck        FaultKind = "temp-stuck"
	TempReadsLow     FaultKind = "temp-reads-low"
	CurrentOffset    FaultKind = "current-offset"
	CurrentGain      FaultKind = "current-gain"
	CurrentReversed  FaultKind = "current-reversed"
	MeterReadsOff    FaultKind = "meter-reads-off"
	FramesStop       FaultKind = "frames-stop"
	FramesRepeat     FaultKind = "frames-repeat"
	FramesLate       FaultKind = "frames-late"
	FramesLost       FaultKind = "frames-lost"
	MonitorSilent    FaultKind = "monitor-silent"
	ReadingsMissing  FaultKind = "readings-missing"
	DriverHangs      FaultKind = "driver-hangs"
	CommandsIgnored  FaultKind = "commands-ignored"
	IgnoresSetdown   FaultKind = "supply-ignores-setdown"
	SupplyIgnoresOff FaultKind = "supply-ignores-off"
	LoadIgnoresOff   FaultKind = "load-ignores-off"
	IgnoresVoltage   FaultKind = "supply-ignores-voltage"
	Overdelivers     FaultKind = "supply-overdelivers"
	Overdraws        FaultKind = "load-overdraws"
	SupplyDies       FaultKind = "supply-dies"
	ContactorWelded  FaultKind = "contactor-welded"
	ContactorStuck   FaultKind = "contactor-stuck"
	PrechargeOpen    FaultKind = "precharge-open"
	LinkShort        FaultKind = "link-short"
	EmergencyPressed FaultKind = "emergency-stop"
	BleedStuck       FaultKind = "bleed-stuck"
	BleedOpen        FaultKind = "bleed-open"
	CellOverheats    FaultKind = "cell-overheats"
	CellLeaks        FaultKind = "cell-leaks"
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
	Temp         drivers.Millikelvins
	Resistance   drivers.Microohms
	PowerMW      int64
	Delay        drivers.Span
	RatePPM      int64 // share of frames
}

// FaultInfo tells what a fault does.
type FaultInfo struct {
	Name string
	Doc  string
	// Default is what ParseFault makes of the name alone.
	Default Fault
	// Params are the keys that the kind knows, apart from the triggers and for.
	Params []string
}

// Faults lists every fault that a virtual bench knows, in the catalogue's
// order: sensors, frames, drivers, instruments, box, article.
func Faults() []FaultInfo {
	list := make([]FaultInfo, len(catalogue))
	for i, c := range catalogue {
		list[i] = c
		list[i].Params = slices.Clone(c.Params)
	}
	return list
}

func lookup(k FaultKind) (FaultInfo, bool) {
	for _, c := range catalogue {
		if c.Default.Kind == k {
			return c, true
		}
	}
	return FaultInfo{}, false
}

// Defaults act in the first charge of a run: the ones that need current wait
// until it has flowed for ten minutes.
var (
	soon     = Trigger{AfterCharging, 10 * drivers.Minute}
	closing  = Trigger{AfterPrecharge, 0}
	anyplace = Fault{Cell: Anywhere, Sensor: Anywhere}
)

// entry makes a line of the catalogue; set fills the default's parameters.
func entry(k FaultKind, when Trigger, doc string, set func(*Fault), params ...string) FaultInfo {
	f := anyplace
	f.Kind, f.When = k, when
	if set != nil {
		set(&f)
	}
	return FaultInfo{Name: string(k), Doc: doc, Default: f, Params: params}
}

var catalogue = []FaultInfo{
	entry(TapReadsLow, soon, "a cell's tap reads off the truth by a step and a drift",
		func(f *Fault) { f.Voltage = -80_000 }, "cell", "offset", "drift"),
	entry(TapOpen, soon, "a cell's tap gives no reading", nil, "cell"),
	entry(TapsSwapped, soon, "a cell's reading and its upper neighbour's change places", nil, "cell"),
	entry(SensorFreezes, soon, "a cell's reading stands still", nil, "cell"),
	entry(TempOpen, soon, "a temperature sensor's wire is open: no reading", nil, "sensor"),
	entry(TempShort, soon, "a temperature sensor is shorted: it reads absurdly hot", nil, "sensor"),
	entry(TempStuck, soon, "a temperature reading stands still", nil, "sensor"),
	entry(TempReadsLow, soon, "a temperature reads off the truth",
		func(f *Fault) { f.Temp = -15_000 }, "sensor", "temp"),
	entry(CurrentOffset, soon, "a current reading is off by an offset",
		func(f *Fault) { f.Device, f.Current = DeviceMonitor, 2_000_000 }, "device", "current"),
	entry(CurrentGain, soon, "a current reading is off by a gain",
		func(f *Fault) { f.Device, f.GainPPM = DeviceMonitor, -200_000 }, "device", "gain"),
	entry(CurrentReversed, soon, "a current reading has the wrong sign",
		func(f *Fault) { f.Device = DeviceMonitor }, "device"),
	entry(MeterReadsOff, soon, "the meter across the terminals reads off the truth",
		func(f *Fault) { f.Voltage = -2_000_000 }, "offset", "drift"),

	entry(FramesStop, soon, "no frame arrives, for half a minute unless for= says otherwise",
		func(f *Fault) { f.For = 30 * drivers.Second }),
	entry(FramesRepeat, soon, "the last frame comes again and again", nil),
	entry(FramesLate, soon, "frames show what was a while ago",
		func(f *Fault) { f.Delay = 3 * drivers.Second }, "delay"),
	entry(FramesLost, soon, "a share of the frames is lost",
		func(f *Fault) { f.RatePPM = 500_000 }, "rate"),
	entry(MonitorSilent, soon, "the monitor's counter and readings stand still while frames go on", nil),
	entry(ReadingsMissing, soon, "the monitor answers and gives no values", nil),

	entry(DriverHangs, soon, "a driver no longer answers; its device goes on as it was",
		func(f *Fault) { f.Device = DeviceSupply }, "device"),
	entry(CommandsIgnored, soon, "a device acknowledges every command, halts too, and does nothing",
		func(f *Fault) { f.Device = DeviceSupply }, "device"),

	entry(IgnoresSetdown, soon, "the supply acknowledges a lower current and keeps the old one", nil),
	entry(SupplyIgnoresOff, soon, "the supply acknowledges off and keeps its output", nil),
	entry(LoadIgnoresOff, Trigger{AfterDischarging, 10 * drivers.Minute},
		"the load acknowledges off and keeps drawing", nil),
	entry(IgnoresVoltage, soon, "the supply's voltage bound and own protections do nothing", nil),
	entry(Overdelivers, soon, "the supply gives more current than it was set to",
		func(f *Fault) { f.Current = 5_000_000 }, "current", "gain"),
	entry(Overdraws, Trigger{AfterDischarging, 10 * drivers.Minute},
		"the load draws more current than it was set to",
		func(f *Fault) { f.Current = 5_000_000 }, "current", "gain"),
	entry(SupplyDies, soon, "the supply loses its mains: no output, fault bit", nil),

	entry(ContactorWelded, soon, "a contactor's contacts weld: it stays closed",
		func(f *Fault) { f.Contactor = drivers.BoxPositive }, "contactor"),
	entry(ContactorStuck, Trigger{AfterStart, 0}, "a contactor does not close",
		func(f *Fault) { f.Contactor = drivers.BoxPositive }, "contactor"),
	entry(PrechargeOpen, Trigger{AfterStart, 0}, "the precharge resistor is open", nil),
	entry(LinkShort, closing, "a short lies across the link",
		func(f *Fault) { f.Resistance = 100_000 }, "resistance"),
	entry(EmergencyPressed, soon, "somebody presses the emergency stop", nil),
	entry(BleedStuck, soon, "a cell bleeds although it was not told to", nil, "cell"),
	entry(BleedOpen, Trigger{AfterStart, 0}, "a cell's bleed path conducts nothing", nil, "cell"),

	entry(CellOverheats, soon, "a cell makes heat of its own",
		func(f *Fault) { f.PowerMW = 60_000 }, "cell", "power"),
	entry(CellLeaks, soon, "a cell has a soft short inside itself, which draws a current",
		func(f *Fault) { f.Current = 2_000_000 }, "cell", "current"),
}
