package machine

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// toy is a bench that obeys, in integers: four cells with a linear voltage over
// charge, one resistance, a link that charges through the precharge resistor.
// It judges nothing; sessions use it to answer the machine as a bench would,
// and disobey where a session says so.
type toy struct {
	layout *drivers.Layout
	now    drivers.Instant

	charge   [4]drivers.Charge
	offset   [4]drivers.Microvolts // added to what the tap reads
	temp     [2]drivers.Millikelvins
	link     drivers.Microvolts
	bled     drivers.Microvolts // per mille of the article that the link's bleed keeps it under
	closed   drivers.Contactors
	supply   drivers.Setpoint
	load     drivers.Setpoint
	bleeding []int32

	beat    int32
	boxBeat int32
	fast    bool
	seep    drivers.Microamps // flows whatever is commanded
	drain   drivers.Span      // the link's own time constant behind open contactors; 0: it keeps its charge
	// late is how long the precharge contactor's command is on its way, and comes
	// when it arrives.
	late  drivers.Span
	comes drivers.Instant
	// measured is when the monitor last did.
	measured drivers.Instant
	// Disobedience, by name.
	faults map[string]bool
}

// toyCapacity is 1 Ah; a cell goes from 3.0 V to 3.5 V over it.
const toyCapacity = drivers.AmpereHour

func toyBench() drivers.Bench {
	ms := drivers.Millisecond
	return drivers.Bench{
		Name: "toy",
		Monitor: drivers.MonitorSpec{
			Cells: 4, Temps: 2, Period: 100 * ms, CellStep: 100, TempStep: 100, CurrentStep: 1000,
			CellAccuracy: drivers.Accuracy{Offset: 500}, CurrentAcc: drivers.Accuracy{Offset: 5000}, CurrentRange: 20 * drivers.Ampere,
			Bleed: 10_000_000, BleedTimeout: 10 * drivers.Second,
		},
		Supply: drivers.PowerSpec{VoltageMax: 20 * drivers.Volt, CurrentMax: 10 * drivers.Ampere, VoltageStep: 1000, CurrentStep: 1000, Delay: 100 * ms, Slew: 100 * drivers.Ampere},
		Load:   drivers.PowerSpec{VoltageMax: 20 * drivers.Volt, CurrentMax: 10 * drivers.Ampere, VoltageStep: 1000, CurrentStep: 1000, Delay: 100 * ms, Slew: 100 * drivers.Ampere},
		Box: drivers.BoxSpec{
			Precharge: 100_000_000, LinkNF: 1_000_000, LinkStep: 1000, LinkPeriod: 20 * ms, DifferenceMax: 500_000,
			OpeningCurrent: drivers.Ampere, BreakingCurrent: 50 * drivers.Ampere, OpeningTime: 100 * ms, SwitchTime: 20 * ms, CurrentStep: 10_000,
		},
		Meter: drivers.MeterSpec{VoltageStep: 1000},
		Lease: drivers.Second,
	}
}

func toyLimits() guard.Limits {
	s := drivers.Second
	return guard.Limits{
		CellMax: 3_600_000, CellMin: 2_600_000, NoCharge: 2_000_000, ModuleMax: 14_400_000, ModuleMin: 10_400_000,
		TempMax: 333_150, TempMin: 253_150, TempChargeMax: 318_150, TempChargeMin: 273_150, TempDischargeMax: 333_150, TempDischargeMin: 253_150,
		TempSoftMax: 313_150, TempSoftHysteresis: 3_000, TempRateMax: 20_000,
		ChargeMax: 5 * drivers.Ampere, DischargeMax: 5 * drivers.Ampere,
		CellPersistence: s / 5, TempPersistence: s, CurrentPersistence: s / 5, Stale: s / 2,
		CellPlausibleMin: 100_000, CellPlausibleMax: 5_000_000, TempPlausibleMin: 233_150, TempPlausibleMax: 393_150, CurrentPlausible: 20 * drivers.Ampere,
		SumTolerance: 30_000, CurrentTolerance: 100_000, BoxCurrentTolerance: 200_000, CrossPersistence: s, NearZero: 20_000, FrozenMove: 20_000,
	}
}

// toyPlan wraps code into a plan on the toy bench; every instruction is a step
// of its own unless it says otherwise.
func toyPlan(code ...Instruction) *Plan {
	b := toyBench()
	l, err := b.Layout()
	if err != nil {
		panic(err)
	}
	p := &Plan{
		Profile: "session", Module: "TOY-1", Bench: b, Layout: *l, Limits: toyLimits(), Series: 4,
		SupplyArm: drivers.Protection{VoltageMax: 15 * drivers.Volt, CurrentMax: 6 * drivers.Ampere},
		LoadArm:   drivers.Protection{VoltageMax: 15 * drivers.Volt, CurrentMax: 6 * drivers.Ampere},
		Rated:     toyCapacity, CellResistance: 5_000,
		Ready:     Ready{Settle: drivers.Second, Timeout: 5 * drivers.Second, SumTolerance: 30_000, TempBand: 2_000, CellMin: 2_700_000, CellMax: 3_550_000},
		Registers: []string{"a", "b"}, Lists: []string{"capacity"}, Pauses: 2, PauseMin: 30 * drivers.Second, WatchSteady: 2 * drivers.Minute,
	}
	for i := range code {
		if code[i].Step == len(p.Steps) {
			p.Steps = append(p.Steps, Step{Label: string(code[i].Op) + "/" + string(rune('a'+i)), Kind: string(code[i].Op), Predicted: drivers.Minute, Repeat: 1})
		}
	}
	p.Code = code
	return p
}

func newToy(charge drivers.Charge) *toy {
	b := toyBench()
	l, err := b.Layout()
	if err != nil {
		panic(err)
	}
	t := &toy{layout: l, now: 1_000_000_000, faults: map[string]bool{}, temp: [2]drivers.Millikelvins{298_150, 298_150}, bleeding: []int32{0}}
	for i := range t.charge {
		t.charge[i] = charge + drivers.Charge(i)*toyCapacity/200
	}
	return t
}

// current is what flows into the article now.
func (t *toy) current() drivers.Microamps {
	connected := t.closed&closed == closed
	i := t.seep
	if t.faults["fuse blown"] {
		return i
	}
	if t.supply.On && (connected || t.faults["welded"]) {
		i += t.supply.Current
	}
	if t.load.On && connected {
		i -= t.load.Current
	}
	if t.closed == precharging {
		i -= drivers.Microamps(int64(t.article()-t.link) / 100)
	}
	return i
}

func (t *toy) cell(i int) drivers.Microvolts {
	v := 3*drivers.Volt + drivers.Microvolts(int64(t.charge[i])/(int64(toyCapacity)/500_000))
	return v + drivers.Microvolts(int64(t.current())*5/1000)
}

func (t *toy) article() drivers.Microvolts {
	var v drivers.Microvolts
	for i := range t.charge {
		v += 3*drivers.Volt + drivers.Microvolts(int64(t.charge[i])/(int64(toyCapacity)/500_000))
	}
	return v
}

func (t *toy) next() drivers.Instant {
	if t.fast {
		return t.now.Add(20 * drivers.Millisecond)
	}
	return t.now.Add(100 * drivers.Millisecond)
}

// advance moves to an instant, in steps of at most a millisecond for the link.
func (t *toy) advance(to drivers.Instant) {
	for t.now < to {
		dt := min(to.Sub(t.now), drivers.Millisecond)
		if t.comes != 0 && t.now >= t.comes {
			t.closed, t.comes = precharging, 0
		}
		i := t.current()
		for c := range t.charge {
			t.charge[c] += drivers.Charge(int64(i) * int64(dt) / 1000)
			if t.bleeding[0]>>c&1 != 0 {
				t.charge[c] -= drivers.Charge(350_000 * int64(dt) / 1000)
			}
		}
		switch {
		case t.faults["link short"]:
			t.link = 0
		case t.closed == precharging && !t.faults["resistor open"]:
			// dv = (V-v)*dt/RC with RC = 100 ms
			t.link += (t.article()*(1000-t.bled)/1000 - t.link) * drivers.Microvolts(dt) / 100_000
		case t.closed&closed == closed:
			t.link = t.article()
		case t.supply.On && t.drain > 0:
			t.link = t.supply.Voltage
		case t.closed == 0 && t.drain > 0:
			t.link -= t.link * drivers.Microvolts(dt) / drivers.Microvolts(t.drain)
		}
		t.now = t.now.Add(dt)
	}
}

// frame reads the bench.
func (t *toy) frame() *drivers.Frame {
	f := &drivers.Frame{At: t.now, Counts: make([]int32, len(t.layout.Channels))}
	if t.now.Sub(t.measured) >= 100*drivers.Millisecond && !t.faults["monitor silent"] {
		t.beat++
		t.measured = t.now
	}
	t.boxBeat++
	put := func(k drivers.Kind, v int64) {
		if i := t.layout.Find(k); i >= 0 {
			f.Counts[i] = t.layout.Channels[i].Scale.Nearest(v)
		}
	}
	for i := range 4 {
		f.Counts[i] = t.layout.Channels[i].Scale.Nearest(int64(t.cell(i) + t.offset[i]))
	}
	for i := range 2 {
		f.Counts[t.layout.Temp(i)] = t.layout.Channels[t.layout.Temp(i)].Scale.Nearest(int64(t.temp[i]))
	}
	var sum drivers.Microvolts
	for i := range 4 {
		sum += t.cell(i)
	}
	i := t.current()
	shunt := i
	if t.faults["shunt reads double"] {
		shunt *= 2
	}
	put(drivers.ModuleCurrent, int64(shunt))
	put(drivers.BoxCurrent, int64(i))
	put(drivers.ModuleVoltage, int64(sum))
	put(drivers.LinkVoltage, int64(t.link))
	state := int64(t.closed)
	if t.faults["welded"] {
		state |= drivers.BoxPositive
	}
	if t.faults["estop"] {
		state |= drivers.BoxEmergencyStop
	}
	put(drivers.BoxState, state)
	for _, p := range []struct {
		s             drivers.Setpoint
		amps, st, vol drivers.Kind
	}{{t.supply, drivers.SupplyCurrent, drivers.SupplyState, drivers.SupplyVoltage}, {t.load, drivers.LoadCurrent, drivers.LoadState, drivers.LoadVoltage}} {
		on := int64(0)
		amps := int64(0)
		if p.s.On {
			on, amps = drivers.PowerOn, int64(p.s.Current)
		}
		put(p.st, on)
		if t.faults["supply silent"] && p.st == drivers.SupplyState {
			f.Counts[t.layout.Find(p.st)] = drivers.NoReading
		}
		put(p.amps, amps)
		put(p.vol, int64(t.link))
	}
	put(drivers.MonitorBeat, int64(t.beat))
	for _, k := range []drivers.Kind{drivers.MeterBeat, drivers.BoxBeat, drivers.SupplyBeat, drivers.LoadBeat} {
		put(k, int64(t.boxBeat))
	}
	f.Counts[t.layout.Bleed(0)] = t.bleeding[0]
	return f
}

// obey does a device action and answers it.
func (t *toy) obey(a Action) Event {
	switch a := a.(type) {
	case Halt:
		if !t.faults["keeps its output"] {
			t.supply.On, t.load.On = false, false
		}
		return Done{At: t.now, Epoch: a.Epoch, Op: DeviceHalt}
	case Arm:
		d := Done{At: t.now, Epoch: a.Epoch, Op: DeviceArm, Supply: a.Supply, Load: a.Load}
		if t.faults["arm reads back loose"] {
			d.Supply.VoltageMax += drivers.Volt
		}
		return d
	case Set:
		if t.faults["set fails"] {
			return Done{At: t.now, Epoch: a.Epoch, Op: DeviceSet, Err: "refused by the device"}
		}
		s := drivers.Setpoint{Current: a.Current, Voltage: a.Voltage, On: true}
		if a.Direction == Charging {
			if !t.faults["ignores set-down"] || a.Current > t.supply.Current {
				t.supply = s
			}
		} else {
			t.load = s
		}
		return Done{At: t.now, Epoch: a.Epoch, Op: DeviceSet}
	case SwitchTo:
		t.comes = 0
		if a.Closed == precharging && t.late > 0 {
			t.comes, t.fast = t.now.Add(t.late), true
			return Done{At: t.now, Epoch: a.Epoch, Op: DeviceSwitch}
		}
		t.closed = a.Closed
		if t.faults["does not open"] && a.Closed == 0 {
			t.closed = drivers.BoxPositive
		}
		t.fast = a.Closed&drivers.BoxPrecharge != 0
		return Done{At: t.now, Epoch: a.Epoch, Op: DeviceSwitch}
	case BleedCells:
		t.bleeding[0] = 0
		if len(a.Words) > 0 {
			t.bleeding[0] = a.Words[0]
		}
		return Done{At: t.now, Epoch: a.Epoch, Op: DeviceBleed}
	case Permit:
		if t.faults["store full"] {
			return Stored{At: t.now, Epoch: a.Epoch, Err: "no space left"}
		}
		return Stored{At: t.now, Epoch: a.Epoch}
	}
	return nil
}
