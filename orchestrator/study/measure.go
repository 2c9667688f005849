package study

import (
	"math"
	"math/rand/v2"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// instrument is one channel's errors as they were drawn: count = truth*slope +
// zero + noise, with the truth in base units (uV, uA, mK), seen a little late.
type instrument struct {
	slope, zero, noise float64
	late               drivers.Span
}

// noiseShare is the noise of one reading as part of the declared offset, as the
// virtual bench has it; half a step at least.
const noiseShare = 0.1

// even draws evenly from -1 to 1.
func even(r *rand.Rand) float64 { return 2*r.Float64() - 1 }

// instruments draws the errors of a bench: each gain and offset evenly within the
// whole of what is declared, the instant of each tap within its skew, taps all
// alike where the bench declares so.
func (s *Study) instruments(r *rand.Rand, h *History) []instrument {
	out := make([]instrument, len(h.layout.Channels))
	gain, offset := even(r), even(r)
	for i := range out {
		c := &s.plan.Layout.Channels[i]
		g, o := even(r), even(r)
		late := drivers.Span(r.Float64() * float64(c.Skew))
		if i < h.planes.cells && s.plan.Bench.Monitor.CellErrors == drivers.ErrorsShared {
			g, o = gain, offset
		}
		step := float64(c.Scale.Num) / float64(c.Scale.Den)
		out[i] = instrument{
			slope: (1 + g*float64(c.Accuracy.GainPPM)*1e-6) / step,
			zero:  (o*float64(c.Accuracy.Offset) - float64(c.Scale.Offset)) / step,
			noise: max(noiseShare*float64(c.Accuracy.Offset), step/2) / step,
			late:  late + c.Window/2,
		}
	}
	return out
}

// Measure computes the run's figures as another bench would have read them, whose
// errors are the seed's.
func (s *Study) Measure(h *History, seed uint64) *qualify.Figures {
	r := rand.New(rand.NewPCG(seed, 0x6d656173))
	bench := s.instruments(r, h)
	a := qualify.New(s.plan)
	f := drivers.Frame{Counts: make([]int32, len(h.layout.Channels))}
	read := func(i, k int) {
		q := &bench[i]
		v := h.past(i, k, q.late)
		f.Counts[i] = int32(math.Floor(v*q.slope + q.zero + q.noise*r.NormFloat64() + 0.5))
	}
	next := 0
	for k, at := range h.at {
		next = h.tell(a, next, k)
		if !h.sweep[k] {
			continue
		}
		copy(f.Counts, h.row(k))
		for c := range h.planes.cells {
			read(c, k)
		}
		for j := range h.planes.temps {
			read(h.planes.first+j, k)
		}
		read(h.planes.current, k)
		read(h.planes.voltage, k)
		f.At, f.Seq = at, uint64(k)
		a.Frame(&f)
	}
	h.tell(a, next, len(h.at))
	return a.Finish()
}

// past is a channel's truth a little before row k, on a straight line between
// rows.
func (h *History) past(i, k int, late drivers.Span) float64 {
	w := len(h.layout.Channels)
	at := h.at[k] - drivers.Instant(late)
	for k > 0 && h.at[k-1] > at {
		k--
	}
	v := float64(h.counts[k*w+i])
	if k == 0 || h.at[k] <= at {
		return v
	}
	u := float64(h.counts[(k-1)*w+i])
	if u == v {
		return v
	}
	return u + (v-u)*float64(at-h.at[k-1])/float64(h.at[k]-h.at[k-1])
}

// Covers are the module's proven figures of a measured run beside those of the
// truth.
func Covers(said, was *qualify.Figures) (out []Cover) {
	for _, f := range said.Figures {
		if f.Cell != 0 || f.Status != qualify.OK || f.U <= 0 {
			continue
		}
		if g, ok := was.Find(f.Name); ok && !g.NoValue {
			out = append(out, Cover{f.Name, f.Value, f.U, g.Value})
		}
	}
	return out
}

// Cover is a module's figure beside its truth.
type Cover struct {
	Figure          string
	Value, U, Truth float64
}

// Holds says whether the stated interval holds the truth.
func (c *Cover) Holds() bool { return math.Abs(c.Value-c.Truth) <= c.U }
