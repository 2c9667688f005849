package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// thermal keeps the extremes of the temperature sensors.
type thermal struct {
	seen, spreadSeen bool
	max              float64 // K
	maxAt            int
	coldK, hotK      float64 // of the frame with the greatest spread
	cold, hot        int
	start            []float64 // K, each sensor's first reading; 0 before it
	before           []float64 // K, each sensor's latest reading; 0 before the first
	squares          []float64 // K^2, of the differences of readings that follow each other
	pairs            []int64   // how many of those
	rise             float64
	riseAt           int
	reason           string
	missing          int64
}

func (t *thermal) init(s *scanner) {
	t.max = math.Inf(-1)
	t.start, t.before = make([]float64, s.temps), make([]float64, s.temps)
	t.squares, t.pairs = make([]float64, s.temps), make([]int64, s.temps)
}

// frame looks at all sensors; the spread counts while current flows.
func (t *thermal) frame(s *scanner, counts []int32, flows bool) {
	lo, hi, cold, hot := math.Inf(1), math.Inf(-1), 0, 0
	for i := range s.temps {
		c := counts[s.cells+i]
		if c == drivers.NoReading {
			t.missing++
			continue
		}
		v := s.value(s.cells+i, c)
		if t.start[i] == 0 {
			t.start[i] = v
		} else {
			d := v - t.before[i]
			t.squares[i] += d * d
			t.pairs[i]++
		}
		t.before[i] = v
		if v-t.start[i] > t.rise {
			t.rise, t.riseAt = v-t.start[i], i
		}
		if v < lo {
			lo, cold = v, i
		}
		if v > hi {
			hi, hot = v, i
		}
	}
	if hi < lo {
		return
	}
	t.seen = true
	if hi > t.max {
		t.max, t.maxAt = hi, hot
	}
	if flows && (!t.spreadSeen || hi-lo > t.hotK-t.coldK) {
		t.spreadSeen, t.hotK, t.coldK, t.cold, t.hot = true, hi, lo, cold, hot
	}
}

func (t *thermal) close(r *run) {
	if why := r.reason(); why != "" && t.reason == "" {
		t.reason = r.spec.Label + ": " + why
	}
}

func (t *thermal) figures(b *instruments) []Figure {
	if !t.seen || b.scan.temps == 0 {
		why := "no temperature was read"
		return []Figure{unproven(TemperatureMax, "degC", why), unproven(TemperatureRise, "K", why), unproven(TemperatureSpread, "K", why)}
	}
	reason := t.reason
	if t.missing > 0 && reason == "" {
		reason = fmt.Sprintf("%d temperature readings are missing", t.missing)
	}
	sensor := func(i int, kelvin float64) gum.Value {
		pos := b.scan.layout.Temp(i)
		gain, offset := b.scan.accuracy(pos)
		return gum.Exact(kelvin).With(gum.Rectangular("sensor gain", gain), kelvin).
			With(gum.Rectangular("sensor offset", offset), 1).
			With(gum.Rectangular("sensor step", b.scan.mul[pos]/2), 1)
	}
	hottest := gum.Sub(sensor(t.maxAt, t.max), gum.Exact(273.15))
	out := []Figure{figure(TemperatureMax, "degC", hottest).because(reason).with(fmt.Sprintf("sensor %d", t.maxAt+1))}
	// One sensor: its offset is the same before and after and cancels.
	pos := b.scan.layout.Temp(t.riseAt)
	gain, _ := b.scan.accuracy(pos)
	rise := gum.Exact(t.rise).With(gum.Rectangular("sensor gain", gain), t.rise).
		With(gum.Rectangular("sensor step", b.scan.mul[pos]/2*math.Sqrt2), 1)
	if n := t.pairs[t.riseAt]; n > 0 {
		// By the mean square successive difference, which a slow rise leaves alone
		// (J. von Neumann 1941, from memory); the first and the highest reading
		// have it each.
		rise = rise.With(gum.Normal("sensor noise", math.Sqrt(t.squares[t.riseAt]/float64(2*n)), float64(n)), math.Sqrt2)
	}
	out = append(out, figure(TemperatureRise, "K", rise).because(reason).
		with(fmt.Sprintf("sensor %d over its first reading", t.riseAt+1)))
	if !t.spreadSeen {
		return append(out, unproven(TemperatureSpread, "K", "no current flowed"))
	}
	v := gum.Sub(sensor(t.hot, t.hotK), sensor(t.cold, t.coldK))
	return append(out, figure(TemperatureSpread, "K", v).because(reason).
		with(fmt.Sprintf("sensor %d over sensor %d", t.hot+1, t.cold+1)))
}

// temperatures returns the mean in degC and the spread in K of a frame.
func temperatures(s *scanner, counts []int32) (mean, spread float64) {
	lo, hi, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0.0
	for i := range s.temps {
		if c := counts[s.cells+i]; c != drivers.NoReading {
			t := s.value(s.cells+i, c)
			lo, hi, sum, n = min(lo, t), max(hi, t), sum+t, n+1
		}
	}
	if n == 0 {
		return math.NaN(), math.NaN()
	}
	return sum/n - 273.15, hi - lo
}
