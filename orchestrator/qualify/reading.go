package qualify

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// reading is what integration needs of a frame, in A and V.
type reading struct {
	at   drivers.Instant
	i, v float64
	vOK  bool
	beat int32
}

// between interpolates two readings at an instant, which is moved inside them.
func between(p, q *reading, at drivers.Instant) reading {
	at = min(max(at, p.at), q.at)
	x := float64(at-p.at) / float64(q.at-p.at)
	return reading{at: at, i: p.i + x*(q.i-p.i), v: p.v + x*(q.v-p.v), vOK: p.vOK && q.vOK, beat: q.beat}
}

// scanner knows where a frame's channels stand and how counts become SI units.
type scanner struct {
	layout       *drivers.Layout
	width        int
	cells, temps int
	current      int
	voltage      int
	monitorBeat  int
	meterBeat    int
	mul, off     []float64  // V, A or K
	near         float64    // A: no more than this is no current
	period       float64    // s, of the monitor's readings
	lead         float64    // s, by how much later than the current the voltage is read
	slew         [2]float64 // A/s, declared, of what drains and of what charges; 0 unknown
}

func (s *scanner) init(plan *machine.Plan) {
	l := plan.Layout
	// A layout that does not index leaves no cells; every frame is then left out
	// and every figure unproven, which is the truth.
	if err := l.Index(); err != nil {
		l = drivers.Layout{}
	}
	s.layout = &l
	s.width = len(l.Channels)
	s.cells, s.temps = l.Cells(), l.Temps()
	s.current, s.voltage, s.monitorBeat, s.meterBeat = -1, -1, -1, -1
	if s.width > 0 {
		s.current, s.voltage = l.Find(drivers.ModuleCurrent), l.Find(drivers.ModuleVoltage)
		s.monitorBeat, s.meterBeat = l.Find(drivers.MonitorBeat), l.Find(drivers.MeterBeat)
	}
	s.mul, s.off = make([]float64, s.width), make([]float64, s.width)
	for i, c := range l.Channels {
		unit := 1e-6
		if c.Kind == drivers.Temperature {
			unit = 1e-3
		}
		s.mul[i] = float64(c.Scale.Num) / float64(c.Scale.Den) * unit
		s.off[i] = float64(c.Scale.Offset) * unit
	}
	s.period = seconds(plan.Bench.Monitor.Period)
	s.slew = [2]float64{float64(plan.Bench.Load.Slew) * 1e-6, float64(plan.Bench.Supply.Slew) * 1e-6}
	s.lead = s.lateness(s.voltage).by
	s.near = float64(plan.Limits.NearZero) * 1e-6
}

// value is a channel's quantity in V, A or K; the count is a reading.
func (s *scanner) value(pos int, count int32) float64 { return s.off[pos] + s.mul[pos]*float64(count) }

// read takes current and voltage out of a frame; a frame without current is of
// no use.
func (s *scanner) read(f *drivers.Frame) (reading, bool) {
	if s.current < 0 || f.Counts[s.current] == drivers.NoReading {
		return reading{}, false
	}
	r := reading{at: f.At, i: s.value(s.current, f.Counts[s.current])}
	if s.voltage >= 0 && f.Counts[s.voltage] != drivers.NoReading {
		r.v, r.vOK = s.value(s.voltage, f.Counts[s.voltage]), true
	}
	return r, true
}

func (s *scanner) beat(counts []int32) int32 {
	if s.monitorBeat < 0 {
		return drivers.NoReading
	}
	return counts[s.monitorBeat]
}

// flows says whether a current is one.
func (s *scanner) flows(i float64) bool { return i > s.near || i < -s.near }

// accuracy returns a channel's declared half widths: gain as a ratio, offset in
// V, A or K.
func (s *scanner) accuracy(pos int) (gain, offset float64) {
	if pos < 0 {
		return 0, 0
	}
	c := &s.layout.Channels[pos]
	unit := 1e-6
	if c.Kind == drivers.Temperature {
		unit = 1e-3
	}
	return float64(c.Accuracy.GainPPM) * 1e-6, float64(c.Accuracy.Offset) * unit
}

// rows is how many frames the ring remembers.
const rows = 16

// ring holds the latest frames.
type ring struct {
	at     [rows]drivers.Instant
	counts []int32
	width  int
	n      int // frames pushed
}

func (r *ring) init(width int) {
	r.width = width
	r.counts = make([]int32, rows*width)
}

func (r *ring) push(f *drivers.Frame) {
	k := r.n % rows
	r.at[k] = f.At
	copy(r.counts[k*r.width:(k+1)*r.width], f.Counts)
	r.n++
}

// len is how many frames can be looked at.
func (r *ring) len() int { return min(r.n, rows) }

// row returns the counts of the k-th latest frame, 0 the latest.
func (r *ring) row(k int) []int32 {
	j := (r.n - 1 - k) % rows
	return r.counts[j*r.width : (j+1)*r.width]
}

// when is the instant of the k-th latest frame.
func (r *ring) when(k int) drivers.Instant { return r.at[(r.n-1-k)%rows] }
