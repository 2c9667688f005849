package virtual

import (
	"context"
	"fmt"
	"math/bits"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// What a monitor's inputs can read (common practice, no source): a reversed
// cell and an open thermistor are outside.
const (
	cellInputMin = -100_000 // uV
	cellInputMax = 5_500_000
	tempInputMin = int64(drivers.ZeroC) - 60_000 // mK
	tempInputMax = int64(drivers.ZeroC) + 200_000
	tempShorted  = int64(drivers.ZeroC) + 250_000 // what a shorted thermistor looks like
)

// monitor is the cell monitor: a scanner over the taps, thermistors beside some
// of the cells, a shunt and bleed resistors.
//
// It scans the cells in order. The shunt's window ends at the frame's instant;
// the first cell's ends Skew earlier, the last cell's with the shunt's.
type monitor struct {
	b    *Bench
	spec *drivers.MonitorSpec

	cells, temps []sensor
	shunt        sensor

	// window is the true length of averaging, s; from is when the window of
	// cell k (and at the end the shunt) begins before a tick.
	window drivers.Span
	from   []drivers.Span
	// before is what each input was at the end of the last step, sum what its
	// window has gathered since the last tick (V.us, A.us).
	before, sum []float64

	bleedUntil drivers.Instant // never while nothing bleeds
	words      []int32
	stuckBleed []int8 // per cell: +n stuck on, -n open
	latest     drivers.MonitorReading
	faults     monitorFaults
	starts     int
}

// monitorFaults are what faults make of the monitor.
type monitorFaults struct {
	hung, deaf, silent, missing int
	swapped                     []int   // cell k with k+1
	shorted                     []int   // per sensor
	gain                        float64 // of all cells, relative error
	empty, old                  gap
}

// gap is a share of the channels that a share of the sweeps lacks.
type gap struct{ ratePPM, sharePPM int64 }

func (g *gap) widen(f *Fault) {
	g.ratePPM, g.sharePPM = max(g.ratePPM, f.RatePPM), max(g.sharePPM, f.SharePPM)
}

// from returns the first of n channels that a sweep lacks, n for none.
func (g *gap) from(n int, r *plant.Rand) int {
	if g.ratePPM == 0 || int64(r.IntN(1_000_000)) >= g.ratePPM {
		return n
	}
	return n - int((int64(n)*g.sharePPM+999_999)/1_000_000)
}

func (m *monitor) init(b *Bench, draw *plant.Rand) {
	m.b, m.spec = b, &b.cfg.Bench.Monitor
	s, spec, n := b.cfg.Sensing, m.spec, m.spec.Cells
	m.cells = make([]sensor, n)
	for k := range m.cells {
		m.cells[k] = newSensor(draw, s, int64(spec.CellStep), spec.CellAccuracy, 1e6, cellInputMin, cellInputMax)
	}
	m.temps = make([]sensor, spec.Temps)
	for j := range m.temps {
		m.temps[j] = newSensor(draw, s, int64(spec.TempStep), spec.TempAccuracy, 1e3, tempInputMin, tempInputMax)
	}
	m.shunt = newSensor(draw, s, int64(spec.CurrentStep), spec.CurrentAcc, 1e6, -int64(spec.CurrentRange), int64(spec.CurrentRange))
	m.window = max(spec.Window, drivers.Microsecond)
	m.from = make([]drivers.Span, n+1)
	for k := range n {
		m.from[k] = m.window + spec.Skew*drivers.Span(n-1-k)/drivers.Span(max(1, n-1))
	}
	m.from[n] = m.window
	m.before, m.sum = make([]float64, n+1), make([]float64, n+1)
	m.remember()
	m.bleedUntil = never
	m.words = make([]int32, (n+15)/16)
	m.stuckBleed = make([]int8, n)
	m.faults.shorted = make([]int, spec.Temps)
	m.latest = drivers.MonitorReading{
		Cells: make([]int32, n), Temps: make([]int32, spec.Temps), Bleeding: make([]int32, len(m.words)),
	}
}

func (m *monitor) contact(ctx context.Context) error {
	return reach(ctx, DeviceMonitor, m.faults.hung+m.faults.silent)
}

// Identify says who the monitor is.
func (m *monitor) Identify(ctx context.Context) (drivers.Identity, error) {
	if err := m.contact(ctx); err != nil {
		return drivers.Identity{}, err
	}
	return m.b.identity(DeviceMonitor), nil
}

// Bleed bleeds exactly the given cells until the monitor's timeout.
func (m *monitor) Bleed(ctx context.Context, words []int32) error {
	if err := m.contact(ctx); err != nil {
		return err
	}
	if err := m.allowed(words); err != nil {
		return fmt.Errorf("virtual monitor: bleed: %w: %w", drivers.ErrRefused, err)
	}
	if m.faults.deaf > 0 {
		return nil
	}
	m.bleed(words)
	return nil
}

// allowed says why the monitor would refuse a set of cells.
func (m *monitor) allowed(words []int32) error {
	if len(words) != len(m.words) {
		return fmt.Errorf("%d words; %d are needed for %d cells", len(words), len(m.words), len(m.cells))
	}
	last := false // the cell before bleeds
	for k, w := range words {
		room := min(16, len(m.cells)-16*k)
		if uint32(w)>>room != 0 {
			return fmt.Errorf("word %d is %#x; there are only %d cells", k+1, w, len(m.cells))
		}
		if w != 0 && m.spec.Bleed == 0 {
			return fmt.Errorf("it has no bleed resistors")
		}
		if m.spec.BleedNeighbours {
			continue
		}
		if w&(w<<1) != 0 || last && w&1 != 0 {
			return fmt.Errorf("neighbouring cells must not bleed at once")
		}
		last = w&(1<<15) != 0
	}
	return nil
}

// Halt stops bleeding, whatever the context says.
func (m *monitor) Halt(context.Context) error {
	if m.faults.hung+m.faults.silent > 0 {
		return fmt.Errorf("virtual monitor: halt: %w", drivers.ErrNoAnswer)
	}
	if m.faults.deaf == 0 {
		m.stop()
	}
	return nil
}

func (m *monitor) stop() {
	clear(m.words)
	m.bleedUntil = never
	m.paths()
}

func (m *monitor) bleed(words []int32) {
	copy(m.words, words)
	m.bleedUntil = never
	if bleeds(words) && m.spec.BleedTimeout > 0 {
		m.bleedUntil = m.b.now.Add(m.spec.BleedTimeout)
	}
	m.paths()
}

func bleeds(words []int32) bool {
	n := 0
	for _, w := range words {
		n += bits.OnesCount32(uint32(w))
	}
	return n > 0
}

// paths switches the true bleed paths, faults included.
func (m *monitor) paths() {
	for k, stuck := range m.stuckBleed[:min(len(m.stuckBleed), m.b.module.Len())] {
		on := m.words[k/16]&(1<<(k%16)) != 0
		m.b.module.SetBleed(k, stuck > 0 || on && stuck == 0)
	}
}

// Read fills r with the latest measurement.
func (m *monitor) Read(ctx context.Context, r *drivers.MonitorReading) error {
	if err := m.contact(ctx); err != nil {
		return err
	}
	r.Cells = append(r.Cells[:0], m.latest.Cells...)
	r.Temps = append(r.Temps[:0], m.latest.Temps...)
	r.Bleeding = append(r.Bleeding[:0], m.latest.Bleeding...)
	r.Current, r.Beat = m.latest.Current, m.latest.Beat
	return nil
}

// happen ends bleeding that nobody renewed.
func (m *monitor) happen() {
	if m.bleedUntil <= m.b.now {
		m.stop()
	}
}

// remember keeps the inputs as they are at the end of a step.
func (m *monitor) remember() {
	n := len(m.cells)
	for k := range n {
		m.before[k] = m.tap(k)
	}
	m.before[n] = m.b.module.Current()
}

// integrate adds the step from t0 to t1 to the windows it overlaps. Between the
// ends of a step every input moves on a straight line; steps are short while
// currents move, so that is as true as it needs to be.
func (m *monitor) integrate(t0, t1 drivers.Instant) {
	n := len(m.cells)
	tick := m.b.monitorTick
	if tick.Sub(t1) >= m.spec.Skew+m.window {
		m.remember()
		return
	}
	length := float64(t1.Sub(t0))
	for k := range n + 1 {
		var v float64
		if k < n {
			v = m.tap(k)
		} else {
			v = m.b.module.Current()
		}
		v0 := m.before[k]
		m.before[k] = v
		begin := tick.Add(-m.from[k])
		a, e := max(t0, begin), min(t1, begin.Add(m.window))
		if e <= a {
			continue
		}
		// The mean of a straight line is its middle.
		middle := float64(a.Sub(t0)+e.Sub(t0)) / 2
		m.sum[k] += float64(float64(e.Sub(a)) * (v0 + float64((v-v0)*middle/length)))
	}
}

// measure reads all inputs at a tick.
func (m *monitor) measure() {
	n, r := len(m.cells), m.b.noise
	window := float64(m.window)
	fresh := m.faults.hung == 0 && m.faults.silent == 0
	out := &m.latest
	all := n + len(m.temps)
	old, empty := m.faults.old.from(all, m.b.chance), m.faults.empty.from(all, m.b.chance)
	for k := range m.cells {
		v := m.sum[k] / window
		if m.latest.Beat == 0 {
			v = m.before[k] // the first reading of all has no past
		}
		if m.faults.gain != 0 {
			v += float64(v * m.faults.gain)
		}
		c := m.cells[k].read(v, r)
		if fresh && k < old {
			out.Cells[k] = c
		}
	}
	for j := range m.temps {
		c := m.temps[j].read(m.b.module.Kelvin(m.b.SensorCell(j)), r)
		if m.faults.shorted[j] > 0 {
			c = int32(tempShorted / int64(m.spec.TempStep))
		}
		if fresh && n+j < old {
			out.Temps[j] = c
		}
	}
	amps := m.sum[n] / window
	if m.latest.Beat == 0 {
		amps = m.before[n]
	}
	i := m.shunt.read(amps, r)
	clear(m.sum)
	if !fresh {
		return
	}
	out.Current = i
	copy(out.Bleeding, m.words)
	for _, k := range m.faults.swapped {
		if k+1 < old { // what is old has changed places already
			out.Cells[k], out.Cells[k+1] = out.Cells[k+1], out.Cells[k]
		}
	}
	for k := empty; k < all; k++ {
		if k < n {
			out.Cells[k] = drivers.NoReading
		} else {
			out.Temps[k-n] = drivers.NoReading
		}
	}
	if m.faults.missing > 0 {
		m.blank()
	}
	out.Beat = tally(out.Beat)
}

// blank is an answer without values.
func (m *monitor) blank() {
	for _, s := range [][]int32{m.latest.Cells, m.latest.Temps} {
		for k := range s {
			s[k] = drivers.NoReading
		}
	}
	m.latest.Current = drivers.NoReading
}

// SensorCell returns the cell that temperature sensor j sits on: they are
// spread evenly over the stack.
func (b *Bench) SensorCell(j int) int {
	m := &b.cfg.Bench.Monitor
	return min((2*j+1)*m.Cells/(2*m.Temps), b.module.Len()-1)
}
