package profiles

import (
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Bench is a bench file: the instruments, the bench's own limits, the
// protections that software cannot replace, and, where a driver is virtual,
// the article it simulates.
type Bench struct {
	drivers.Bench
	Title       string
	Limits      LimitSet
	Protections Protections
	// HaltPath is the longest time from the frame that shows a breach to the off
	// command on the wire, as measured for this kind of bench.
	HaltPath drivers.Span
	// ProofWithin is how old a proof of protections may be for a run with nobody
	// beside it; 0: none is demanded.
	ProofWithin drivers.Span
	// Thermometers and Insulation are nil unless the file has them.
	Thermometers *Thermometers
	Insulation   *Insulation
	// Virtual is nil unless the file has a virtual section.
	Virtual *VirtualArticle
	// Digest is the SHA-256 of the file's text, in hex.
	Digest string
	File   string

	at map[string]Pos
}

// Proof is a dated proof by a named role that a protection works.
type Proof struct {
	On time.Time // a date, UTC
	By string    // a role, such as "test engineer"
}

// Protections are the independent means that the fault matrix names as
// hardware. A nil entry was not declared.
type Protections struct {
	EmergencyStop     *Proof
	CellCutOff        *CutOff
	Fuse              *Fuse
	FireDetection     *Proof
	InsulationMonitor *Proof // demanded above 60 V d.c.
	// Heartbeat is the proof that the box opens without its heartbeat; demanded
	// of a real bench where nothing else ends the current once its host is dead.
	// The instruments' own silence limits are proved at each arming instead.
	Heartbeat *Proof
	// ArticleInterlock is the proof that only an article of the declared kind
	// closes the circuit.
	ArticleInterlock *Proof
	// CurrentLimit is demanded where an instrument's range goes past what the
	// cell maker allows.
	CurrentLimit *CurrentLimit
}

// CurrentLimit is hardware with a shunt of its own that bounds the current each
// way, whatever an instrument gives; magnitudes.
type CurrentLimit struct {
	Proof
	Charge, Discharge drivers.Microamps
}

// CutOff is the independent cut-off of single cells, over voltage and over
// temperature.
type CutOff struct {
	Proof
	Voltage     drivers.Microvolts
	Temperature drivers.Millikelvins
}

// Fuse is the fuse in the module's line.
type Fuse struct {
	Proof
	Rating drivers.Microamps
}

// VirtualArticle is what a virtual bench simulates beyond what the module file
// says. A spread is the full range from the least to the greatest cell.
type VirtualArticle struct {
	Seed uint64
	// Chemistry and Rated are the article's, where the bench has one of its own;
	// empty and 0: what the module file says, or the shipped KW-01.
	Chemistry string
	Rated     drivers.Charge
	// Capacity is the mean true capacity relative to the rated one.
	Capacity         Ppm
	CapacitySpread   Ppm
	ResistanceSpread Ppm
	// StateOfCharge is the mean at the start, StateSpread its range over cells.
	StateOfCharge Ppm
	StateSpread   Ppm
	Ambient       drivers.Millikelvins
}

// Bounds of what a bench file may say.
var (
	anyVoltage    = tree.Within(1_000, 2_000_000_000) // 1 mV to 2 kV
	anyStep       = tree.Within(1, 1_000_000)
	anyTime       = tree.Within(1, 86_400_000_000) // 1 us to 1 d
	anyResistance = tree.Within(1_000, 1_000_000_000_000)
	anyPower      = tree.Within(1_000, 1_000_000_000)
	zeroTime      = tree.Within(0, 86_400_000_000)
	zeroCurrent   = tree.Within(0, 1_000_000) // to 1 A
)

// ParseBench reads a bench file; name appears in the problems. The bench is nil
// when there are problems.
func ParseBench(name string, src []byte) (*Bench, []Problem) {
	r := &tree.Report{}
	f := KindBench.open(r, name, src)
	if f == nil {
		return nil, r.Sorted()
	}
	b := &Bench{File: name, Digest: digest(src), at: f.At}
	b.Name = f.Name("bench", "quay-1", true)
	b.Title = f.Optional("title")
	b.Lease = drivers.Span(f.Quantity("lease", true, DimTime, tree.Within(1_000, 60_000_000)))
	b.HaltPath = drivers.Span(f.Quantity("halt_path", true, DimTime, tree.Within(1, 10_000_000)))
	b.ProofWithin = drivers.Span(f.Quantity("proof_within", false, DimTime, anyProof))
	b.Monitor = readMonitor(b.section(f, "monitor"))
	b.Supply = readPower(b.section(f, "supply"))
	b.Load = readPower(b.section(f, "load"))
	b.Box = readBox(b.section(f, "box"))
	b.Meter = readMeter(b.section(f, "meter"))
	if n := f.Find("limits"); n != nil {
		b.Limits = readLimits(r.Fields(n, "limits"), false)
	}
	if n := f.Find("thermometers"); n != nil {
		b.readThermometers(r.Fields(n, "thermometers"))
	}
	if n := f.Find("insulation"); n != nil {
		b.readInsulation(r.Fields(n, "insulation"))
	}
	b.readProtections(f)
	if n := f.Find("virtual"); n != nil {
		b.Virtual, b.BehindWires = readVirtual(r.Fields(n, "virtual"))
	}
	f.Finish()
	if len(r.Problems) == 0 {
		b.check(r)
	}
	if len(r.Problems) > 0 {
		return nil, r.Sorted()
	}
	return b, nil
}

// section opens one instrument's part of the file.
func (b *Bench) section(f *tree.Fields, key string) *tree.Fields {
	return f.Report.Fields(f.Need(key, "describe the "+key), key)
}

// channel reads the step and accuracy that every measured value declares.
func channel(f *tree.Fields, key string, d Dimension) (c *tree.Fields, step int64, a drivers.Accuracy) {
	n := f.Need(key, "give {step: ..., accuracy: ...}")
	c = f.Report.Fields(n, f.What+"."+key)
	step = c.Quantity("step", true, d, anyStep)
	a = c.Accuracy("accuracy", d)
	fineEnough(c, step, a, d)
	return c, step, a
}

// fineEnough: what is declared bounds every single reading, and a reading is off
// by half a step as a matter of course. The checks between instruments would trip
// in health where a declaration forgets that.
func fineEnough(f *tree.Fields, step int64, a drivers.Accuracy, d Dimension) {
	if least := (step + 1) / 2; a != (drivers.Accuracy{}) && a.Offset < least {
		f.Report.Addf(f.At["accuracy"], fmt.Sprintf("at least %s beside what goes with the value: it holds for every reading, rounding and noise included", FormatQuantity(least, d)),
			"readings in steps of %s are off by half a step, and the accuracy leaves %s", FormatQuantity(step, d), FormatQuantity(a.Offset, d))
	}
}

func readMonitor(f *tree.Fields) drivers.MonitorSpec {
	m := drivers.MonitorSpec{
		Cells:  int(f.Count("cells", true, 1, 512)),
		Temps:  int(f.Count("temperatures", true, 1, 512)),
		Period: drivers.Span(f.Quantity("period", true, DimTime, tree.Within(1_000, 10_000_000))),
		Skew:   drivers.Span(f.Quantity("skew", true, DimTime, zeroTime)),
		Window: drivers.Span(f.Quantity("window", true, DimTime, zeroTime)),
	}
	m.Wire = readWire(f)
	c, step, a := channel(f, "cell", DimVoltage)
	m.CellStep, m.CellAccuracy = drivers.Microvolts(step), a
	m.CellErrors = drivers.CellErrors(c.Choice("errors", false, string(drivers.ErrorsOwn), string(drivers.ErrorsShared)))
	c.Finish()
	c, step, a = channel(f, "temperature", DimDifference)
	m.TempStep, m.TempAccuracy = drivers.Millikelvins(step), a
	c.Finish()
	c, step, a = channel(f, "current", DimCurrent)
	m.CurrentStep, m.CurrentAcc = drivers.Microamps(step), a
	m.CurrentRange = drivers.Microamps(c.Quantity("range", true, DimCurrent, anyCurrent))
	c.Finish()
	if n := f.Find("drain"); n != nil {
		c := f.Report.Fields(n, "monitor.drain")
		m.Drain = drivers.Microamps(c.Quantity("current", true, DimCurrent, zeroCurrent))
		m.DrainWithin = drivers.Microamps(c.Quantity("uncertainty", true, DimCurrent, zeroCurrent))
		c.Finish()
	}
	if n := f.Find("bleed"); n != nil {
		c := f.Report.Fields(n, "monitor.bleed")
		m.Bleed = drivers.Microohms(c.Quantity("resistance", true, DimResistance, anyResistance))
		m.BleedNeighbours = c.Yes("neighbours")
		m.BleedTimeout = drivers.Span(c.Quantity("timeout", true, DimTime, anyTime))
		c.Finish()
	}
	f.Finish()
	return m
}

func readPower(f *tree.Fields) drivers.PowerSpec {
	p := drivers.PowerSpec{
		PowerMaxMW:  f.Quantity("power_max", true, DimPower, anyPower),
		Delay:       drivers.Span(f.Quantity("delay", true, DimTime, zeroTime)),
		Slew:        drivers.Microamps(f.Quantity("slew", true, DimSlew, tree.Within(1, 1<<50))),
		CommTimeout: drivers.Span(f.Quantity("silence", false, DimTime, tree.Within(1_000, 60_000_000))),
	}
	p.Wire = readWire(f)
	c, step, a := channel(f, "voltage", DimVoltage)
	p.VoltageStep, p.VoltageAcc = drivers.Microvolts(step), a
	p.VoltageMax = drivers.Microvolts(c.Quantity("max", true, DimVoltage, anyVoltage))
	c.Finish()
	c, step, a = channel(f, "current", DimCurrent)
	p.CurrentStep, p.CurrentAcc = drivers.Microamps(step), a
	p.CurrentMax = drivers.Microamps(c.Quantity("max", true, DimCurrent, anyCurrent))
	c.Finish()
	f.Finish()
	return p
}

func readMeter(f *tree.Fields) drivers.MeterSpec {
	m := drivers.MeterSpec{}
	m.Wire = readWire(f)
	m.VoltageStep = drivers.Microvolts(f.Quantity("step", true, DimVoltage, anyStep))
	m.VoltageAcc = f.Accuracy("accuracy", DimVoltage)
	fineEnough(f, int64(m.VoltageStep), m.VoltageAcc, DimVoltage)
	f.Finish()
	return m
}

func (b *Bench) check(r *tree.Report) {
	b.checkMix(r)
	if b.Limits.CellMax != 0 && b.Limits.CellMin != 0 && b.Limits.CellMin >= b.Limits.CellMax {
		r.Add(b.Limits.at["cell_min"], "cell_min is not under cell_max", "leave room to work between the two")
	}
	// INV-03, INV-04: current counts as gone under the opening current, so that
	// must be measurable above the sensors' errors.
	if zero := b.nearZero(); zero >= b.Box.OpeningCurrent {
		r.Addf(b.at["box"], "declare an opening current over "+FormatQuantity(int64(zero), DimCurrent)+", or better sensors",
			"the current sensors cannot tell %s, the opening current, from none", FormatQuantity(int64(b.Box.OpeningCurrent), DimCurrent))
	}
	if b.Box.BreakingCurrent < b.Box.OpeningCurrent {
		r.Add(b.at["box"], "opening.breaking is under opening.current", "give the contactors' breaking rating")
	}
	if b.Monitor.Driver == DriverVirtual {
		for _, key := range sensorRoles {
			if at, given := b.at[key]; given {
				r.Addf(at, "leave it out", "%s stands on a bench whose monitor is virtual: there is nothing that it could read", key)
			}
		}
	}
	if _, err := b.Layout(); err != nil {
		r.Add(b.at[""], err.Error(), "compare the file with a shipped bench")
	}
	// Without a frame period's worth of renewals a lease runs out in health.
	if least := 3 * b.Monitor.Period; b.Lease < least {
		r.Addf(b.at["lease"], "at least "+FormatQuantity(int64(least), DimTime),
			"a lease of %s is under three frame periods", FormatQuantity(int64(b.Lease), DimTime))
	}
	// Nor may what ends by itself without a word, which goes out once a frame.
	for _, x := range []struct {
		role, key string
		limit     drivers.Span
	}{{"supply", "silence", b.Supply.CommTimeout}, {"load", "silence", b.Load.CommTimeout}, {"box", "heartbeat", b.Box.Heartbeat}} {
		if least := 3 * b.Monitor.Period; x.limit > 0 && x.limit < least {
			r.Addf(b.at[x.role], "at least "+FormatQuantity(int64(least), DimTime)+", or a monitor that reads more often",
				"%s of %s is under three frame periods: the %s would end a healthy run", x.key, FormatQuantity(int64(x.limit), DimTime), x.role)
		}
	}
}

// checkMix refuses a bench of real and virtual instruments: what one shows says
// nothing about what the other does.
func (b *Bench) checkMix(r *tree.Report) {
	first := ""
	for _, in := range b.Instruments()[:5] { // a sensor has its own rule
		kind := "real"
		if in.Driver == DriverVirtual {
			kind = "virtual"
		}
		if first == "" {
			first = kind
		}
		if kind != first {
			r.Addf(b.at[in.Role], "give all of a bench's instruments real drivers, or all the driver virtual",
				"the %s is %s and the %s is %s", b.Instruments()[0].Role, first, in.Role, kind)
			return
		}
	}
}
