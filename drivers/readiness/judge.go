package readiness

import (
	"context"
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// settle enters what watching gave for people, and says whether the readings
// can be judged at all.
func (c *checker) settle(name string, l *look) bool {
	in := c.instrument(name)
	if !c.trusted[name] {
		return false
	}
	in.Readings, in.Age = l.fresh, l.age
	switch {
	case l.err != nil:
		c.wrong(name, "reading: "+l.err.Error(), "see its cable and settings, and the file that says how it speaks")
		return false
	case l.fresh == 0:
		c.wrong(name, fmt.Sprintf("nothing new came from it in %v", c.report.Watched), "an instrument that measures all the time")
		return false
	case l.age > stalePeriods*c.bench.Monitor.Period:
		c.wrong(name, fmt.Sprintf("nothing new came from it in the last %v", l.age), fmt.Sprintf("an instrument that measures every %v at least, as a run demands", stalePeriods*c.bench.Monitor.Period))
		return false
	}
	return true
}

func (c *checker) judgeMonitor() {
	l, spec := &c.monitor, &c.bench.Monitor
	if !c.settle("monitor", &l.look) {
		return
	}
	if missing := silent(l.cells); len(missing) > 0 {
		c.wrong("monitor", fmt.Sprintf("no reading of cell %s", numbers(missing)), "see those taps and their connector, and the map of its channels")
	}
	if missing := silent(l.temps); len(missing) > 0 {
		c.wrong("monitor", fmt.Sprintf("no reading of temperature %s", numbers(missing)), "see those sensors, open or shorted, and the map of its channels")
	}
	if !l.current {
		c.wrong("monitor", "no reading of its current", "see its shunt and the map of its channels")
	}
	// One reading may fall between two looks.
	if l.fresh < watchPeriods/2 {
		c.wrong("monitor", fmt.Sprintf("%d new readings in %v", l.fresh, c.report.Watched),
			fmt.Sprintf("one every %v, as the bench file says", spec.Period))
	}
	for k, w := range l.reading.Bleeding {
		if w != 0 {
			c.wrong("monitor", fmt.Sprintf("cells bleed (word %d is %#x)", k+1, w), "nothing bleeds before a run")
		}
	}
	c.instrument("monitor").Reads = c.describeMonitor()
	c.still("monitor", l.reading.Current, int64(spec.CurrentStep), spec.CurrentAcc)
}

func (c *checker) describeMonitor() string {
	l, spec := &c.monitor, &c.bench.Monitor
	var parts []string
	if lo, hi, n := extremes(l.reading.Cells); n > 0 {
		parts = append(parts, fmt.Sprintf("cells %v to %v", drivers.Microvolts(lo)*spec.CellStep, drivers.Microvolts(hi)*spec.CellStep))
	}
	if lo, hi, n := extremes(l.reading.Temps); n > 0 {
		parts = append(parts, fmt.Sprintf("%s to %s degC", celsius(drivers.Millikelvins(lo)*spec.TempStep), celsius(drivers.Millikelvins(hi)*spec.TempStep)))
	}
	if l.reading.Current != drivers.NoReading {
		parts = append(parts, (drivers.Microamps(l.reading.Current) * spec.CurrentStep).String())
	}
	return strings.Join(parts, ", ")
}

// still demands that a sensor sees no current: nothing is on.
func (c *checker) still(name string, count int32, step int64, a drivers.Accuracy) {
	if count == drivers.NoReading {
		return
	}
	value := int64(count) * step
	if most := a.At(0) + step; value > most || value < -most {
		c.wrong(name, fmt.Sprintf("its current reads %v with everything off", drivers.Microamps(value)),
			fmt.Sprintf("within %v of none: find what flows, or have the sensor's zero set", drivers.Microamps(most)))
	}
}

// judgeMeter compares the independent voltmeter with the sum of the taps: the
// one check on the spot that tells a wrong tap order, sign or scale (INV-09).
func (c *checker) judgeMeter() {
	l, spec := &c.meter, &c.bench.Meter
	if !c.settle("meter", l) {
		return
	}
	if l.reading.Voltage == drivers.NoReading {
		c.wrong("meter", "it answers but gives no voltage", "see its leads, range and settings")
		return
	}
	uv := drivers.Microvolts(l.reading.Voltage) * spec.VoltageStep
	c.instrument("meter").Reads = uv.String()
	if uv < 0 {
		c.wrong("meter", fmt.Sprintf("it reads %v", uv), "exchange its leads: positive to the article's positive terminal (if they are right, the article is reversed: stop)")
		return
	}
	cells := c.monitor.reading.Cells
	if !c.monitor.ever || len(cells) != c.bench.Monitor.Cells || len(silent(c.monitor.cells)) > 0 {
		return
	}
	m := &c.bench.Monitor
	var sum drivers.Microvolts
	most := spec.VoltageAcc.At(int64(uv)) + int64(spec.VoltageStep)
	for _, n := range cells {
		if n == drivers.NoReading {
			return
		}
		v := drivers.Microvolts(n) * m.CellStep
		sum += v
		most += m.CellAccuracy.At(int64(v)) + int64(m.CellStep)
	}
	if d := int64(sum - uv); d > most || d < -most {
		c.wrong("meter", fmt.Sprintf("it reads %v, the taps add up to %v", uv, sum),
			fmt.Sprintf("within %v of each other, by the declared accuracies: a missing, doubled or reversed tap, a wrong scale, or the meter on another article", drivers.Microvolts(most)))
	}
}

func (c *checker) judgeBox() {
	l, spec := &c.box, &c.bench.Box
	if !c.settle("box", &l.look) {
		return
	}
	r := &l.reading
	in := c.instrument("box")
	closed := drivers.Contactors(r.State) & (drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive)
	in.Reads = "contactors open"
	if closed != 0 {
		in.Reads = "contactors closed: " + contactors(closed)
		c.wrong("box", "contactors are closed: "+contactors(closed), "open them; if nothing commands them they may be welded")
	}
	if r.Link == drivers.NoReading {
		c.wrong("box", "no reading of the link's voltage", "see its measuring leads and the map of its registers")
	} else {
		in.Reads += ", link " + (drivers.Microvolts(r.Link) * spec.LinkStep).String()
	}
	if r.State&drivers.BoxEmergencyStop != 0 {
		c.wrong("box", "the emergency stop is pressed", "find out why before anybody releases it")
	}
	if spec.CurrentStep > 0 {
		if r.Current == drivers.NoReading {
			c.wrong("box", "no reading of its current", "see its sensor and the map of its registers")
		} else {
			in.Reads += ", " + (drivers.Microamps(r.Current) * spec.CurrentStep).String()
			c.still("box", r.Current, int64(spec.CurrentStep), spec.CurrentAcc)
		}
	}
}

func (c *checker) judgePower(ctx context.Context, name string) {
	l, spec, p := &c.supply, &c.bench.Supply, c.set.Supply
	if name == "load" {
		l, spec, p = &c.load, &c.bench.Load, c.set.Load
	}
	if !c.settle(name, l) {
		return
	}
	r := &l.reading
	in := c.instrument(name)
	if r.Voltage == drivers.NoReading || r.Current == drivers.NoReading {
		c.wrong(name, "it answers but a reading is missing", "see its settings and the file that says how it speaks")
		return
	}
	in.Reads = fmt.Sprintf("%v, %v, %s", drivers.Microvolts(r.Voltage)*spec.VoltageStep, drivers.Microamps(r.Current)*spec.CurrentStep, power(r.State))
	off := r.State&drivers.PowerOn == 0
	if !off {
		c.wrong(name, "its output is on", "switch it off at the instrument and find out who switched it on")
	}
	if r.State&drivers.PowerFault != 0 {
		c.wrong(name, "it reports a fault", "clear it at the instrument")
	}
	if r.State&drivers.PowerTripped != 0 {
		c.advise(name, "one of its own limits has tripped before", "find out why; setting the limits anew clears it")
	}
	c.still(name, r.Current, int64(spec.CurrentStep), spec.CurrentAcc)
	if off && c.open() {
		c.arm(ctx, name, p, spec)
	}
}

// open says that every contactor is measured open.
func (c *checker) open() bool {
	return c.box.err == nil && c.box.fresh > 0 && c.box.age <= stalePeriods*c.bench.Monitor.Period && drivers.Contactors(c.box.reading.State)&(drivers.BoxNegative|drivers.BoxPrecharge|drivers.BoxPositive) == 0
}

// arm sets the instrument's own limits to its full ranges and compares what it
// reads back. Its output stays off.
func (c *checker) arm(ctx context.Context, name string, p drivers.Power, spec *drivers.PowerSpec) {
	want := drivers.Protection{VoltageMax: spec.VoltageMax, CurrentMax: spec.CurrentMax, CommTimeout: spec.CommTimeout}
	var got drivers.Protection
	err := c.call(ctx, func(ctx context.Context) (err error) {
		got, err = p.Arm(ctx, want)
		return err
	})
	if err != nil {
		c.wrong(name, "its own limits cannot be armed: "+err.Error(), "an instrument that guards voltage and current by itself, and a file that says how")
		return
	}
	c.instrument(name).Armed = &got
	low := func(what string, got, want, step int64) {
		if got > want || got < want-step {
			c.wrong(name, fmt.Sprintf("its own %s limit reads back as %d, set to %d", what, got, want), "the value that was set, within a step; see its range and the file that says how it speaks")
		}
	}
	low("voltage (uV)", int64(got.VoltageMax), int64(want.VoltageMax), int64(spec.VoltageStep))
	low("current (uA)", int64(got.CurrentMax), int64(want.CurrentMax), int64(spec.CurrentStep))
	switch {
	case want.CommTimeout > 0 && (got.CommTimeout <= 0 || got.CommTimeout > want.CommTimeout):
		c.wrong(name, fmt.Sprintf("its limit on silence reads back as %v, set to %v", got.CommTimeout, want.CommTimeout), "a value that is in force, and not above it")
	case want.CommTimeout == 0 && c.bench.Box.Heartbeat == 0:
		c.wrong(name, "nothing takes its output off when the program that commands it dies: it has no limit on silence, and the box needs no heartbeat", "one of the two; without it runs must be attended")
	}
}
