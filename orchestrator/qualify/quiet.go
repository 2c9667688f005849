package qualify

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// quiet estimates the noise of one reading from the successive differences of
// the frames before the edge, which slow relaxation hardly enters, and notes
// the temperatures.
func (p *pulses) quiet(a *Analyser) {
	clear(p.noise)
	p.meter, p.dof = 0, 0
	s := p.scan
	n := 0.0
	for k := 1; k+1 < a.ring.len(); k++ {
		row, older := a.ring.row(k), a.ring.row(k+1)
		if older[s.current] == drivers.NoReading || row[s.current] == drivers.NoReading {
			continue
		}
		if math.Abs(s.value(s.current, older[s.current])-p.pre.i) > edgeLow*math.Abs(p.want) {
			break
		}
		if p.stirred(row) || p.stirred(older) || p.box >= 0 && row[p.box] != older[p.box] {
			continue // closing on to a link moves the voltages, which is no noise
		}
		for c := range p.noise {
			if row[c] != drivers.NoReading && older[c] != drivers.NoReading {
				d := s.mul[c] * float64(row[c]-older[c])
				p.noise[c] += d * d
			}
		}
		if v := s.voltage; v >= 0 && row[v] != drivers.NoReading && older[v] != drivers.NoReading {
			d := s.mul[v] * float64(row[v]-older[v])
			p.meter += d * d
		}
		n++
	}
	if n > 0 {
		for c := range p.noise {
			p.noise[c] = math.Sqrt(p.noise[c] / (2 * n))
		}
		// The degrees of freedom of a mean square successive difference.
		p.meter, p.dof = math.Sqrt(p.meter/(2*n)), 2*n/3
	}
	a.hiss.noise(p)
	p.temp, p.gapK = temperatures(s, a.ring.row(0))
}

// stirred says that a current flowed that is none of a pulse.
func (p *pulses) stirred(counts []int32) bool {
	return math.Abs(p.scan.value(p.scan.current, counts[p.scan.current])-p.pre.i) > p.still
}

// unblend takes what was before the edge from the frame before where taps or meter,
// read later than the shunt's averaging, may have seen the edge already.
func (p *pulses) unblend() {
	foot := p.t0 - p.late - p.rise/2
	if p.ramp.ramp > 0 {
		foot = p.t0 - p.late - p.ramp.ramp/2
	}
	if !p.isOlder {
		return
	}
	if foot < p.volts.by+p.volts.within && p.older.vOK {
		p.pre.v = p.older.v
	}
	if foot < p.taps.by+p.taps.within {
		copy(p.pre.cells, p.older.cells)
	}
}
