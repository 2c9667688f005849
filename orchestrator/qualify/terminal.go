package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// terminals tell what the module's resistance has over the sum of its cells': what
// no tap sees. Constant in time, it is the mean over the times of the pulses of
// both directions; readings at several times of one pulse share the reading before
// its edge, so that its noise does not average out over them. Meter and shunt
// gains are those of one instrument; each tap has its own.
func (p *pulses) terminals(b *instruments) []Figure {
	var values []gum.Value
	pulses := 0
	why := ""
	for d := range p.results {
		var own []*resist
		for k := range p.results[d] {
			if r := &p.results[d][k]; r.seen && r.reason == "" && r.flaw == "" && r.dvOK {
				own = append(own, r)
			} else if r.seen && r.flaw != "" {
				why = r.flaw
			}
		}
		if len(own) == 0 {
			continue
		}
		pulses++
		before := gum.Normal("noise before the pulse", p.terminalNoise(own[0]), own[0].dof)
		for _, r := range own {
			v, ok := p.terminal(b, r)
			if !ok {
				return []Figure{unproven(TerminalResistance, "mOhm", r.label+": a cell gave no reading")}
			}
			values = append(values, v.With(before, 1).With(gum.Normal("noise in the pulse", p.terminalNoise(r), r.dof), 1))
		}
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
	return []Figure{f.with(fmt.Sprintf("beyond the taps; %d times of %d pulses", len(values), pulses))}
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
	v = gum.Add(gum.Exact(whole-sum), v).With(b.meterGain, whole).With(b.shuntGain, -(whole - sum))
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
