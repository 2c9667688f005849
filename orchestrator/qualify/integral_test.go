package qualify_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

func chargePlan(t *testing.T, period drivers.Span) *machine.Plan {
	return newPlan(t, bench(1, 1, period), []machine.Step{{Label: "top up", Kind: "charge"}},
		[]machine.Instruction{{Op: machine.OpDrive, Drive: &machine.Drive{Direction: machine.Charging}}})
}

// A current that decays from 20 A with 1800 s for 3600 s: 8.646647168 Ah
// exactly (computed); the trapezoid errs by dt^2/(12*tau^2) of it.
func TestChargeOfATaper(t *testing.T) {
	for dt, share := range map[drivers.Span]float64{drivers.Second: 2.572e-8, 10 * drivers.Second: 2.572e-6, drivers.Minute: 9.259e-5} {
		r := newRig(t, chargePlan(t, dt))
		taper := func(t float64) float64 {
			i := 20 * math.Exp(-t/1800)
			r.cells[0] = 4.2 - 0.05*i/20
			return i
		}
		r.show(taper(0))
		r.begin(0, 1)
		r.run(drivers.Hour, taper)
		r.end("taper current with cell 01 held")
		f := r.a.Finish()
		require.Len(t, f.Steps, 1)
		s := f.Steps[0]
		assert.Equal(t, "ok", string(s.Status), s.Reason)
		const exact = 8.646647168
		assert.InEpsilon(t, exact, s.Charge, 1.001*share+1e-9)
		assert.InEpsilon(t, share, (s.Charge-exact)/exact, 0.05, "the error of dt = %d us is not of second order", dt)
		// Energy is the integral of the product: int (4.2 - 0.05 i/20) i dt.
		wh := 4.2*exact - 0.05/20*400*900*(1-math.Exp(-4))/3600
		assert.InEpsilon(t, wh, s.Energy, 1.01*share+1e-8)
		mean := (4.2 + 4.15) / 2 * exact
		assert.Greater(t, math.Abs(s.Energy-mean)/wh, 5e-4, "mean voltage times charge must not pass for energy")
		assert.InDelta(t, 3600, s.Seconds, 1e-9)
		assert.InEpsilon(t, s.Charge, s.MeanCurrent, 1e-12)
		assert.InDelta(t, 4.15, s.StartVoltage, 1e-6)
		assert.InDelta(t, 4.2-0.05*math.Exp(-2), s.EndVoltage, 1e-6)
	}
}

// 10 A for one hour while the voltage falls from 4.0 to 3.0 V: 10 Ah and
// 35 Wh, for which the trapezoid is exact.
func TestEnergyOfALinearVoltage(t *testing.T) {
	p := newPlan(t, bench(1, 1, 7*drivers.Second), []machine.Step{{Label: "empty", Kind: "discharge"}},
		[]machine.Instruction{{Op: machine.OpDrive, Drive: &machine.Drive{Direction: machine.Discharging}}})
	r := newRig(t, p)
	fall := func(t float64) float64 { r.cells[0] = 4 - t/3600; return -10 }
	r.show(fall(0))
	r.begin(0, 1)
	r.run(drivers.Hour, fall)
	r.end("cell 01 at its end voltage")
	s := r.a.Finish().Steps[0]
	assert.InEpsilon(t, -10, s.Charge, 1e-9)
	assert.InEpsilon(t, -35, s.Energy, 1e-7)
	assert.InEpsilon(t, -10, s.MeanCurrent, 1e-9)
	assert.Equal(t, 1, s.EndCell)
}

// Uneven instants and a step that ends between two frames: each interval counts
// with its actual length, once, for the step it belongs to.
func TestIntervalsBelongToTheirSteps(t *testing.T) {
	p := newPlan(t, bench(1, 1, drivers.Second), []machine.Step{{Label: "a", Kind: "charge"}, {Label: "b", Kind: "charge"}},
		[]machine.Instruction{
			{Op: machine.OpDrive, Step: 0, Drive: &machine.Drive{Direction: machine.Charging}},
			{Op: machine.OpDrive, Step: 1, Drive: &machine.Drive{Direction: machine.Charging}},
		})
	r := newRig(t, p)
	r.show(3)
	r.begin(0, 1)
	for _, dt := range []drivers.Span{100_000, 1_700_000, 50_000, 900_000} {
		r.now = r.now.Add(dt)
		r.show(3)
	}
	r.now = r.now.Add(250_000)
	r.end("time")
	r.begin(1, 1)
	r.now = r.now.Add(750_000)
	r.show(3)
	r.end("time")
	f := r.a.Finish()
	require.Len(t, f.Steps, 2)
	assert.InEpsilon(t, 3*3.0/3600, f.Steps[0].Charge, 1e-9)
	assert.InEpsilon(t, 3*0.75/3600, f.Steps[1].Charge, 1e-9)
}

func TestWhatProvesNothingSaysSo(t *testing.T) {
	steady := func(float64) float64 { return 5 }
	for name, c := range map[string]struct {
		spoil  func(r *rig)
		reason string
	}{
		"paused":  {func(r *rig) { r.record(machine.RecordPause, "operator"); r.record(machine.RecordResume, "") }, "paused; resumed after a pause"},
		"tripped": {func(r *rig) { r.record(machine.RecordTrip, "cell high") }, "the run tripped in this step"},
		"gap":     {func(r *rig) { r.now = r.now.Add(4 * drivers.Second); r.show(5) }, "frames are missing for 4 s"},
		"blind": {func(r *rig) {
			pos := r.layout.Find(drivers.ModuleCurrent)
			for range 3 {
				r.now = r.now.Add(drivers.Second)
				r.frame.At = r.now
				r.frame.Counts[r.layout.Find(drivers.MonitorBeat)]++
				r.frame.Counts[pos] = drivers.NoReading
				r.frames++
				r.a.Frame(&r.frame)
			}
		}, "frames are missing for 4 s"},
		"repeated": {func(r *rig) {
			for range 3 {
				r.now = r.now.Add(drivers.Second)
				r.frame.At = r.now
				r.a.Frame(&r.frame)
			}
		}, "frames are missing for 4 s"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, chargePlan(t, drivers.Second))
			r.show(5)
			r.begin(0, 1)
			r.run(10*drivers.Second, steady)
			c.spoil(r)
			r.run(10*drivers.Second, steady)
			r.end("time")
			s := r.a.Finish().Steps[0]
			assert.Equal(t, "unproven", string(s.Status))
			assert.Equal(t, c.reason, s.Reason)
			assert.InDelta(t, 5*s.Seconds/3600, s.Charge, 1e-9, "the value is shown all the same")
		})
	}
	t.Run("cut off", func(t *testing.T) {
		r := newRig(t, chargePlan(t, drivers.Second))
		r.show(5)
		r.begin(0, 1)
		r.run(10*drivers.Second, steady)
		s := r.a.Finish().Steps[0]
		assert.Equal(t, "the record ends in the middle of the step", s.Reason)
	})
	t.Run("three periods are no gap", func(t *testing.T) {
		r := newRig(t, chargePlan(t, drivers.Second))
		r.show(5)
		r.begin(0, 1)
		r.now = r.now.Add(3 * drivers.Second)
		r.show(5)
		r.end("time")
		assert.Empty(t, r.a.Finish().Steps[0].Reason)
	})
}

func TestFramesThatDoNotFitAreCounted(t *testing.T) {
	r := newRig(t, chargePlan(t, drivers.Second))
	r.show(5)
	r.begin(0, 1)
	r.run(5*drivers.Second, func(float64) float64 { return 5 })
	late := r.frame.Clone()
	late.At = late.At.Add(-2 * drivers.Second)
	r.a.Frame(late)
	r.a.Frame(&drivers.Frame{At: r.now.Add(1), Counts: []int32{1, 2}})
	r.end("time")
	f := r.a.Finish()
	assert.Equal(t, int64(6), f.Frames)
	assert.Equal(t, int64(2), f.Left)
	assert.Contains(t, f.Notes, "1 frames left out: their time does not rise")
	assert.InEpsilon(t, 25.0/3600, f.Steps[0].Charge, 1e-9)
}
