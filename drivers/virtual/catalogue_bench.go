package virtual

import "github.com/rigwarden/rigwarden/drivers"

// The catalogue's lines about instruments, box and article.

var instrumentFaults = []FaultInfo{
	entry(IgnoresSetdown, soon, "the supply acknowledges a lower current and keeps the old one", nil).in(Charging),
	entry(SupplyIgnoresOff, soon, "the supply acknowledges off and keeps its output", nil).in(Charging),
	entry(LoadIgnoresOff, drawing, "the load acknowledges off and keeps drawing", nil).in(Discharging),
	entry(IgnoresVoltage, soon, "the supply's voltage bound and own protections do nothing", nil).in(Charging),
	entry(Overdelivers, soon, "the supply gives more current than it was set to",
		func(f *Fault) { f.Current = 5_000_000 }, "current", "gain").
		draws(between("current", 2_000, 1_000_000).perAmpere(), between("gain", 1_000, 1_000_000).optional()).in(Charging),
	entry(Overdraws, drawing, "the load draws more current than it was set to",
		func(f *Fault) { f.Current = 5_000_000 }, "current", "gain").
		draws(between("current", 2_000, 1_000_000).perAmpere(), between("gain", 1_000, 1_000_000).optional()).in(Discharging),
	entry(SupplyDies, soon, "the supply loses its mains: no output, fault bit", nil).in(Charging),
	entry(SenseOpen, soon, "the supply's sense leads are open: it holds the link too high by an offset, too low by its leads' drop",
		func(f *Fault) { f.Voltage, f.Resistance = 500_000, 10_000 }, "offset", "resistance").
		draws(between("offset", 20_000, 3_000_000), between("resistance", 1_000, 50_000)).in(Charging),
	entry(SupplyDrains, soon, "a current drains from the link into the idle supply, which does not know it",
		func(f *Fault) { f.Current = 500_000 }, "current").
		draws(between("current", 1_000, 300_000).perAmpere()).in(Connecting | Discharging | Resting | Bleeding).
		// One that begins while the positive contactor travels takes the link down
		// before anything can call the contact back.
		beyond(Hardware{"inrush", ByFuse}),
	entry(LoadDies, drawing, "the regenerative load loses its mains: it draws nothing from one moment to the next, fault bit", nil).in(Discharging),
	entry(LoadShorts, drawing, "the load loses its mains and its input fails to a resistance across the link",
		func(f *Fault) { f.Resistance = 500_000 }, "resistance").
		draws(between("resistance", 20_000, 1_000_000_000)).
		beyond(Hardware{"discharge_high", ByFuse}, Hardware{"cell_low", ByFuse}, Hardware{"step_charge", ByFuse}, Hardware{"inrush", ByFuse}),
	entry(SetupLost, soon, "a device browns out: it stops, its limits and arming are gone, it counts anew and answers as if nothing were",
		func(f *Fault) { f.Device = DeviceSupply }, "device").on(commanded),
}

var boxFaultList = []FaultInfo{
	entry(ContactorWelded, soon, "a contactor's contacts weld: it stays closed",
		func(f *Fault) { f.Contactor = drivers.BoxPositive }, "contactor"),
	entry(ContactorStuck, atOnce, "a contactor does not close",
		func(f *Fault) { f.Contactor = drivers.BoxPositive }, "contactor").in(Connecting),
	entry(ContactorBounces, atOnce, "a contactor bounces for a while whenever it closes",
		func(f *Fault) { f.Contactor, f.Delay = drivers.BoxPositive, 20*drivers.Millisecond }, "contactor", "bounce").
		draws(between("bounce", 1_000, 50_000)).in(Connecting),
	entry(PrechargeOpen, atOnce, "the precharge resistor is open", nil).in(Connecting),
	entry(LinkShort, closing, "a short lies across the link",
		func(f *Fault) { f.Resistance = 100_000 }, "resistance").
		draws(between("resistance", 5_000, 1_000_000_000)).
		// The module feeds it behind closed contactors until they have opened; its
		// cells' own resistance takes their voltage away at such currents.
		beyond(Hardware{"discharge_high", ByFuse}, Hardware{"cell_low", ByFuse}, Hardware{"step_charge", ByFuse}, Hardware{"inrush", ByFuse}),
	entry(EmergencyPressed, soon, "somebody presses the emergency stop", nil),
	entry(BleedStuck, soon, "a cell bleeds although it was not told to", nil, "cell"),
	entry(BleedOpen, atOnce, "a cell's bleed path conducts nothing", nil, "cell").in(Bleeding),
}

var articleFaults = []FaultInfo{
	entry(CellOverheats, soon, "a cell makes heat of its own",
		func(f *Fault) { f.PowerMW = 60_000 }, "cell", "power").
		draws(between("power", 20, 5_000).perAmpere()).
		beyond(Hardware{"temp_high", ByFireDetection}),
	entry(CellLeaks, soon, "a cell has a soft short inside itself, which draws a current",
		func(f *Fault) { f.Current = 2_000_000 }, "cell", "current").
		draws(between("current", 200, 200_000).perAmpere()).
		// Nothing outside a cell can part it from itself.
		beyond(Hardware{"cell_low", ByFireDetection}, Hardware{"temp_high", ByFireDetection}),
}

// fileFaults are articles that are not what the file says. They are so from the
// start, whatever the trigger says, and last until somebody exchanges them. A
// wrong count shows at rest; another chemistry's voltages do not follow the file's
// curve, which ends the run before they leave their own limits. Of a current that
// the article must not carry nothing tells before it flows, and of limits that the
// maker alone knows nothing ever does: that is left to hardware that only lets the
// declared kind of article in.
var fileFaults = []FaultInfo{
	entry(WrongCount, atOnce, "the article has more cells in series than the file says, or less: inputs without a cell read nothing",
		func(f *Fault) { f.Count = -1 }, "more").
		draws(signed("more", 1, 8)),
	entry(WrongChemistry, atOnce, "the article's cells are of another chemistry than the file says, at a state of charge",
		func(f *Fault) { f.Chemistry, f.SoCPPM = "LFP", 500_000 }, "chemistry", "soc").
		draws(between("soc", 20_000, 980_000)).
		beyond(Hardware{"charge_high", ByInterlock}, Hardware{"discharge_high", ByInterlock}),
	entry(WrongSize, atOnce, "the article's cells are larger or smaller than the file says",
		func(f *Fault) { f.GainPPM = -500_000 }, "size").
		draws(signed("size", 50_000, 950_000)).
		beyond(Hardware{"charge_high", ByInterlock}, Hardware{"discharge_high", ByInterlock}),
	entry(WrongMaker, atOnce, "the article's maker allows less voltage than the file's, at both ends; nothing else differs",
		func(f *Fault) { f.Voltage = 100_000 }, "tighter").
		draws(between("tighter", 1_000, 300_000)).
		beyond(Hardware{"cell_high", ByInterlock}, Hardware{"cell_low", ByInterlock}),
}
