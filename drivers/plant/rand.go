package plant

import (
	"math"
	"math/rand/v2"
)

// Rand draws numbers that are the same on every processor.
type Rand struct{ pcg rand.PCG }

// NewRand returns the stream of a seed; stream tells apart several of one seed.
func NewRand(seed, stream uint64) *Rand {
	r := &Rand{}
	r.pcg.Seed(seed, stream)
	// PCG starts close seeds close together; a few turns part them.
	for range 4 {
		r.pcg.Uint64()
	}
	return r
}

// Uint64 returns 64 random bits.
func (r *Rand) Uint64() uint64 { return r.pcg.Uint64() }

// Float64 returns a number in [0, 1).
func (r *Rand) Float64() float64 { return float64(float64(r.pcg.Uint64()>>11) * 0x1p-53) }

// IntN returns a number in [0, n); n must be positive. The bias of the
// remainder is under n/2^64.
func (r *Rand) IntN(n int) int { return int(r.pcg.Uint64() % uint64(n)) }

// Clone returns a generator that goes on as r will.
func (r *Rand) Clone() *Rand { c := *r; return &c }

// The ziggurat of Marsaglia and Tsang, "The ziggurat method for generating
// random variables", J. Stat. Softw. 5(8), 2000, doi:10.18637/jss.v005.i08,
// with 128 layers (from memory); its tables are made with our own functions.
const (
	zigLayers = 128
	zigRight  = 3.442619855899       // where the tail begins
	zigArea   = 9.91256303526217e-03 // of each layer
)

var zigEdge, zigInner = zigTables()

func zigTables() (edge [zigLayers + 1]float64, inner [zigLayers]float64) {
	f := Exp(float64(-0.5 * float64(zigRight*zigRight)))
	edge[0] = zigArea / f
	edge[1] = zigRight
	for i := 2; i < zigLayers; i++ {
		edge[i] = math.Sqrt(float64(-2 * ln(zigArea/edge[i-1]+f)))
		f = Exp(float64(-0.5 * float64(edge[i]*edge[i])))
	}
	for i := range inner {
		inner[i] = edge[i+1] / edge[i]
	}
	return edge, inner
}

// Normal returns a draw from the standard normal distribution.
func (r *Rand) Normal() float64 {
	for {
		bits := r.pcg.Uint64()
		i := bits & (zigLayers - 1)
		u := float64(float64(bits>>11)*0x1p-52) - 1
		x := float64(u * zigEdge[i])
		if math.Abs(u) < zigInner[i] {
			return x
		}
		if i == 0 {
			return r.tail(u < 0)
		}
		top := Exp(float64(-0.5 * (float64(zigEdge[i]*zigEdge[i]) - float64(x*x))))
		low := Exp(float64(-0.5 * (float64(zigEdge[i+1]*zigEdge[i+1]) - float64(x*x))))
		if low+float64(r.Float64()*(top-low)) < 1 {
			return x
		}
	}
}

// tail draws beyond zigRight (Marsaglia 1964, as used in the paper above).
func (r *Rand) tail(negative bool) float64 {
	for {
		x := ln(1-r.Float64()) / zigRight
		y := ln(1 - r.Float64())
		if float64(-2*y) >= float64(x*x) {
			if negative {
				return x - zigRight
			}
			return zigRight - x
		}
	}
}
