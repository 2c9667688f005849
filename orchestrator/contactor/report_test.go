package contactor

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// scene is the worked example of a 32S LFP module's link: 116.8 V, 100 Ohm, 1 mF
// and a bleed of 10 kOhm (textbook RC; US Army training text MM0704, fig. 1-14, for
// the curve; the figures below are computed from the formulas).
type scene struct {
	t      *testing.T
	plan   *machine.Plan
	r      *Reader
	f      drivers.Frame
	at     drivers.Instant
	beat   int64
	period drivers.Span

	volts  float64
	link   float64
	bits   int64
	on     bool // the supply reads on
	welded bool // the path is closed, whatever the contactors read
}

func newScene(t *testing.T, period drivers.Span) *scene {
	t.Helper()
	text := func(get func(string) ([]byte, error), name string) []byte {
		src, err := get(name)
		require.NoError(t, err)
		return src
	}
	m, problems := profiles.ParseModule("KW-01.yaml", text(profiles.LibraryModule, "KW-01"))
	require.Empty(t, problems)
	b, problems := profiles.ParseBench("quay-1.yaml", text(profiles.LibraryBench, "quay-1"))
	require.Empty(t, problems)
	p, problems := profiles.ParseProfile("contactors.yaml", text(profiles.LibraryProfile, "contactors"))
	require.Empty(t, problems)
	plan, problems := profiles.Compile(p, m, b)
	require.Empty(t, problems)
	box := &plan.Bench.Box
	box.Precharge, box.LinkNF, box.LinkBleed = 100_000_000, 1_000_000, 10_000_000_000
	s := &scene{t: t, plan: plan, r: NewReader(plan), at: 1_000_000, period: period, volts: 116.8}
	s.f.Counts = make([]int32, len(plan.Layout.Channels))
	return s
}

func (s *scene) put(k drivers.Kind, v int64) {
	i := s.plan.Layout.Find(k)
	require.GreaterOrEqual(s.t, i, 0)
	s.f.Counts[i] = s.plan.Layout.Channels[i].Scale.Nearest(v)
}

// pass lets the link go where the contacts let it, and the reader see each frame.
func (s *scene) pass(span, period drivers.Span) {
	for end := s.at.Add(span); s.at < end; s.at = s.at.Add(period) {
		dt := seconds(period)
		switch bits := drivers.Contactors(s.bits); {
		case bits == precharge:
			tau, end := 0.1*10e3/10.1e3, s.volts*10e3/10.1e3
			s.link = end - (end-s.link)*math.Exp(-dt/tau)
		case bits == joined, bits == every, s.welded:
			s.link = s.volts
		default:
			s.link *= math.Exp(-dt / 10)
		}
		s.beat++
		s.f.At = s.at.Add(period)
		on := int64(0)
		if s.on {
			on = drivers.PowerOn
		}
		s.put(drivers.LinkVoltage, int64(s.link*1e6))
		s.put(drivers.ModuleVoltage, int64(s.volts*1e6))
		s.put(drivers.BoxState, s.bits)
		s.put(drivers.SupplyState, on)
		s.put(drivers.BoxBeat, s.beat)
		s.r.Frame(&s.f)
	}
}

func (s *scene) close() {
	s.pass(drivers.Second, 100*drivers.Millisecond)
	s.bits = int64(negative)
	s.pass(300*drivers.Millisecond, 100*drivers.Millisecond)
	s.bits = int64(precharge)
	s.pass(600*drivers.Millisecond, s.period)
	s.bits = int64(every)
	s.pass(100*drivers.Millisecond, s.period)
	s.bits = int64(joined)
	s.pass(drivers.Second, 100*drivers.Millisecond)
}

func (s *scene) open(span drivers.Span) {
	s.bits = 0
	s.pass(span, 100*drivers.Millisecond)
}

func (s *scene) report() *Report {
	return s.r.Report(Run{ID: "r000001", Outcome: machine.OutcomeDone})
}

func TestReport(t *testing.T) {
	s := newScene(t, drivers.Millisecond)
	s.close()
	s.open(30 * drivers.Second)
	r := s.report()
	require.True(t, r.Passed, r.Why)
	// C*(R||Rb) and Rb/(R+Rb).
	assert.InDelta(t, 0.099009901, r.Expected, 1e-9)
	assert.InDelta(t, 115.643564/116.8, r.Final, 1e-8)
	require.Len(t, r.Closings, 1)
	c := r.Closings[0]
	assert.InDelta(t, 0.099009901, c.Tau, 2e-4)
	assert.Less(t, c.Within, 2e-3)
	assert.InDelta(t, 0.099009901, c.Tau, c.Within)
	assert.Greater(t, c.Readings, 250)
	assert.True(t, c.Off && c.Still && c.Joined)
	// Half C V^2 of the way to where it settles.
	assert.InDelta(t, 0.5*1e-3*115.643564*115.643564, c.Energy, 0.05)
	assert.InDelta(t, 116.8-115.643564, c.Residual, 0.4)
	require.Len(t, r.Openings, 1)
	o := r.Openings[0]
	assert.True(t, o.Fell)
	assert.InDelta(t, 10, o.Tau, 0.05)
	// t = RC ln(V/60): 116.8 V, 10 kOhm, 1 mF.
	assert.InDelta(t, 6.661185, o.Touch, 0.1)
}

// Fewer than ten readings within three time constants measure nothing.
func TestSlowReadings(t *testing.T) {
	s := newScene(t, 50*drivers.Millisecond)
	s.close()
	s.open(30 * drivers.Second)
	r := s.report()
	assert.False(t, r.Passed)
	assert.Zero(t, r.Closings[0].Tau)
	assert.Less(t, r.Closings[0].Readings, readingsLeast)
	require.Len(t, r.Why, 1)
	assert.Contains(t, r.Why[0], "time constant not measured: fewer than 10 link readings")
}

// What is not as the bench file says is told, each by its own sentence.
func TestNotAsDeclared(t *testing.T) {
	t.Run("another resistor", func(t *testing.T) {
		s := newScene(t, drivers.Millisecond)
		s.plan.Bench.Box.Precharge = 180_000_000
		s.r = NewReader(s.plan)
		s.close()
		s.open(30 * drivers.Second)
		r := s.report()
		require.Len(t, r.Why, 1)
		assert.Contains(t, r.Why[0], "resistor, link and bleed of the bench file make 176.8 ms")
	})
	t.Run("welded", func(t *testing.T) {
		s := newScene(t, drivers.Millisecond)
		s.close()
		s.welded = true
		s.open(30 * drivers.Second)
		require.Len(t, s.report().Why, 1)
		assert.Contains(t, s.r.Report(Run{Outcome: machine.OutcomeDone}).Why[0], "a contactor is welded")
	})
	t.Run("output on", func(t *testing.T) {
		s := newScene(t, drivers.Millisecond)
		s.on = true
		s.close()
		s.open(30 * drivers.Second)
		assert.Contains(t, s.report().Why, "closing 1: an output was on, or a current flowed, beforehand")
	})
	t.Run("polarity", func(t *testing.T) {
		s := newScene(t, drivers.Millisecond)
		s.volts = -116.8
		s.pass(drivers.Second, 100*drivers.Millisecond)
		s.bits = int64(negative)
		s.pass(300*drivers.Millisecond, 100*drivers.Millisecond)
		s.open(30 * drivers.Second)
		assert.Contains(t, s.report().Why[0], "polarity or leads")
	})
	t.Run("tripped", func(t *testing.T) {
		s := newScene(t, drivers.Millisecond)
		s.r.Line(machine.Record{Kind: machine.RecordTrip, Text: "precharge: the link is shorted or the resistor open"}.String())
		r := s.r.Report(Run{Outcome: machine.OutcomeTripped})
		assert.False(t, r.Passed)
		assert.Equal(t, "precharge: the link is shorted or the resistor open", r.Trip)
	})
}

// The textbook's time constant from two readings lies on the fitted line too:
// tau = (t2-t1)/ln((V-V1)/(V-V2)) = 0.100170098 s.
func TestTwoReadings(t *testing.T) {
	const v = 116.8
	points := []point{{0.0187, 20}, {0.0915, 70}}
	middle := math.Sqrt((v - 20) * (v - 70))
	points = append(points, point{(0.0187 + 0.0915) / 2, v - middle})
	tau, sigma, n := fit(points, 0, v)
	assert.Equal(t, 3, n)
	assert.InDelta(t, 0.100170098, tau, 1e-9)
	assert.Less(t, sigma, 1e-9)
}
