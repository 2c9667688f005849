package virtual

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// FaultInfo tells what a fault does.
type FaultInfo struct {
	Name string
	Doc  string
	// Default is what ParseFault makes of the name alone.
	Default Fault
	// Params are the keys that the kind knows, apart from the triggers and for.
	Params []string
	// Class is what goes wrong.
	Class Class
	// Ranges are the sensible values of each numeric parameter, from those that
	// nobody can notice to those that nobody can miss; see Draw.
	Ranges []Range
	// Devices are those that the parameter device may name in a draw.
	Devices []Device
	// Unwired says why instruments on wires cannot show the fault; empty: they do.
	Unwired string
	// Matters says what a bench must be doing for the fault to make a difference.
	Matters Stages
	// Hardware names what must bound the harm where no software can, fault alone;
	// empty where software must. See Beyond for several faults at once.
	Hardware []Hardware
}

// Class is the part of a bench in which a fault lies.
type Class string

// Classes, in the catalogue's order.
const (
	ClassSensor     Class = "sensor"
	ClassFrames     Class = "frames"
	ClassDriver     Class = "driver"
	ClassInstrument Class = "instrument"
	ClassBox        Class = "box"
	ClassArticle    Class = "article"
	ClassFile       Class = "file"
)

// Stages is a set of what a bench can be doing.
type Stages uint8

// Stages.
const (
	Connecting Stages = 1 << iota // precharge and closing
	Charging
	Discharging
	Resting // connected or not, no current wanted
	Bleeding

	Flowing  = Charging | Discharging
	Anything = Connecting | Flowing | Resting | Bleeding
)

// Faults lists every fault that a virtual bench knows, in the catalogue's
// order: sensors, frames, drivers, instruments, box, article, file.
func Faults() []FaultInfo {
	list := make([]FaultInfo, len(catalogue))
	for i, c := range catalogue {
		c.Params, c.Ranges = slices.Clone(c.Params), slices.Clone(c.Ranges)
		c.Devices, c.Hardware = slices.Clone(c.Devices), slices.Clone(c.Hardware)
		list[i] = c
	}
	return list
}

// FaultOf returns the catalogue's line about a kind.
func FaultOf(k FaultKind) (FaultInfo, bool) {
	for _, c := range Faults() {
		if c.Default.Kind == k {
			return c, true
		}
	}
	return FaultInfo{}, false
}

func lookup(k FaultKind) (*FaultInfo, bool) {
	for i := range catalogue {
		if catalogue[i].Default.Kind == k {
			return &catalogue[i], true
		}
	}
	return &FaultInfo{}, false
}

// Defaults act in the first charge of a run: the ones that need current wait
// until it has flowed for ten minutes.
var (
	soon    = Trigger{AfterCharging, 10 * drivers.Minute}
	drawing = Trigger{AfterDischarging, 10 * drivers.Minute}
	closing = Trigger{AfterPrecharge, 0}
	atOnce  = Trigger{AfterStart, 0}
)

var (
	everyDevice = []Device{DeviceSupply, DeviceLoad, DeviceBox, DeviceMonitor, DeviceMeter}
	commanded   = []Device{DeviceSupply, DeviceLoad, DeviceBox, DeviceMonitor}
	ammeters    = []Device{DeviceMonitor, DeviceBox, DeviceSupply, DeviceLoad}
)

// entry makes a line of the catalogue; set fills the default's parameters.
func entry(k FaultKind, when Trigger, doc string, set func(*Fault), params ...string) FaultInfo {
	f := Fault{Cell: Anywhere, Sensor: Anywhere, Kind: k, When: when}
	if set != nil {
		set(&f)
	}
	return FaultInfo{Name: string(k), Doc: doc, Default: f, Params: params, Matters: Anything}
}

// draws adds ranges, on the line's devices, and in says when the fault matters;
// beyond names what must bound one kind of excursion.
func (c FaultInfo) draws(r ...Range) FaultInfo     { c.Ranges = append(c.Ranges, r...); return c }
func (c FaultInfo) on(d []Device) FaultInfo        { c.Devices = d; return c }
func (c FaultInfo) in(s Stages) FaultInfo          { c.Matters = s; return c }
func (c FaultInfo) unwired(why string) FaultInfo   { c.Unwired = why; return c }
func (c FaultInfo) beyond(h ...Hardware) FaultInfo { c.Hardware = h; return c }

func of(class Class, list ...FaultInfo) []FaultInfo {
	for i := range list {
		list[i].Class = class
	}
	return list
}

// What only hardware bounds: words of the bench file's protections.
const (
	ByFuse          = "fuse"
	ByCellCutOff    = "cell_cut_off"
	ByFireDetection = "fire_detection"
	ByInterlock     = "article_interlock"
)

// The catalogue. Ranges are common practice, no source, unless a comment says
// otherwise: what sensors, buses and instruments of a workshop do when they age,
// break or are set up wrongly.
var catalogue = slices.Concat(
	of(ClassSensor, sensorFaults...),
	of(ClassFrames, frameFaults...),
	of(ClassDriver, driverFaults...),
	of(ClassInstrument, instrumentFaults...),
	of(ClassBox, boxFaultList...),
	of(ClassArticle, articleFaults...),
	of(ClassFile, fileFaults...),
)

var sensorFaults = []FaultInfo{
	entry(TapReadsLow, soon, "a cell's tap reads off the truth by a step and a drift",
		func(f *Fault) { f.Voltage = -80_000 }, "cell", "offset", "drift").
		draws(signed("offset", 500, 500_000), signed("drift", 1_000, 2_000_000).optional()),
	entry(TapOpen, soon, "a cell's tap gives no reading", nil, "cell"),
	entry(TapsSwapped, soon, "a cell's reading and its upper neighbour's change places", nil, "cell"),
	entry(SensorFreezes, soon, "a cell's reading stands still", nil, "cell"),
	entry(TapNoisy, soon, "a cell's tap is noisy, by a standard deviation",
		func(f *Fault) { f.Voltage = 20_000 }, "cell", "noise").
		draws(between("noise", 200, 300_000)),
	entry(TapDrifts, soon, "a cell's tap drifts away from the truth, without a step",
		func(f *Fault) { f.Drift = -600_000 }, "cell", "drift").
		draws(signed("drift", 1_000, 5_000_000)),
	entry(ReferenceDrifts, soon, "the monitor's reference drifts: all cells read too much or too little together",
		func(f *Fault) { f.GainDrift = -100_000 }, "gain-drift").
		draws(signed("gain-drift", 100, 500_000)),
	entry(ScaleWrong, atOnce, "the monitor's scale is wrong: all cells read off by one factor",
		func(f *Fault) { f.GainPPM = -20_000 }, "gain").
		draws(signed("gain", 200, 200_000)),
	entry(TempOpen, soon, "a temperature sensor's wire is open: no reading", nil, "sensor"),
	entry(TempShort, soon, "a temperature sensor is shorted: it reads absurdly hot", nil, "sensor"),
	entry(TempStuck, soon, "a temperature reading stands still", nil, "sensor"),
	entry(TempReadsLow, soon, "a temperature reads off the truth",
		func(f *Fault) { f.Temp = -15_000 }, "sensor", "temp").
		draws(signed("temp", 200, 40_000)),
	entry(CurrentOffset, soon, "a current reading is off by an offset",
		func(f *Fault) { f.Device, f.Current = DeviceMonitor, 2_000_000 }, "device", "current").
		draws(signed("current", 2_000, 1_500_000).perAmpere()).on(ammeters),
	entry(CurrentGain, soon, "a current reading is off by a gain",
		func(f *Fault) { f.Device, f.GainPPM = DeviceMonitor, -200_000 }, "device", "gain").
		draws(signed("gain", 1_000, 900_000)).on(ammeters).in(Flowing),
	entry(CurrentReversed, soon, "a current reading has the wrong sign",
		func(f *Fault) { f.Device = DeviceMonitor }, "device").on(ammeters).in(Flowing),
	entry(CurrentSaturates, soon, "a current reading saturates: beyond a limit it stands at it",
		func(f *Fault) { f.Device, f.Current = DeviceMonitor, 10*drivers.Ampere }, "device", "limit").
		draws(between("limit", 20_000, 1_500_000).perAmpere()).on(ammeters).in(Flowing),
	entry(MeterReadsOff, soon, "the meter across the terminals reads off the truth",
		func(f *Fault) { f.Voltage = -2_000_000 }, "offset", "drift").
		draws(signed("offset", 5_000, 10_000_000), signed("drift", 5_000, 10_000_000).optional()),
}

var frameFaults = []FaultInfo{
	entry(FramesStop, soon, "no frame arrives, for half a minute unless for= says otherwise",
		func(f *Fault) { f.For = 30 * drivers.Second }).
		draws(between("for", 1_000_000, 600_000_000).perPeriod()),
	entry(FramesRepeat, soon, "the last frame comes again and again", nil),
	entry(FramesLate, soon, "frames show what was a while ago",
		func(f *Fault) { f.Delay = 3 * drivers.Second }, "delay").
		draws(between("delay", 500_000, 100_000_000).perPeriod()),
	entry(FramesLost, soon, "a share of the frames is lost",
		func(f *Fault) { f.RatePPM = 500_000 }, "rate").
		draws(between("rate", 1_000, 1_000_000)),
	entry(FramesDoubled, soon, "a share of the frames arrives twice",
		func(f *Fault) { f.RatePPM = 300_000 }, "rate").
		draws(between("rate", 1_000, 1_000_000)),
	entry(FramesReordered, soon, "a share of the frames arrives after the frame that follows it",
		func(f *Fault) { f.RatePPM = 200_000 }, "rate").
		draws(between("rate", 1_000, 1_000_000)),
	entry(FramesHalfEmpty, soon, "a share of the monitor's sweeps lacks its later channels: they give no reading",
		func(f *Fault) { f.RatePPM, f.SharePPM = 1_000_000, 500_000 }, "rate", "share").
		draws(between("rate", 1_000, 1_000_000), between("share", 20_000, 1_000_000)),
	entry(FramesHalfOld, soon, "a share of the monitor's sweeps repeats its later channels from the sweep before",
		func(f *Fault) { f.RatePPM, f.SharePPM = 1_000_000, 500_000 }, "rate", "share").
		draws(between("rate", 1_000, 1_000_000), between("share", 20_000, 1_000_000)),
	entry(TimeSteps, soon, "the clock that frames are stamped with steps forwards or back, and again when it is over",
		func(f *Fault) { f.Delay = 5 * drivers.Second }, "step").
		draws(signed("step", 1_000, 3_600_000_000)).
		unwired("no wire here carries a time: whoever hears an instrument stamps what it heard"),
	entry(MonitorSilent, soon, "the monitor's counter and readings stand still while frames go on", nil),
	entry(ReadingsMissing, soon, "the monitor answers and gives no values", nil),
}

var driverFaults = []FaultInfo{
	entry(DriverHangs, soon, "a driver no longer answers; its device goes on as it was",
		func(f *Fault) { f.Device = DeviceSupply }, "device").on(everyDevice),
	entry(CommandsIgnored, soon, "a device acknowledges every command, halts too, and does nothing",
		func(f *Fault) { f.Device = DeviceSupply }, "device").on(commanded),
	entry(DriverReconnects, soon, "a driver is gone for five seconds unless for= says otherwise, then counts anew; its device goes on as it was",
		func(f *Fault) { f.Device, f.For = DeviceSupply, 5*drivers.Second }, "device").
		draws(between("for", 1_000_000, 200_000_000).perPeriod()).on(everyDevice),
}
