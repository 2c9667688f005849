package profiles

import (
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
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
	anyVoltage    = span{1_000, 2_000_000_000} // 1 mV to 2 kV
	anyStep       = span{1, 1_000_000}
	anyTime       = span{1, 86_400_000_000} // 1 us to 1 d
	anyResistance = span{1_000, 1_000_000_000_000}
	anyPower      = span{1_000, 1_000_000_000}
	zeroTime      = span{0, 86_400_000_000}
)

// ParseBench reads a bench file; name appears in the problems. The bench is nil
// when there are problems.
func ParseBench(name string, src []byte) (*Bench, []Problem) {
	r := &report{}
	root := r.parseTree(name, src)
	if root == nil {
		return nil, r.sorted()
	}
	f := r.fields(root, "the bench file")
	b := &Bench{File: name, Digest: digest(src), at: f.at}
	b.Name = f.name("bench", "quay-1", true)
	b.Title = f.optional("title")
	b.Lease = drivers.Span(f.quantity("lease", true, DimTime, span{1_000, 60_000_000}))
	b.HaltPath = drivers.Span(f.quantity("halt_path", true, DimTime, span{1, 10_000_000}))
	b.Monitor = readMonitor(b.section(f, "monitor"))
	b.Supply = readPower(b.section(f, "supply"))
	b.Load = readPower(b.section(f, "load"))
	b.Box = readBox(b.section(f, "box"))
	b.Meter = readMeter(b.section(f, "meter"))
	if n := f.find("limits"); n != nil {
		b.Limits = readLimits(r.fields(n, "limits"), false)
	}
	b.readProtections(f)
	if n := f.find("virtual"); n != nil {
		b.Virtual = readVirtual(r.fields(n, "virtual"))
	}
	f.finish()
	if len(r.problems) == 0 {
		b.check(r)
	}
	if len(r.problems) > 0 {
		return nil, r.sorted()
	}
	return b, nil
}

// section opens one instrument's part of the file.
func (b *Bench) section(f *fields, key string) *fields {
	return f.r.fields(f.need(key, "describe the "+key), key)
}

func readDriver(f *fields) (driver, address string) {
	driver = f.name("driver", "virtual", true)
	address = f.optional("address")
	if driver != "" && driver != "virtual" && address == "" {
		f.r.addf(f.n.at, "say where it answers", "%s lacks \"address\" for driver %q", f.what, driver)
	}
	return driver, address
}

// channel reads the step and accuracy that every measured value declares.
func channel(f *fields, key string, d Dimension) (c *fields, step int64, a drivers.Accuracy) {
	n := f.need(key, "give {step: ..., accuracy: ...}")
	c = f.r.fields(n, f.what+"."+key)
	step = c.quantity("step", true, d, anyStep)
	a = c.accuracy("accuracy", d)
	return c, step, a
}

// accuracy reads `0.1 % + 20 mA`, or either part of it.
func (f *fields) accuracy(key string, d Dimension) drivers.Accuracy {
	right := "write it as 0.1 % + " + example(key, d)
	s, ok := f.scalar(key, f.need(key, right), right)
	if !ok {
		return drivers.Accuracy{}
	}
	var a drivers.Accuracy
	for _, part := range strings.Split(s, " + ") {
		if v, err := ParseQuantity(part, DimRatio); err == nil && v >= 0 && v <= 100_000 && a.GainPPM == 0 {
			a.GainPPM = v
			continue
		}
		v, err := ParseQuantity(part, d)
		if err != nil || v <= 0 || v > 1_000_000_000 || a.Offset != 0 {
			f.r.addf(f.at[key], right, "%s: %q is not an accuracy", key, s)
			return drivers.Accuracy{}
		}
		a.Offset = v
	}
	return a
}

func readMonitor(f *fields) drivers.MonitorSpec {
	m := drivers.MonitorSpec{
		Cells:  int(f.count("cells", true, 1, 512)),
		Temps:  int(f.count("temperatures", true, 1, 512)),
		Period: drivers.Span(f.quantity("period", true, DimTime, span{1_000, 10_000_000})),
		Skew:   drivers.Span(f.quantity("skew", true, DimTime, zeroTime)),
		Window: drivers.Span(f.quantity("window", true, DimTime, zeroTime)),
	}
	m.Driver, m.Address = readDriver(f)
	c, step, a := channel(f, "cell", DimVoltage)
	m.CellStep, m.CellAccuracy = drivers.Microvolts(step), a
	c.finish()
	c, step, a = channel(f, "temperature", DimDifference)
	m.TempStep, m.TempAccuracy = drivers.Millikelvins(step), a
	c.finish()
	c, step, a = channel(f, "current", DimCurrent)
	m.CurrentStep, m.CurrentAcc = drivers.Microamps(step), a
	m.CurrentRange = drivers.Microamps(c.quantity("range", true, DimCurrent, anyCurrent))
	c.finish()
	if n := f.find("bleed"); n != nil {
		c := f.r.fields(n, "monitor.bleed")
		m.Bleed = drivers.Microohms(c.quantity("resistance", true, DimResistance, anyResistance))
		m.BleedNeighbours = c.yes("neighbours")
		m.BleedTimeout = drivers.Span(c.quantity("timeout", true, DimTime, anyTime))
		c.finish()
	}
	f.finish()
	return m
}

func readPower(f *fields) drivers.PowerSpec {
	p := drivers.PowerSpec{
		PowerMaxMW:  f.quantity("power_max", true, DimPower, anyPower),
		Delay:       drivers.Span(f.quantity("delay", true, DimTime, zeroTime)),
		Slew:        drivers.Microamps(f.quantity("slew", true, DimSlew, span{1, 1 << 50})),
		CommTimeout: drivers.Span(f.quantity("silence", false, DimTime, span{1_000, 60_000_000})),
	}
	p.Driver, p.Address = readDriver(f)
	c, step, a := channel(f, "voltage", DimVoltage)
	p.VoltageStep, p.VoltageAcc = drivers.Microvolts(step), a
	p.VoltageMax = drivers.Microvolts(c.quantity("max", true, DimVoltage, anyVoltage))
	c.finish()
	c, step, a = channel(f, "current", DimCurrent)
	p.CurrentStep, p.CurrentAcc = drivers.Microamps(step), a
	p.CurrentMax = drivers.Microamps(c.quantity("max", true, DimCurrent, anyCurrent))
	c.finish()
	f.finish()
	return p
}

func readMeter(f *fields) drivers.MeterSpec {
	m := drivers.MeterSpec{}
	m.Driver, m.Address = readDriver(f)
	m.VoltageStep = drivers.Microvolts(f.quantity("step", true, DimVoltage, anyStep))
	m.VoltageAcc = f.accuracy("accuracy", DimVoltage)
	f.finish()
	return m
}

func (b *Bench) check(r *report) {
	if b.Limits.CellMax != 0 && b.Limits.CellMin != 0 && b.Limits.CellMin >= b.Limits.CellMax {
		r.add(b.Limits.at["cell_min"], "cell_min is not under cell_max", "leave room to work between the two")
	}
	// INV-03, INV-04: current counts as gone under the opening current, so that
	// must be measurable above the sensors' errors.
	if zero := b.nearZero(); zero >= b.Box.OpeningCurrent {
		r.addf(b.at["box"], "declare an opening current over "+FormatQuantity(int64(zero), DimCurrent)+", or better sensors",
			"the current sensors cannot tell %s, the opening current, from none", FormatQuantity(int64(b.Box.OpeningCurrent), DimCurrent))
	}
	if b.Box.BreakingCurrent < b.Box.OpeningCurrent {
		r.add(b.at["box"], "opening.breaking is under opening.current", "give the contactors' breaking rating")
	}
	if _, err := b.Layout(); err != nil {
		r.add(b.at[""], err.Error(), "compare the file with a shipped bench")
	}
	// Without a frame period's worth of renewals a lease runs out in health.
	if least := 3 * b.Monitor.Period; b.Lease < least {
		r.addf(b.at["lease"], "at least "+FormatQuantity(int64(least), DimTime),
			"a lease of %s is under three frame periods", FormatQuantity(int64(b.Lease), DimTime))
	}
}
