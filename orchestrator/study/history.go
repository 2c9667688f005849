package study

import (
	"fmt"
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// History is what the plant knew of one run: its channels in base units (uV,
// uA, mK) and without errors, at each sweep of the monitor and, where current moves,
// about every millisecond; and the run's records in their places. Other benches'
// errors, and the instants at which they read, can be drawn over it as often as one
// likes.
type History struct {
	Ended  machine.Outcome
	Reason string

	layout *drivers.Layout
	plan   machine.Plan // with that layout
	at     []drivers.Instant
	counts []int32 // row by row
	sweep  []bool  // whether the monitor swept then
	told   []told
	planes planes
}

// told is a record and the number of rows before it, with what the plant knew of the
// cells then.
type told struct {
	rows  int
	at    drivers.Instant
	rec   machine.Record
	cells []inside
	// apart is the greatest excess charge over the least, A.s.
	apart float64
}

// inside is what no tap shows of a cell: its state of charge and capacity, A.s, what it
// still has to relax, V, and what it loses by itself, A.
type inside struct{ soc, capacity, relaxing, losing float64 }

// planes are places in the layout.
type planes struct {
	cells, temps, current, voltage, beat, meterBeat int
	first                                           int // temperature
	read                                            []int
}

// trueLayout is the layout of the truth: the same channels, readings in
// base units and without errors.
func trueLayout(l *drivers.Layout) (*drivers.Layout, error) {
	out := &drivers.Layout{Channels: slices.Clone(l.Channels)}
	for i := range out.Channels {
		c := &out.Channels[i]
		switch c.Kind {
		case drivers.CellVoltage, drivers.Temperature, drivers.ModuleVoltage, drivers.ModuleCurrent:
			c.Scale, c.Accuracy, c.Skew, c.Window = drivers.Scale{Num: 1, Den: 1}, drivers.Accuracy{}, 0, 0
		}
	}
	return out, out.Index()
}

func (s *Study) newHistory() (*History, error) {
	layout, err := trueLayout(&s.plan.Layout)
	if err != nil {
		return nil, err
	}
	h := &History{layout: layout, plan: *s.plan}
	h.plan.Layout = *layout
	h.planes = planes{
		cells: layout.Cells(), temps: layout.Temps(), first: layout.Temp(0),
		current: layout.Find(drivers.ModuleCurrent), voltage: layout.Find(drivers.ModuleVoltage),
		beat: layout.Find(drivers.MonitorBeat), meterBeat: layout.Find(drivers.MeterBeat),
	}
	if h.planes.current < 0 || h.planes.voltage < 0 || h.planes.beat < 0 {
		return nil, fmt.Errorf("study: bench %s measures no module current, no module voltage or does not count its sweeps", s.plan.Bench.Name)
	}
	for i, c := range layout.Channels {
		switch c.Kind {
		case drivers.CellVoltage, drivers.Temperature, drivers.ModuleVoltage, drivers.ModuleCurrent:
			h.planes.read = append(h.planes.read, i)
		}
	}
	return h, nil
}

// see adds the truth of an instant; said are the counts of what is told as it is.
func (h *History) see(at drivers.Instant, b *virtual.Bench, said []int32, sweep bool) {
	if n := len(h.at); n > 0 && h.at[n-1] >= at {
		if !sweep {
			return
		}
		h.drop() // seen between the sweeps, and swept now
	}
	row := len(h.counts)
	h.counts = append(h.counts, said...)
	h.truth(b, h.counts[row:])
	h.at, h.sweep = append(h.at, at), append(h.sweep, sweep)
}

// truth puts what the plant knows into a row.
func (h *History) truth(b *virtual.Bench, counts []int32) {
	m := b.Plant().Module()
	for k := range h.planes.cells {
		counts[k] = micro(m.Tap(k))
	}
	for j := range h.planes.temps {
		counts[h.planes.first+j] = micro(m.Kelvin(b.SensorCell(j)) / 1e3) // mK
	}
	counts[h.planes.current], counts[h.planes.voltage] = micro(m.Current()), micro(m.TerminalVoltage())
}

func (h *History) drop() {
	n := len(h.at) - 1
	h.at, h.sweep, h.counts = h.at[:n], h.sweep[:n], h.counts[:n*len(h.layout.Channels)]
}

func micro(v float64) int32 { return int32(math.Round(v * 1e6)) }

func (h *History) row(k int) []int32 {
	w := len(h.layout.Channels)
	return h.counts[k*w : (k+1)*w]
}

// Truth computes the figures of the run as it was. What balancing left is kept from
// it: plantTruth adds what the plant knew of that, and it must not count twice.
func (h *History) Truth() *qualify.Figures {
	a := qualify.New(&h.plan)
	f := drivers.Frame{Counts: make([]int32, len(h.layout.Channels))}
	next := 0
	for k, at := range h.at {
		next = h.tellRows(a, next, k)
		copy(f.Counts, h.row(k))
		// Every row is news, also between the sweeps.
		f.Counts[h.planes.beat] = int32(k)
		if m := h.planes.meterBeat; m >= 0 {
			f.Counts[m] = int32(k)
		}
		f.At, f.Seq = at, uint64(k)
		a.Frame(&f)
	}
	h.tellRows(a, next, len(h.at))
	return a.Finish()
}

// tellRows gives the records before a row and returns the next one.
func (h *History) tellRows(a *qualify.Analyser, next, row int) int {
	for ; next < len(h.told) && h.told[next].rows <= row; next++ {
		rec := h.told[next].rec
		if isImbalance(&rec) {
			rec.Text = "imbalance 0 ppm of capacity, uncertainty 0 ppm"
		}
		a.Record(h.told[next].at, rec)
	}
	return next
}

// tell gives the records before an instant and returns the next one.
func (h *History) tell(next int, before drivers.Instant, to func(drivers.Instant, machine.Record)) int {
	for ; next < len(h.told) && h.told[next].at < before; next++ {
		to(h.told[next].at, h.told[next].rec)
	}
	return next
}

// moved is the least change of the current, A, that is looked at between sweeps:
// where a pulse begins and a step ends must be known to the millisecond, since
// benches read at instants of their own.
const moved = 0.01

// witness keeps a history while a run goes on.
type witness struct {
	*virtual.Bench
	h    *History
	last []int32 // of what was said
	beat int32
	amps float64
	// before is the row of the step before, at its instant.
	before   []int32
	beforeAt drivers.Instant
}

// Stepped looks at what happens between sweeps: what the current was when it began to
// move, and then each step.
func (w *witness) Stepped(b *virtual.Bench) {
	if w.last == nil {
		return
	}
	h, amps := w.h, b.Plant().Module().Current()
	if math.Abs(amps-w.amps) < moved {
		w.before = append(w.before[:0], w.last...)
		h.truth(b, w.before)
		w.beforeAt = b.Now()
		return
	}
	w.amps = amps
	if n := len(h.at); w.beforeAt > h.at[n-1] {
		h.counts = append(h.counts, w.before...)
		h.at, h.sweep = append(h.at, w.beforeAt), append(h.sweep, false)
	}
	h.see(b.Now(), b, w.last, false)
}

// Swept does nothing: the frame comes when it is fetched.
func (w *witness) Swept(*virtual.Bench) {}

func (w *witness) Frame(f *drivers.Frame) bool {
	ok := w.Bench.Frame(f)
	if beat := f.Counts[w.h.planes.beat]; ok && (w.last == nil || beat != w.beat) {
		w.beat, w.amps = beat, w.Plant().Module().Current()
		w.last = append(w.last[:0], f.Counts...)
		w.h.see(f.At, w.Bench, f.Counts, true)
	}
	return ok
}

// Record runs the profile once on a good module, whose draws are the seed's, and
// keeps its truth.
func (s *Study) Record(seed uint64) (*History, error) {
	none, _ := KindOf("none")
	d, _, _ := s.trial(seed, &none)
	rig, err := d.rig()
	if err != nil {
		return nil, err
	}
	h, err := s.newHistory()
	if err != nil {
		return nil, err
	}
	w := &witness{Bench: rig, h: h}
	rig.Observe(w)
	t := &tape{record: func(at drivers.Instant, r machine.Record) {
		h.told = append(h.told, h.know(rig, told{rows: len(h.at), at: at, rec: r}))
	}}
	if h.Ended, h.Reason, err = s.follow(w, t); err != nil {
		return nil, fmt.Errorf("study: seed %d: %w", seed, err)
	}
	return h, nil
}
