package profiles

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Thermometers is a temperature module beside the cell monitor. What it reads
// takes the place of some or all of the monitor's temperatures: the program that
// opens the drivers puts it into the monitor's readings, so that frames, limits
// and the record know one row of temperatures. The monitor's declared step and
// accuracy count for these too.
type Thermometers struct {
	drivers.Wire
	// Sensors are the temperatures of the bench that it reads, from 0; the first
	// is "temperature 1" of its register map, and so on.
	Sensors []int
	// Period is the time between its readings: a reading that is older than
	// MaxAge is drivers.NoReading (INV-02).
	Period drivers.Span
}

// MaxAge is how old a reading may be: as for the monitor's frames, five periods.
func (t *Thermometers) MaxAge() drivers.Span { return 5 * t.Period }

// Insulation is an insulation monitor that can be read, under the name
// "insulation" of its register map. It is read before a
// bench is armed, and by a check of the bench; it takes nothing off by itself,
// which the protection of that name must (INV-12).
type Insulation struct {
	drivers.Wire
	// Least is the least resistance to ground, in mOhm for each volt of the
	// article. An insulation monitor tells both sides' leakage in parallel, which
	// is never more than the smaller of the two that UN R100 limits.
	Least int64
}

// Needs returns the least resistance for an article of the given voltage.
func (i *Insulation) Needs(v drivers.Microvolts) drivers.Microohms {
	return drivers.Microohms(mulDivUp(i.Least*1000, int64(v), int64(drivers.Volt)))
}

// MonitorTemps is how many temperatures the cell monitor itself reads: those of
// the bench without the thermometers'.
func (b *Bench) MonitorTemps() int {
	if b.Thermometers == nil {
		return b.Monitor.Temps
	}
	return b.Monitor.Temps - len(b.Thermometers.Sensors)
}

// leastOhm is what UN R100 demands of a d.c. circuit of 60 V and more, in mOhm
// per volt of working voltage; where a.c. is connected to it, five times that
// (ISO 6469-3 and -4 say the same; as quoted in clause collections).
const leastOhm = 100_000

func (b *Bench) readThermometers(f *tree.Fields) {
	const right = "list which of the bench's temperatures its own first, second and so on are, such as [5, 6]"
	t := &Thermometers{Period: drivers.Span(f.Quantity("period", true, DimTime, tree.Within(1_000, 60_000_000)))}
	t.Wire = readWire(f)
	last := int64(b.Monitor.Temps)
	if last == 0 {
		last = 512 // refused already; say nothing more about it
	}
	seen := map[int64]bool{}
	for _, item := range f.List("sensors", f.Need("sensors", right), right) {
		n := f.CountOf("sensors", item, 1, last)
		if n == 0 {
			continue
		}
		if seen[n] {
			f.Report.Addf(item.At, "name each once", "temperature %d is read twice", n)
		}
		seen[n] = true
		t.Sensors = append(t.Sensors, int(n-1))
	}
	f.Finish()
	b.Thermometers = t
}

func (b *Bench) readInsulation(f *tree.Fields) {
	i := &Insulation{Least: f.Quantity("at_least", true, DimInsulation, tree.Within(1, 1_000_000_000))}
	i.Wire = readWire(f)
	if i.Least > 0 && i.Least < leastOhm {
		f.Report.Addf(f.At["at_least"], fmt.Sprintf("at least %s, or 500 Ohm/V where a.c. is connected (UN R100)", FormatQuantity(leastOhm, DimInsulation)),
			"%s is less than any regulation allows", FormatQuantity(i.Least, DimInsulation))
	}
	f.Finish()
	b.Insulation = i
}
