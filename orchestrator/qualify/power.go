package qualify

import (
	"fmt"
	"math"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// PowerName names the pulse power capability in W at the end of a pulse of the
// given length: pulse_power_10s, pulse_power_10s_charge.
func PowerName(after float64, charging bool) string {
	return "pulse_power" + strings.TrimPrefix(ResistanceName(false, after, charging), "resistance")
}

// powers are the module's pulse power capabilities: the power at which the first
// cell reaches its limit at the end of a pulse. For one cell these are
// P = Vmin*(OCV-Vmin)/R and P = Vmax*(Vmax-OCV)/R (INL/EXT-15-34184, as quoted;
// the charging one from memory). Where the limit is far, it extrapolates, and
// says to which current.
func (p *pulses) powers(b *instruments) []Figure {
	var out []Figure
	for d, charging := range directions {
		if !p.planned[d] || p.edge[d] <= 0 {
			continue
		}
		for k := len(pulseTimes) - 1; k >= 0; k-- {
			if r := &p.results[d][k]; r.seen && r.reason == "" {
				limit := limits{volts: p.edge[d], amps: p.most[d], charging: charging}
				out = append(out, p.power(b, r, p.rested(r, 1-d), PowerName(pulseTimes[k], charging), limit))
				break
			}
		}
	}
	return out
}

// soon is how short after a pulse the other way a cell is still displaced by it.
const soon = 5 * drivers.Minute

// rested are the cells' open-circuit voltages for a pulse: those before it, or
// before the pulse the other way that came just before it. That one left the cells
// on the far side of their open-circuit voltage, which flatters the power.
func (p *pulses) rested(r *resist, other int) []float64 {
	for k := range pulseTimes {
		if o := &p.results[other][k]; o.seen && o.reason == "" && o.when < r.when && r.when.Sub(o.when) <= soon {
			return o.rest
		}
	}
	return r.rest
}

// limits are where a pulse may go.
type limits struct {
	volts, amps float64
	charging    bool
}

func (p *pulses) power(b *instruments, r *resist, rest []float64, name string, l limits) Figure {
	sign, limit, most := -1.0, l.volts, l.amps
	if l.charging {
		sign = 1
	}
	cell, amps := -1, math.Inf(1)
	open, ohms := 0.0, 0.0
	for c, dv := range r.cells {
		x := dv / r.di
		if math.IsNaN(x) || math.IsNaN(rest[c]) || x <= 0 {
			return unproven(name, "W", fmt.Sprintf("cell %d has no resistance", c+1))
		}
		if i := sign * (limit - rest[c]) / x; i < amps {
			cell, amps = c, i
		}
		open, ohms = open+rest[c], ohms+x
	}
	if cell < 0 || amps <= 0 {
		return unproven(name, "W", fmt.Sprintf("cell %d stands beyond the limit of %.3g V before the pulse", cell+1, limit))
	}
	// Taps against resistances: the limiting cell decides the current, the sum
	// the voltage.
	head := gum.Scale(sign, gum.Sub(gum.Exact(limit), b.tap(cell, rest[cell])))
	i := gum.Div(head, gum.Scale(1e-3, r.cellOhms(b, cell)))
	v := gum.Add(gum.Exact(open), gum.Scale(sign*ohms, i))
	f := figure(name, "W", gum.Mul(i, v)).because(r.conditions(b.coefficient))
	f.Detail = fmt.Sprintf("cell %d reaches %.4g V at %.3g A", cell+1, limit, i.X())
	if used := math.Abs(r.di); i.X() > 1.25*used || most > 0 && i.X() > most {
		f.Detail += fmt.Sprintf("; extrapolated from %.3g A", used)
		if most > 0 && i.X() > most {
			f.Detail += fmt.Sprintf(", over the limit of %.3g A", most)
		}
	}
	return r.at(f, b.coefficient)
}
