package bench_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// until waits for a status that ok accepts: time stands still in the phases
// that these tests wait for, or they last for hours.
func (x *trial) until(what string, ok func(bench.Status) bool) bench.Status {
	x.t.Helper()
	ch, end := x.virtual.Subscribe()
	defer end()
	timer := time.NewTimer(patience)
	defer timer.Stop()
	for {
		select {
		case s := <-ch:
			if ok(s) {
				return s
			}
		case <-timer.C:
			require.FailNow(x.t, "not in time", "%s: %+v", what, x.virtual.Status().View)
		}
	}
}

func (x *trial) untilPhase(p machine.Phase) bench.Status {
	x.t.Helper()
	return x.until(string(p), func(s bench.Status) bool { return s.View.Phase == p })
}

func (x *trial) command(verb machine.Verb, reason string) error {
	return x.virtual.Command(x.t.Context(), verb, "technician", reason)
}

// dead asserts that no true current flows and the contactors are open. The loop
// must be closed, or its time stand still.
func (x *trial) dead() {
	x.t.Helper()
	truth, c := x.rig.Truth(), x.rig.Plant().Contacts()
	assert.False(x.t, truth.Flowing, "%+v", truth)
	assert.False(x.t, c.Negative || c.Precharge || c.Positive, "contactors are closed: %+v", c)
	assert.Empty(x.t, x.rig.Excursions())
}

// long is a run of 30 hours: seconds of real time, in which a person's commands
// come from other goroutines.
func long(t *testing.T) *trial {
	return newSetup(t, shippedModule(t), shippedBench(t), shippedProfile(t, "qualify")).open(t)
}

func TestOperator(t *testing.T) {
	t.Parallel()
	x := long(t)

	// INV-13: a stop is not refused, on an idle bench either.
	require.NoError(t, x.command(machine.VerbStop, ""))
	assert.ErrorIs(t, x.command(machine.VerbPause, ""), bench.ErrNotRunning)
	assert.ErrorIs(t, x.command(machine.VerbResume, ""), bench.ErrNotRunning)
	assert.ErrorIs(t, x.command(machine.VerbConfirm, ""), bench.ErrNotRunning)
	assert.ErrorIs(t, x.command(machine.VerbAcknowledge, "nothing"), bench.ErrNotRunning)
	assert.ErrorIs(t, x.command(machine.VerbAcknowledge, ""), bench.ErrNoReason)
	assert.Error(t, x.command("dance", ""))

	x.start()
	assert.ErrorIs(t, x.virtual.Start(t.Context(), x.request()), bench.ErrBusy)
	x.until("charging", func(s bench.Status) bool {
		return s.View.Phase == machine.PhaseRunning && s.View.Direction == machine.Charging && s.View.StepSpan > 10*drivers.Second
	})

	require.NoError(t, x.command(machine.VerbPause, "look at a sense wire"))
	paused := x.untilPhase(machine.PhasePaused)
	assert.Contains(t, paused.View.Cause, "look at a sense wire")
	assert.False(t, x.rig.Truth().Flowing, "current flows in a pause")
	assert.ErrorIs(t, x.virtual.Start(t.Context(), x.request()), bench.ErrBusy)
	assert.ErrorIs(t, x.command(machine.VerbPause, ""), bench.ErrNotRunning)
	// Virtual time waits for the person.
	assert.Equal(t, paused.View.At, x.virtual.Status().View.At)

	require.NoError(t, x.command(machine.VerbResume, ""))
	x.until("charging again", func(s bench.Status) bool {
		return s.View.Phase == machine.PhaseRunning && s.View.Direction == machine.Charging && s.View.At > paused.View.At
	})

	require.NoError(t, x.command(machine.VerbStop, "end of the shift"))
	e := x.wait()
	assert.Equal(t, machine.OutcomeStopped, e.Outcome)
	assert.Contains(t, e.Reason, "technician")
	assert.Contains(t, e.Reason, "end of the shift")
	require.NoError(t, x.command(machine.VerbStop, ""), "a stop of a finished run")
	require.NoError(t, x.virtual.Close())
	x.dead()
	assert.Equal(t, 1, x.tape.safe)
	for _, kind := range []machine.RecordKind{machine.RecordPause, machine.RecordResume} {
		assert.Len(t, x.tape.records(kind), 1, kind)
	}
	assert.ErrorIs(t, x.virtual.Start(t.Context(), x.request()), bench.ErrClosed)
	assert.ErrorIs(t, x.command(machine.VerbStop, ""), bench.ErrClosed)
}

// A paused run can be stopped, and replays like any other.
func TestStopInAPause(t *testing.T) {
	t.Parallel()
	x := long(t)
	x.tape.keepFrames = true
	x.start()
	x.until("charging", func(s bench.Status) bool { return s.View.Direction == machine.Charging })
	require.NoError(t, x.command(machine.VerbPause, ""))
	x.untilPhase(machine.PhasePaused)
	require.NoError(t, x.command(machine.VerbStop, ""))
	assert.Equal(t, machine.OutcomeStopped, x.wait().Outcome)
	require.NoError(t, x.virtual.Close())
	x.dead()
	report := x.replayed()
	assert.Zero(t, report.Differing, "%+v", report.Differences)
}

// INV-05: a trip latches until a person acknowledges it with a reason, and
// nothing energises before.
func TestINV05_LatchAndAcknowledge(t *testing.T) {
	t.Parallel()
	s := quick(t)
	f, err := virtual.ParseFault("emergency-stop charging=30s for=1s")
	require.NoError(t, err)
	s.config.Faults = []virtual.Fault{f}
	x := s.open(t)
	x.start()
	e := x.wait()
	require.Equal(t, machine.OutcomeTripped, e.Outcome)
	require.True(t, e.Cleared)
	assert.Contains(t, e.Trip, "emergency_stop")

	latched := x.untilPhase(machine.PhaseLatched)
	assert.Contains(t, latched.Latched, "emergency_stop")
	err = x.virtual.Start(t.Context(), x.request())
	require.ErrorIs(t, err, bench.ErrLatched)
	assert.Contains(t, err.Error(), "emergency_stop")
	require.NoError(t, x.command(machine.VerbStop, ""), "INV-13")
	assert.ErrorIs(t, x.command(machine.VerbResume, ""), bench.ErrNotRunning)
	assert.ErrorIs(t, x.command(machine.VerbAcknowledge, ""), bench.ErrNoReason)
	assert.ErrorIs(t, x.command(machine.VerbAcknowledge, "  "), bench.ErrNoReason, "blanks are no reason")
	assert.ErrorIs(t, x.virtual.Command(t.Context(), machine.VerbAcknowledge, "", "pressed by mistake"), bench.ErrNoReason)
	assert.ErrorIs(t, x.virtual.Start(t.Context(), x.request()), bench.ErrLatched)

	require.NoError(t, x.command(machine.VerbAcknowledge, "pressed by mistake"))
	x.until("free", func(s bench.Status) bool { return s.Latched == "" })
	x.tape = newTape()
	x.start()
	assert.Equal(t, machine.OutcomeDone, x.wait().Outcome, "after the acknowledgement the bench works again")
	require.NoError(t, x.virtual.Close())
	x.dead()
	assert.Equal(t, "technician", x.latches.clearedBy)
	assert.Equal(t, "pressed by mistake", x.latches.why)
}

// INV-05, INV-06: a latch that the store remembers holds after a restart.
func TestINV05_LatchOutlivesARestart(t *testing.T) {
	t.Parallel()
	x := quick(t).open(t)
	require.NoError(t, x.virtual.Close())
	again := bench.NewVirtual(x.rig, bench.Options{Name: "quay-1", Latched: "lone_cell: cell 7", Latches: x.latches})
	defer again.Close()
	err := again.Start(t.Context(), x.request())
	require.ErrorIs(t, err, bench.ErrLatched)
	assert.Contains(t, err.Error(), "lone_cell: cell 7")
	require.NoError(t, again.Command(t.Context(), machine.VerbAcknowledge, "test engineer", "sense wire replaced"))
	require.NoError(t, again.Start(t.Context(), x.request()))
	assert.Equal(t, machine.OutcomeDone, x.wait().Outcome)
}

// Closing a bench in the middle of a run stops it, safe and recorded.
func TestCloseStopsTheRun(t *testing.T) {
	t.Parallel()
	x := long(t)
	x.start()
	x.until("charging", func(s bench.Status) bool { return s.View.Direction == machine.Charging })
	require.NoError(t, x.virtual.Close())
	e := x.wait()
	assert.Equal(t, machine.OutcomeStopped, e.Outcome)
	x.dead()
	assert.Equal(t, 1, x.tape.safe)
	assert.Positive(t, x.tape.commits)
	assert.True(t, x.tape.has("finish outcome=\"stopped\""))
	require.NoError(t, x.virtual.Close(), "twice is as good as once")
}
