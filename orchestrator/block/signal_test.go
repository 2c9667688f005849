package block

import (
	"math"
	"math/rand/v2"

	"github.com/rigwarden/rigwarden/drivers"
)

// signal describes an invented recording: cells that drift slowly or follow a
// pulsed current, read with Gaussian noise and rounded to whole counts.
type signal struct {
	cells  int
	frames int
	noise  float64 // standard deviation in counts
	pulsed bool
}

// currentNoise is the standard deviation of the current's reading in mA.
const currentNoise = 3

// pulseCurrent is 40 A in mA for 10 s of every 60 s, at 10 Hz.
func pulseCurrent(i int) float64 {
	if i%600 >= 200 && i%600 < 300 {
		return -40_000
	}
	return 0
}

// columns draws the signal and returns with it the Shannon bound of its
// counts in bits, current included: the sum over all samples of the entropy of the rounded
// Gaussian around the true, noiseless value, H = -sum p_k log2 p_k with p_k the
// Gaussian's share in [k-1/2, k+1/2] (Shannon 1948, definition of entropy).
func (s signal) columns(seed uint64) (*Columns, float64) {
	rng := rand.New(rand.NewPCG(seed, 1))
	c := NewColumns(s.cells+1, s.frames)
	f := drivers.Frame{Counts: make([]int32, s.cells+1)}
	bound, boundAmps := newBound(s.noise), newBound(currentNoise)
	total := 0.0
	relax := 0.0
	for i := range s.frames {
		f.At = drivers.Instant(1_700_000_000_000_000 + int64(i)*100_000)
		f.Seq, f.Echo = uint64(10+i), uint64(1+i)
		amps := 0.0
		if s.pulsed {
			amps = pulseCurrent(i)
		}
		relax += (amps*0.003 - relax) * 0.01 // one RC of 10 s
		for k := range s.cells {
			t := float64(i)
			v := 33_000 + 13*float64(k) + 0.004*t + 30*math.Sin(t/4000+float64(k)) +
				amps*(0.010+0.0004*float64(k%5)) + relax
			f.Counts[k] = int32(math.Round(v + rng.NormFloat64()*s.noise))
			total += bound.at(v)
		}
		f.Counts[s.cells] = int32(math.Round(amps + rng.NormFloat64()*currentNoise))
		total += boundAmps.at(amps)
		if err := c.Append(&f); err != nil {
			panic(err)
		}
	}
	return c, total
}

// bound tabulates the entropy of a rounded Gaussian by the fraction of its mean.
type bound struct{ table [257]float64 }

func newBound(sd float64) *bound {
	b := &bound{}
	for i := range b.table {
		b.table[i] = roundedEntropy(float64(i)/256, sd)
	}
	return b
}

func (b *bound) at(v float64) float64 {
	return b.table[int(math.Round((v-math.Floor(v))*256))]
}

func roundedEntropy(mean, sd float64) float64 {
	cdf := func(x float64) float64 { return 0.5 * math.Erfc(-(x-mean)/(sd*math.Sqrt2)) }
	h := 0.0
	for k := -40; k <= 40; k++ {
		if p := cdf(float64(k)+0.5) - cdf(float64(k)-0.5); p > 0 {
			h -= p * math.Log2(p)
		}
	}
	return h
}
