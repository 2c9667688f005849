package study

import (
	"context"
	_ "embed" // measure.yaml
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/profiles"
)

//go:embed measure.yaml
var measureProfile []byte

// Measuring is the same module, bench and criteria with a profile that has every
// kind of module figure in some hours.
func (s *Study) Measuring() (*Study, error) {
	p, problems := profiles.ParseProfile("measure.yaml", measureProfile)
	if len(problems) > 0 {
		return nil, profiles.Error(problems)
	}
	return New(s.Module, p, s.Bench, s.Criteria)
}

// perTruth is how many benches measure one recorded module.
const perTruth = 25

// Remeasure counts how often stated intervals hold the truth: n modules measured,
// each by a bench of its own, perTruth of them over one recorded run. Done is called
// with how many are measured so far, from one goroutine at a time.
func (s *Study) Remeasure(ctx context.Context, t *Tally, first uint64, n, workers int, done func(int)) error {
	truths := (n + perTruth - 1) / perTruth
	type measured struct {
		covers [][]Cover
		err    error
	}
	slots := make([]chan measured, truths)
	for i := range slots {
		slots[i] = make(chan measured, 1)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	free := make(chan struct{}, max(workers, 1))
	go func() {
		for i := range truths {
			select {
			case free <- struct{}{}:
			case <-ctx.Done():
				return
			}
			go func() {
				defer func() { <-free }()
				covers, err := s.remeasure(ctx, first+uint64(i), min(perTruth, n-i*perTruth))
				slots[i] <- measured{covers, err}
			}()
		}
	}()
	count := 0
	for i := range truths {
		select {
		case m := <-slots[i]:
			if m.err != nil {
				return m.err
			}
			for _, c := range m.covers {
				t.Cover(c)
				count++
			}
			done(count)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

func (s *Study) remeasure(ctx context.Context, seed uint64, n int) ([][]Cover, error) {
	h, err := s.Record(seed)
	if err != nil {
		return nil, err
	}
	if h.Ended != machine.OutcomeDone {
		return nil, fmt.Errorf("study: seed %d: the run to be measured again ended %s: %s", seed, h.Ended, h.Reason)
	}
	was := h.Truth()
	var out [][]Cover
	for i := range n {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		out = append(out, h.Covers(s.Measure(h, seed*1_000_003+uint64(i)), was, (int(seed)+i)%s.Module.Series))
	}
	return out, nil
}

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
// errors and instants are the seed's: it sweeps as often, and begins anywhere within
// a period.
func (s *Study) Measure(h *History, seed uint64) *qualify.Figures {
	r := rand.New(rand.NewPCG(seed, 0x6d656173))
	bench := s.instruments(r, h)
	phase := drivers.Span(r.Float64() * float64(s.plan.Bench.Monitor.Period))
	fast := clockError * even(r)
	a := qualify.New(s.plan)
	again := s.newRebalance()
	tell := func(at drivers.Instant, rec machine.Record) {
		if again != nil && isImbalance(&rec) {
			rec = again.retell(rec)
		}
		a.Record(h.stamp(at, fast), rec)
	}
	f := drivers.Frame{Counts: make([]int32, len(h.layout.Channels))}
	next, row := 0, 0
	for k, at := range h.at {
		if !h.sweep[k] {
			continue
		}
		at = at.Add(phase)
		if row = h.until(row, at); row+1 == len(h.at) {
			break
		}
		next = h.tell(next, at, tell)
		copy(f.Counts, h.row(row))
		f.Counts[h.planes.beat] = int32(k)
		for _, i := range h.planes.read {
			q := &bench[i]
			v := h.between(i, row, at.Add(-q.late))
			f.Counts[i] = int32(math.Floor(v*q.slope + q.zero + q.noise*r.NormFloat64() + 0.5))
		}
		f.At, f.Seq = h.stamp(at, fast), uint64(k)
		a.Frame(&f)
		if again != nil {
			again.planner.Observe(&f, nil)
		}
	}
	h.tell(next, h.at[len(h.at)-1].Add(drivers.Second), tell)
	out := a.Finish()
	if again != nil && !again.met {
		// This bench would have gone on balancing: what it says here is no figure.
		out.Figures = slices.DeleteFunc(out.Figures, func(f qualify.Figure) bool { return f.Name == qualify.Imbalance })
	}
	return out
}

// clockError bounds the error of a bench's clock: a quartz crystal's (common
// practice, no source).
const clockError = 50e-6

// stamp is an instant as a clock that is that much too fast shows it.
func (h *History) stamp(at drivers.Instant, fast float64) drivers.Instant {
	return at.Add(drivers.Span(math.Round(float64(at.Sub(h.at[0])) * fast)))
}

// until is the last row at or before an instant, at the given one or later.
func (h *History) until(row int, at drivers.Instant) int {
	for row+1 < len(h.at) && h.at[row+1] <= at {
		row++
	}
	return row
}

// between is a channel's truth at an instant, on a straight line between rows; it
// is in the given row, or a little before.
func (h *History) between(i, k int, at drivers.Instant) float64 {
	w := len(h.layout.Channels)
	for k > 0 && h.at[k] > at {
		k--
	}
	u := float64(h.counts[k*w+i])
	if h.at[k] >= at || k+1 == len(h.at) {
		return u
	}
	v := float64(h.counts[(k+1)*w+i])
	if u == v {
		return v
	}
	return u + (v-u)*float64(at-h.at[k])/float64(h.at[k+1]-h.at[k])
}

// oneCell are the figures of cells that are counted, of one drawn cell of a module
// each: its cells share a bench, and are no draws of their own.
var oneCell = []string{qualify.RestVoltage, qualify.ResistanceName(false, 10, false), qualify.JointExcess}

// Covers are the proven figures of a measured run beside those of the truth: the
// module's, and some of one cell, counted from zero.
func (h *History) Covers(said, was *qualify.Figures, cell int) (out []Cover) {
	inside := h.plantTruth()
	for _, f := range said.Figures {
		if f.Cell != 0 || f.Status != qualify.OK || f.U <= 0 {
			continue
		}
		truth, ok := inside[f.Name]
		if !ok {
			var g qualify.Figure
			g, ok = was.Find(f.Name)
			ok, truth = ok && !g.NoValue, g.Value
			if f.Name == qualify.Capacity {
				truth += inside[moreCapacity]
			}
		}
		if ok {
			out = append(out, Cover{f.Name, f.Value, f.U, truth})
		}
	}
	for _, name := range oneCell {
		f, g := said.Cells(name), was.Cells(name)
		if cell < len(f) && cell < len(g) && f[cell].Status == qualify.OK && f[cell].U > 0 && !g[cell].NoValue {
			out = append(out, Cover{name + " of a cell", f[cell].Value, f[cell].U, g[cell].Value})
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
