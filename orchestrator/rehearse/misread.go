package rehearse

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/profiles"
)

// errorSpan is how long a sensor must err to count: shorter differences are
// those between instants of sampling.
const errorSpan = 2 * drivers.Second

// misread is how far the readings stayed from the truth while a bench was
// energised and nobody noticed: the least error of each in the present errorSpan,
// and the greatest such least so far.
type misread struct {
	block drivers.Instant
	least []float64
	// reads and taps are the present frame's: what each tap reads, NaN without a
	// reading, and what it truly is, uV.
	reads, taps []float64
	// cell is the worst tap's, sensor the worst thermometer's. extreme is that of
	// the hottest or the coldest reading against the hottest or coldest true cell,
	// by which the limits act: a thermometer that errs leaves the others.
	cell, sensor, extreme SensorError
}

// SensorError is how far a reading stayed from the truth for errorSpan.
type SensorError struct {
	Channel int   // cell or sensor, from 0; of extremes: 0 the hottest, 1 the coldest
	Error   int64 // magnitude, uV or mK
}

// frame compares what the loop is told with the truth.
func (w *witness) frame(f *drivers.Frame) {
	w.given(f)
	w.truth.lastFrame = f.At
	s, l, m, now := &w.misread, &w.c.plan.Layout, w.rig.Plant().Module(), w.rig.Now()
	// An error that keeps a bench from being energised, or trips it, was noticed.
	if w.over || w.tripped || !w.shelf.energised {
		s.reset(now)
		return
	}
	cells, temps := l.Cells(), l.Temps()
	if s.least == nil {
		s.least = make([]float64, cells+temps+2)
		s.reads, s.taps = make([]float64, cells), make([]float64, cells)
		s.reset(now)
	}
	s.lookAtTaps(f, l, m)
	hottest, coldest := math.Inf(-1), math.Inf(1)
	for j := range temps {
		v := reading(f, l, l.Temp(j))
		if v != v {
			s.put(cells+j, 0)
			continue
		}
		s.put(cells+j, math.Abs(v-m.Kelvin(w.rig.SensorCell(j))*1e3))
		hottest, coldest = max(hottest, v), min(coldest, v)
	}
	s.put(cells+temps, max(0, w.ends.hot*1e3-hottest))
	s.put(cells+temps+1, max(0, coldest-w.ends.cold*1e3))
	if now.Sub(s.block) < errorSpan {
		return
	}
	for at, e := range s.least {
		switch {
		case math.IsInf(e, 0):
		case at < cells:
			s.cell.raise(at, e)
		case at < cells+temps:
			s.sensor.raise(at-cells, e)
		default:
			s.extreme.raise(at-cells-temps, e)
		}
	}
	s.reset(now)
}

// reading is what a channel reads, uV or mK; NaN without a reading, which is
// noticed as such.
func reading(f *drivers.Frame, l *drivers.Layout, at int) float64 {
	if f.Counts[at] == drivers.NoReading {
		return math.NaN()
	}
	return float64(l.Channels[at].Scale.Value(f.Counts[at]))
}

// lookAtTaps compares the taps' readings with the truth.
func (s *misread) lookAtTaps(f *drivers.Frame, l *drivers.Layout, m *plant.Module) {
	n := min(len(s.reads), m.Len()) // the article may be another one
	for k := range n {
		s.reads[k], s.taps[k] = reading(f, l, l.Cell(k)), m.Tap(k)*1e6
	}
	for k := range n {
		e := s.off(k, k)
		// Two readings that have changed places err by how far each is off the other
		// cell: every limit is the same for all cells, so that none is hidden.
		for _, j := range [...]int{k - 1, k + 1} {
			if j < 0 || j >= n {
				continue
			}
			both := s.off(k, j)
			if other := s.off(j, k); other > both {
				both = other
			}
			if both < e {
				e = both
			}
		}
		s.put(k, e)
	}
}

// off is how far tap k reads from the truth of tap j; 0 where it does not read.
func (s *misread) off(k, j int) float64 {
	d := math.Abs(s.reads[k] - s.taps[j])
	if d != d {
		return 0
	}
	return d
}

// put keeps the least error of each reading.
func (s *misread) put(at int, off float64) {
	if off < s.least[at] {
		s.least[at] = off
	}
}

func (e *SensorError) raise(at int, to float64) {
	if int64(to) > e.Error {
		*e = SensorError{at, int64(to)}
	}
}

func (s *misread) reset(at drivers.Instant) {
	s.block = at
	for k := range s.least {
		s.least[k] = math.Inf(1)
	}
}

// unnoticed holds the greatest errors that nobody noticed against what the plan
// holds back for them (INV-12): for temperatures also the gradient, by which the
// limits lie below those that the allowance is counted from.
func (x *rehearsal) unnoticed() string {
	r, a := x.r, &x.c.plan.Absolute
	warm := int64(a.AllowanceTemp) + int64(profiles.BudgetOf(x.t.Profile, x.t.Module, x.t.Bench).Gradient)
	switch {
	case !x.w.single:
	case r.CellError.Error > int64(a.AllowanceCell):
		return fmt.Sprintf("cell %d read %.1f mV off for %s and more; %.1f mV are allowed for",
			r.CellError.Channel+1, float64(r.CellError.Error)/1e3, seconds(errorSpan), float64(a.AllowanceCell)/1e3)
	case r.TempError.Error > warm:
		end := [...]string{"hottest", "coldest"}[r.TempError.Channel]
		return fmt.Sprintf("the %s reading was %.2f K from the %s cell for %s and more; %.2f K are allowed for",
			end, float64(r.TempError.Error)/1e3, end, seconds(errorSpan), float64(warm)/1e3)
	}
	return ""
}
