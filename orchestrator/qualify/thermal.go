package qualify

import (
	"fmt"
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// thermalWindow is over how long readings are averaged before one is called the
// greatest: of a day's single readings the greatest is so by its noise.
const thermalWindow = 10 * drivers.Second

// thermal keeps the extremes of the temperature sensors' means.
type thermal struct {
	// The window under way.
	began   drivers.Instant
	sums    []float64
	n       int
	flowed  bool
	windows int

	start     []float64 // K, each sensor's first mean
	hottest   []float64 // K, all sensors' means when one was hottest
	apart     []float64 // K, when under current they had moved furthest apart
	moved     float64   // K, by how much then
	risen     []float64 // K, each sensor's greatest rise
	before    []float64 // K, each sensor's latest reading; 0 before the first
	squares   []float64 // K^2, of the differences of readings that follow each other
	pairs     int64
	perWindow int
	reason    string
	missing   int64
}

func (t *thermal) init(s *scanner) {
	t.sums, t.start, t.risen = make([]float64, s.temps), make([]float64, s.temps), make([]float64, s.temps)
	t.before, t.squares = make([]float64, s.temps), make([]float64, s.temps)
	t.hottest, t.apart = make([]float64, 0, s.temps), make([]float64, 0, s.temps)
}

// frame takes all sensors; their spread counts while current flows.
func (t *thermal) frame(s *scanner, at drivers.Instant, counts []int32, flows bool) {
	for i := range s.temps {
		if counts[s.cells+i] == drivers.NoReading {
			t.missing++
			return
		}
	}
	if t.n > 0 && at.Sub(t.began) >= thermalWindow {
		t.close()
	}
	if t.n == 0 {
		t.began, t.flowed = at, true
	}
	for i := range s.temps {
		v := s.value(s.cells+i, counts[s.cells+i])
		t.sums[i] += v
		if t.before[i] != 0 {
			d := v - t.before[i]
			t.squares[i] += d * d
		}
		t.before[i] = v
	}
	t.pairs++
	t.n++
	t.flowed = t.flowed && flows
}

// close ends a window.
func (t *thermal) close() {
	for i := range t.sums {
		t.sums[i] /= float64(t.n)
	}
	if t.windows == 0 {
		copy(t.start, t.sums)
		t.perWindow = t.n
	}
	if len(t.sums) > 0 {
		if len(t.hottest) == 0 || slices.Max(t.sums) > slices.Max(t.hottest) {
			t.hottest = append(t.hottest[:0], t.sums...)
		}
		// Looked for by what each sensor rose, in which its offset has no part: chosen
		// by the readings, the moment would be that in which errors add up.
		if moved := t.movedApart(); t.flowed && (len(t.apart) == 0 || moved > t.moved) {
			t.apart, t.moved = append(t.apart[:0], t.sums...), moved
		}
	}
	for i, v := range t.sums {
		t.risen[i] = max(t.risen[i], v-t.start[i])
	}
	clear(t.sums)
	t.n = 0
	t.windows++
}

func (t *thermal) movedApart() float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, v := range t.sums {
		lo, hi = min(lo, v-t.start[i]), max(hi, v-t.start[i])
	}
	return hi - lo
}

func apart(x []float64) float64 { return slices.Max(x) - slices.Min(x) }

func (t *thermal) ended(r *run) {
	if why := r.reason(); why != "" && t.reason == "" {
		t.reason = r.spec.Label + ": " + why
	}
}

func (t *thermal) figures(b *instruments) []Figure {
	if t.n > 0 && (t.windows == 0 || t.n > t.perWindow/2) {
		t.close() // what is left is a window where it is one's better half
	}
	if len(t.hottest) == 0 {
		why := "no temperature was read"
		return []Figure{unproven(TemperatureMax, "degC", why), unproven(TemperatureRise, "K", why), unproven(TemperatureSpread, "K", why)}
	}
	reason := t.reason
	if t.missing > 0 && reason == "" {
		reason = fmt.Sprintf("%d frames lack a temperature reading", t.missing)
	}
	hot := greatestOf(t.hottest, t.accuracies(b, t.hottest))
	hot.x -= 273.15
	out := []Figure{
		banded(TemperatureMax, "degC", hot).because(reason).with(fmt.Sprintf("sensor %d reads highest, %.1f degC over %.0f s",
			index(t.hottest, slices.Max(t.hottest))+1, slices.Max(t.hottest)-273.15, seconds(thermalWindow))),
		t.rise(b).because(reason),
	}
	if len(t.apart) == 0 {
		return append(out, unproven(TemperatureSpread, "K", "no current flowed"))
	}
	span := rangeOf(t.apart, t.accuracies(b, t.apart))
	return append(out, banded(TemperatureSpread, "K", span).because(reason).
		with(fmt.Sprintf("sensor %d reads %.1f K over sensor %d", index(t.apart, slices.Max(t.apart))+1, apart(t.apart), index(t.apart, slices.Min(t.apart))+1)))
}

func index(x []float64, v float64) int { return slices.Index(x, v) }

func (t *thermal) accuracies(b *instruments, kelvin []float64) []float64 {
	out := make([]float64, len(kelvin))
	for i := range out {
		gain, offset := b.scan.accuracy(b.scan.layout.Temp(i))
		out[i] = gain*kelvin[i] + offset
	}
	return out
}

// rise is the greatest rise of one sensor: its offset is the same before and after
// and cancels. Means of noisy readings are finer than their step where the noise
// reaches half of it; a quiet sensor is no finer than its step.
func (t *thermal) rise(b *instruments) Figure {
	at := index(t.risen, slices.Max(t.risen))
	pos := b.scan.layout.Temp(at)
	gain, _ := b.scan.accuracy(pos)
	v := gum.Exact(t.risen[at]).With(gum.Rectangular("sensor gain", gain), t.risen[at])
	step := b.scan.mul[pos]
	noise := 0.0
	if t.pairs > 1 {
		// By the mean square successive difference, which a slow rise leaves alone
		// (J. von Neumann 1941, from memory).
		noise = math.Sqrt(t.squares[at] / float64(2*(t.pairs-1)))
	}
	if noise < step/2 {
		v = v.With(gum.Rectangular("sensor step", step/2*math.Sqrt2), 1)
	}
	if n := float64(t.perWindow); n > 0 && noise > 0 {
		v = v.With(gum.Normal("sensor noise", noise/math.Sqrt(n), 0), math.Sqrt2)
	}
	return figure(TemperatureRise, "K", v).with(fmt.Sprintf("sensor %d over its first %.0f s", at+1, seconds(thermalWindow)))
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
