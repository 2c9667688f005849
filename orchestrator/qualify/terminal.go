package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// terminals tell what the module's resistance has over the sum of its cells': what
// no tap sees. It is constant in time, and so the mean over the pulses of both
// directions, each at its longest time: soon after the edge the cells' voltages
// still move so fast that meter and taps, which do not read at the same instant,
// differ by it. Meter and shunt gains are those of one instrument; each tap has its
// own.
func (p *pulses) terminals(b *instruments) []Figure {
	var values []gum.Value
	why := ""
	for d := range p.results {
		var r *resist
		for k := range p.results[d] {
			if x := &p.results[d][k]; x.seen && x.reason == "" && x.dvOK {
				r = x
			}
		}
		if r == nil {
			continue
		}
		if r.flaw != "" {
			why = r.flaw
		}
		v, ok := p.terminal(b, r)
		if !ok {
			return []Figure{unproven(TerminalResistance, "mOhm", r.label+": a cell gave no reading")}
		}
		values = append(values, v.With(gum.Normal("noise", p.terminalNoise(r)*r.twice(), r.dof), 1))
	}
	if len(values) == 0 {
		if !p.planned[0] && !p.planned[1] {
			return nil
		}
		if why == "" {
			why = "no pulse in which the meter measured"
		}
		return []Figure{unproven(TerminalResistance, "mOhm", why)}
	}
	f := figure(TerminalResistance, "mOhm", gum.Mean(values...)).because(why)
	return []Figure{f.with(fmt.Sprintf("beyond the taps, from %d pulses", len(values)))}
}

// terminal is the excess at one time, without noise.
func (p *pulses) terminal(b *instruments, r *resist) (gum.Value, bool) {
	sum := 0.0
	v := gum.Exact(0)
	for c, dv := range r.cells {
		x := dv / r.di * 1000
		sum += x
		if gain, _ := b.scan.accuracy(c); gain > 0 {
			v = v.With(b.cellGain(c), -x)
		}
	}
	whole := r.dv / r.di * 1000
	v = gum.Add(gum.Exact(whole-sum), v).With(b.meterGain, whole).With(b.shuntGain, -(whole-sum)).
		With(gum.Rectangular("skew", r.taps.within+r.volts.within), r.drift*whole)
	return v, !math.IsNaN(sum)
}

// terminalNoise is the standard deviation of one reading of the meter less the
// taps' sum, as mOhm.
func (p *pulses) terminalNoise(r *resist) float64 {
	step := p.scan.mul[p.scan.voltage] / math.Sqrt(12)
	sum := math.Pow(max(r.meter, step), 2)
	for c, n := range r.noise {
		sum += math.Pow(max(n, p.scan.mul[c]/math.Sqrt(12)), 2)
	}
	return math.Sqrt(sum) / math.Abs(r.di) * 1000
}
