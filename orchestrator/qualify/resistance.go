package qualify

import (
	"fmt"
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// Coefficient says how resistance changes with temperature: by PerKelvin of its
// value at 25 degC for each kelvin, known to plus or minus Within of it. The zero
// Coefficient corrects nothing.
type Coefficient struct{ PerKelvin, Within float64 }

func (c Coefficient) declared() bool { return c != Coefficient{} }

// spreadMax is how far sensors may lie apart where a coefficient corrects for
// it, K: further, the mean of the sensors is nobody's temperature (common
// practice, no source).
const spreadMax = 10.0

// order of directions in the figures: discharge first.
var directions = [...]bool{false, true}

// told says whether a time after the edge belongs into the figures.
func (p *pulses) told(d, k int) bool {
	r, at := &p.results[d][k], pulseTimes[k]
	if r.seen && r.reason == "" {
		return true
	}
	if at < p.least() {
		return false // no reading falls there; a remark says so
	}
	return pulseAsked(at) || at <= p.reach[d]
}

// least is the shortest time after an edge that the monitor's readings can show:
// no reading lies nearer than its period.
func (p *pulses) least() float64 { return 2 * p.period }

// remark tells the shortest time at which the monitor can show a resistance;
// empty where all can be.
func (p *pulses) remark() string {
	if !p.planned[0] && !p.planned[1] || pulseTimes[0] >= p.least() {
		return ""
	}
	for _, at := range pulseTimes {
		if at >= p.least() && p.skew <= at/10 {
			return fmt.Sprintf("with a reading every %.3g s, the shortest time of a resistance is %g s", p.period, at)
		}
	}
	return fmt.Sprintf("with a reading every %.3g s there is no resistance from pulses", p.period)
}

// figures of resistance: the module's, then the cells'.
func (p *pulses) figures(b *instruments) (module, cells []Figure) {
	for d, charging := range directions {
		if !p.planned[d] {
			continue
		}
		for k, at := range pulseTimes {
			if !p.told(d, k) {
				continue
			}
			r := &p.results[d][k]
			name, cellName := ResistanceName(true, at, charging), ResistanceName(false, at, charging)
			if !r.seen || r.reason != "" {
				why := "no such pulse was seen"
				if r.seen {
					why = r.label + ": " + r.reason
				}
				module = append(module, unproven(name, "mOhm", why))
				if !pulseAsked(at) {
					continue // what nobody can read of the module, nobody reads of its cells
				}
				for c := range p.scan.cells {
					f := unproven(cellName, "mOhm", why)
					f.Cell = c + 1
					cells = append(cells, f)
				}
				continue
			}
			module = append(module, p.module(b, r, name, p.counted[d]))
			for c := range r.cells {
				cells = append(cells, p.cell(b, r, cellName, c))
			}
		}
	}
	if r := p.reference(); r != nil {
		module = append(module, p.spread(b, r))
		excess, each := p.joints(b)
		module, cells = append(module, excess), append(cells, each...)
	}
	return append(module, p.powers(b)...), cells
}

// conditions says why a result does not compare with others, empty where it
// does: at its temperature, or corrected to 25 degC.
func (r *resist) conditions(c Coefficient) string {
	switch {
	case r.flaw != "":
		return r.label + ": " + r.flaw
	case math.IsNaN(r.temp):
		return "no temperature was read at the pulse"
	case r.spread > pulseSpread && !c.declared():
		return fmt.Sprintf("sensors %.1f K apart at the pulse, over %.0f K", r.spread, pulseSpread)
	case r.spread > spreadMax:
		return fmt.Sprintf("sensors %.1f K apart at the pulse, over %.0f K: too far for a correction", r.spread, spreadMax)
	case math.Abs(r.temp-pulseTemp) > pulseTempTol && !c.declared():
		return fmt.Sprintf("measured at %.1f degC; comparable at %.0f +/- %.0f degC", r.temp, pulseTemp, pulseTempTol)
	}
	return ""
}

// ohms is dV/dI in mOhm, corrected to 25 degC where a coefficient is declared.
// Both edges share gain and offset: the offset cancels. Each reading adds its
// noise, at least that of its step.
func (r *resist) ohms(b *instruments, dv float64, gain *gum.Input, noise, step float64, late lateness) gum.Value {
	x := dv / r.di * 1000
	v := gum.Exact(x).With(b.shuntGain, -x).With(gain, x).
		With(gum.Rectangular("time of the edge", r.late), r.drift*x).
		With(gum.Rectangular("skew", late.within), r.drift*x).
		With(gum.Rectangular("current step", b.scan.mul[b.scan.current]/2*math.Sqrt2), -x/r.di)
	if floor := step / math.Sqrt(12); noise <= floor {
		v = v.With(gum.Rectangular("reading step", step/2*math.Sqrt2), 1000/r.di)
	} else {
		v = v.With(gum.Normal("noise", noise*r.twice(), r.dof), 1000/r.di)
	}
	return r.correct(b, v)
}

// twice is the noise of a difference relative to one reading's: of one before the
// edge, and of what lies between two after it.
func (r *resist) twice() float64 {
	if r.blend == 0 {
		return math.Sqrt2
	}
	return math.Hypot(1, r.blend)
}

// correct brings a resistance to 25 degC: R = R25*(1 + a*(T - 25)). The sensors'
// declared error and half of what they lie apart are the temperature's.
func (r *resist) correct(b *instruments, v gum.Value) gum.Value {
	c := b.coefficient
	if !c.declared() || math.IsNaN(r.temp) {
		return v
	}
	dt := r.temp - pulseTemp
	by := 1 + c.PerKelvin*dt
	if by < 0.1 {
		return v // a coefficient that leaves nothing corrects nothing; see conditions
	}
	x := v.X() / by
	gain, offset := b.scan.accuracy(b.scan.layout.Temp(0))
	return gum.Scale(1/by, v).With(b.perKelvin, -x*dt/by).
		With(gum.Rectangular("temperature", gain*(r.temp+273.15)+offset), -x*c.PerKelvin/by).
		With(gum.Rectangular("temperatures within the module", r.spread/2), -x*c.PerKelvin/by)
}

// at tells where a resistance was measured and what it was corrected to.
func (r *resist) at(f Figure, c Coefficient) Figure {
	if math.IsNaN(r.temp) {
		return f
	}
	t := r.temp
	if c.declared() {
		t = pulseTemp
		f.Detail += fmt.Sprintf("; corrected to %.0f degC", pulseTemp)
	}
	f.Temperature = &t
	return f
}

func (p *pulses) module(b *instruments, r *resist, name string, pulses int) Figure {
	if !r.dvOK {
		return unproven(name, "mOhm", r.label+": the meter did not measure at that time")
	}
	v := r.ohms(b, r.dv, b.meterGain, r.meter, b.scan.mul[b.scan.voltage], r.volts)
	f := figure(name, "mOhm", v).because(r.conditions(b.coefficient)).
		with(fmt.Sprintf("%s, %.3g A at %.1f degC; the latest of %d pulses", r.label, math.Abs(r.di), r.temp, pulses))
	return r.at(f, b.coefficient)
}

func (p *pulses) cell(b *instruments, r *resist, name string, c int) Figure {
	f := unproven(name, "mOhm", "no reading of the cell at that time")
	if !math.IsNaN(r.cells[c]) {
		f = figure(name, "mOhm", r.cellOhms(b, c)).because(r.conditions(b.coefficient))
		f = r.at(f, b.coefficient)
		f.Budget, f.Detail = nil, ""
	}
	f.Cell = c + 1
	return f
}

// cellOhms is one cell's resistance in mOhm.
func (r *resist) cellOhms(b *instruments, c int) gum.Value {
	return r.ohms(b, r.cells[c], b.cellGain(c), r.noise[c], b.scan.mul[c], r.taps)
}

// reference is the result by which cells are compared: the longest time of a
// discharge, else of a charge; nil for none.
func (p *pulses) reference() *resist {
	for d := range p.results {
		for k := len(pulseTimes) - 1; k >= 0; k-- {
			if r := &p.results[d][k]; r.seen && r.reason == "" {
				return r
			}
		}
	}
	return nil
}

func (p *pulses) spread(b *instruments, r *resist) Figure {
	var x []float64
	for _, dv := range r.cells {
		if !math.IsNaN(dv) {
			x = append(x, dv/r.di)
		}
	}
	median := sample.Median(x)
	if len(x) < len(r.cells) || len(x) == 0 || median <= 0 {
		return unproven(ResistanceSpread, "%", "not every cell's resistance was measured")
	}
	lo, hi := slices.Index(x, slices.Min(x)), slices.Index(x, slices.Max(x))
	noise := math.Hypot(max(r.noise[lo], p.scan.mul[lo]/math.Sqrt(12)), max(r.noise[hi], p.scan.mul[hi]/math.Sqrt(12)))
	v := gum.New(100*(x[hi]-x[lo])/median, gum.Normal("noise", 100*noise*r.twice()/math.Abs(r.di)/median, r.dof)).
		With(b.cellGain(lo), 100*x[lo]/median).With(b.cellGain(hi), 100*x[hi]/median)
	return figure(ResistanceSpread, "%", v).because(r.conditions(b.coefficient)).
		with(fmt.Sprintf("cell %d highest, cell %d lowest; of the median %.4g mOhm", hi+1, lo+1, median*1000))
}
