package qualify

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// hiss is the noise of each tap and of the meter at rest, from the second differences
// of readings that follow each other. A slow relaxation leaves first differences
// alone (J. von Neumann 1941, from memory); second ones also a fast one, which within
// seconds of a pulse moves a tap by more than its noise.
type hiss struct {
	scan          *scanner
	box           int
	before, older []int32
	squares       []float64 // counts^2, of x - 2y + z: six times a reading's variance
	triples       int64
	run           int // readings that follow each other
	mul           []float64
	meter         hissed
}

// hissed is the meter's: it may measure less often than the monitor.
type hissed struct {
	before, older, beat int32
	square              float64
	triples             int64
	run                 int
}

func (h *hiss) init(s *scanner) {
	h.scan, h.box = s, -1
	h.before, h.older = make([]int32, s.cells), make([]int32, s.cells)
	h.squares, h.mul = make([]float64, s.cells), s.mul
	if s.width > 0 {
		h.box = s.layout.Find(drivers.BoxState)
	}
}

// frame takes a frame of a rest; fresh says that the one before was of it too.
func (h *hiss) frame(counts []int32, fresh bool) {
	if !fresh {
		h.run, h.meter.run = 0, 0
	}
	for k := range h.before {
		if counts[k] == drivers.NoReading {
			h.run = 0
			return
		}
	}
	if h.run >= 2 {
		for k, was := range h.before {
			d := float64(counts[k]) - 2*float64(was) + float64(h.older[k])
			h.squares[k] += d * d
		}
		h.triples++
	}
	h.before, h.older = h.older, h.before
	copy(h.before, counts)
	h.run++
	if h.scan != nil && h.scan.voltage >= 0 {
		h.meter.frame(h.scan, counts)
	}
}

func (m *hissed) frame(s *scanner, counts []int32) {
	v := counts[s.voltage]
	if v == drivers.NoReading {
		m.run = 0
		return
	}
	if s.meterBeat >= 0 {
		if m.run > 0 && counts[s.meterBeat] == m.beat {
			return // it has not measured since
		}
		m.beat = counts[s.meterBeat]
	}
	if m.run >= 2 {
		d := float64(v) - 2*float64(m.before) + float64(m.older)
		m.square += d * d
		m.triples++
	}
	m.before, m.older = v, m.before
	m.run++
}

// deviation is the standard deviation of one reading in counts. One that never moves
// is no quieter than its step.
func deviation(square float64, triples int64) float64 {
	return max(math.Sqrt(square/float64(6*triples)), 1/math.Sqrt(12))
}

// noise replaces what a pulse's few readings before its edge tell of noise, where the
// rests until then tell more.
func (h *hiss) noise(p *pulses) {
	if h.meter.triples >= noisyPairs {
		if meter, dof, ok := h.tell(p.noise, noisyPairs); ok {
			p.meter, p.dof = meter, dof
		}
	}
}

// tell gives the standard deviations of a reading of each tap and of the meter, V, with
// their degrees of freedom, where there are enough readings; without a meter its own is 0.
func (h *hiss) tell(noise []float64, least int64) (meter, dof float64, ok bool) {
	if h.triples < least || h.triples == 0 {
		return 0, 0, false
	}
	for c := range noise {
		noise[c] = deviation(h.squares[c], h.triples) * h.mul[c]
	}
	n := h.triples
	if h.meter.triples > 0 {
		meter = deviation(h.meter.square, h.meter.triples) * h.mul[h.scan.voltage]
		n = min(n, h.meter.triples)
	}
	// Half of the triples count, since those that follow each other are correlated by
	// -2/3 and 1/6.
	return meter, float64(n) / 2, true
}

// compared holds the logarithms of the taps' noise against each other.
func (h *hiss) compared() []comparison {
	if h.triples < noisyPairs {
		return nil
	}
	c := comparison{figure: TapNoise, what: "noise", unit: "ln(mV)", high: "a loose sense wire"}
	for k, sum := range h.squares {
		c.x = append(c.x, math.Log(deviation(sum, h.triples)*h.mul[k]*1000))
		c.noise = append(c.noise, math.Log(noisyRatio))
	}
	return []comparison{c}
}
