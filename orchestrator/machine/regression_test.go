package machine

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// Each test here is a mistake that was made once, with its story.

// actions collects what the machine does from now on.
func actions(s *session) *[]Action {
	var l []Action
	s.record = func(_ Event, as []Action) { l = append(l, as...) }
	return &l
}

func started(t *testing.T, p *Plan) *session {
	s := newSession(t)
	require.NoError(t, s.m.Load(p))
	s.command("start")
	return s
}

// A run that ended while paused left its drive behind, and the next run, on
// perhaps another module, began with it.
func TestNextRunForgetsTheLast(t *testing.T) {
	for _, end := range []string{"stop", "trip"} {
		s := started(t, sessionPlans["charge"]())
		s.pass("20s until current")
		s.pass("3s")
		s.command("do pause x")
		s.pass("3s until paused")
		if end == "stop" {
			s.command("do stop x")
		} else {
			s.toy.faults["estop"] = true
			s.pass("3s until latched")
			s.toy.faults["estop"] = false
			s.command("do acknowledge x")
		}
		s.pass("5s until watching")
		require.NoError(t, s.m.Load(toyPlan(closing(0), Instruction{Op: OpDrive, Step: 1, Drive: &Drive{
			Direction: Discharging, Current: drivers.Ampere, CellEnd: 3_200_000, Voltage: 10 * drivers.Volt, Bounds: wide,
		}})))
		l := actions(s)
		s.command("start")
		s.pass("10s")
		sets := 0
		for _, a := range *l {
			if set, ok := a.(Set); ok {
				require.Equal(t, Discharging, set.Direction, end)
				require.Equal(t, drivers.Ampere, set.Current, end)
				sets++
			}
		}
		require.NotZero(t, sets, end)
	}
}

// One frame without the meter's reading counted as 0 V and closed the positive
// contactor on to a link that was not charged (INV-02, INV-09).
func TestMissingMeterDoesNotClose(t *testing.T) {
	s := started(t, sessionPlans["charge"]())
	s.pass("5s until precharge")
	s.pass("110ms")
	require.Less(t, s.toy.link, s.toy.article()-500_000)
	s.toy.advance(s.toy.next())
	f := s.toy.frame()
	f.Counts[s.toy.layout.Find(drivers.ModuleVoltage)] = drivers.NoReading
	require.Empty(t, s.m.StepFrame(f.At, f))
	require.Equal(t, precharging, s.m.cmd.contactors)
}

// A latched cell over its limit hid that current began to flow again: only the
// first finding was looked at (INV-03).
func TestOldFindingHidesNoCurrent(t *testing.T) {
	s := started(t, sessionPlans["charge"]())
	s.pass("20s until current")
	s.toy.offset[1] = 400_000
	s.pass("5s until latched")
	s.pass("2s")
	l := actions(s)
	s.toy.seep = 4 * drivers.Ampere
	s.pass("1s")
	require.NotEmpty(t, *l)
	require.IsType(t, Halt{}, (*l)[0])
	require.Equal(t, PhaseTripped, s.m.Phase())
}

// A bound that was reached was forgotten by a pause while the current fell, and
// the drive began again with a fresh one (INV-11).
func TestBoundSurvivesPause(t *testing.T) {
	p := sessionPlans["charge"]()
	p.Code[1].Drive.Bounds.Span = 20 * drivers.Second
	s := started(t, p)
	s.pass("60s until off")
	require.Equal(t, stageFall, s.m.drive.stage)
	s.command("do pause x")
	s.pass("2s until paused")
	l := actions(s)
	s.command("do resume x")
	s.pass("10s until watching")
	for _, a := range *l {
		_, sets := a.(Set)
		require.False(t, sets, "it drives again")
	}
	require.Equal(t, OutcomeFailed, s.m.stop.outcome)
}

// A person was asked to act while a welded contactor kept the link live.
func TestAskWaitsForOpenContactors(t *testing.T) {
	s := started(t, sessionPlans["ask"]())
	l := actions(s)
	s.toy.faults["does not open"] = true
	s.pass("10s until tripped")
	require.Equal(t, PhaseTripped, s.m.Phase())
	for _, a := range *l {
		if n, ok := a.(Notify); ok {
			require.NotEqual(t, SeverityAsk, n.Severity)
		}
	}
}

// What was asked to be unplugged tripped by being unplugged.
func TestUnpluggedAsAsked(t *testing.T) {
	s := started(t, sessionPlans["ask"]())
	s.pass("10s until asking")
	s.pass("1s")
	require.True(t, s.m.Asks())
	s.event(Lost{At: s.toy.now, Device: "monitor", Reason: "unplugged"})
	require.Equal(t, PhaseAsking, s.m.Phase())
	// What cannot go on afterwards ends as failed, with zero current proven.
	s.toy.faults["arm reads back loose"] = true
	s.command("do confirm done")
	l := actions(s)
	s.pass("10s until watching")
	require.IsType(t, Finish{}, (*l)[len(*l)-1])
	require.Equal(t, OutcomeFailed, (*l)[len(*l)-1].(Finish).Outcome)
}

// Three quick frames of the box alone cleared a trip while the shunt's latest
// reading still showed a current (INV-04).
func TestFastFramesProveNothing(t *testing.T) {
	s := started(t, sessionPlans["charge"]())
	s.pass("20s until current")
	s.event(Lost{At: s.toy.now, Device: "supply", Reason: "test"})
	s.toy.advance(s.toy.next())
	f := s.toy.frame()
	i := s.toy.layout.Find(drivers.ModuleCurrent)
	f.Counts[i] = s.toy.layout.Channels[i].Scale.Nearest(2_000_000)
	s.answer(append([]Action(nil), s.m.StepFrame(f.At, f)...))
	for range 4 {
		s.toy.advance(s.toy.now.Add(20 * drivers.Millisecond)) // the box alone
		g := s.toy.frame()
		g.Counts[i] = f.Counts[i]
		s.answer(append([]Action(nil), s.m.StepFrame(g.At, g)...))
		require.Equal(t, PhaseTripped, s.m.Phase())
	}
}

// A drive that the cold forbade ended as done, and the run went on.
func TestForbiddenDriveWaits(t *testing.T) {
	p := sessionPlans["charge"]()
	p.Limits.ChargeTable = []guard.ChargeRow{{Temp: 278_150, Current: 2 * drivers.Ampere}}
	s := newSession(t)
	require.NoError(t, s.m.Load(p))
	s.toy.temp = [2]drivers.Millikelvins{277_150, 277_150}
	s.command("start")
	s.pass("20s until paused")
	require.Equal(t, PhasePaused, s.m.Phase())
	s.toy.temp = [2]drivers.Millikelvins{281_150, 281_150}
	s.pass("60s until current")
	require.True(t, s.toy.supply.On, "it goes on once it is warm enough")
}

// A share of a register that was never measured had no end.
func TestShareOfNothing(t *testing.T) {
	s := started(t, toyPlan(closing(0), Instruction{Op: OpDrive, Step: 1, Drive: &Drive{
		Direction: Charging, Current: 4 * drivers.Ampere, ChargeOf: 1, PerMille: 500, Voltage: 15 * drivers.Volt, Bounds: wide,
	}}))
	s.pass("20s until watching")
	require.Equal(t, OutcomeFailed, s.m.stop.outcome)
	require.Zero(t, s.toy.supply.Current)
}

// A plan that jumps without taking time overflowed the stack.
func TestJumpWithoutTime(t *testing.T) {
	s := started(t, toyPlan(closing(0), Instruction{Op: OpJump, Step: 0, Jump: &Jump{Target: 0, Max: 50_000_000}}))
	s.pass("20s until watching")
	require.Equal(t, OutcomeFailed, s.m.stop.outcome)
	require.Equal(t, "the plan loops without taking time", s.m.stop.reason)
}

// A trip while nothing ran counted as unproven at once.
func TestTripInTheWatch(t *testing.T) {
	s := started(t, sessionPlans["charge"]())
	s.pass("20s until current")
	s.command("do stop x")
	s.pass("5s until watching")
	s.toy.temp[0] = 340_150
	s.pass("5s until tripped")
	require.False(t, s.m.Unproven())
	s.pass("5s until latched")
	require.Equal(t, PhaseLatched, s.m.Phase())
}

// Frames that stopped after a run were no alarm, though temperatures were still
// being watched (INV-16).
func TestSilenceInTheWatch(t *testing.T) {
	s := started(t, sessionPlans["charge"]())
	s.pass("20s until current")
	s.command("do stop x")
	s.pass("5s until watching")
	l := actions(s)
	s.toy.faults["no frames"] = true
	s.pass("1min")
	require.Len(t, *l, 2, "one record and one notification")
	require.IsType(t, Notify{}, (*l)[1])
	require.Equal(t, PhaseWatching, s.m.Phase())
}

// A pause that no warmth ever ended lasted for ever (INV-11).
func TestSoftPauseIsBounded(t *testing.T) {
	p := sessionPlans["charge"]()
	p.Limits.ChargeTable = []guard.ChargeRow{{Temp: 278_150, Current: 2 * drivers.Ampere}}
	s := newSession(t)
	require.NoError(t, s.m.Load(p))
	s.toy.temp = [2]drivers.Millikelvins{277_150, 277_150}
	s.command("start")
	s.pass("20s until paused")
	s.m.pause.since -= drivers.Instant(pauseMax - drivers.Hour) // an hour is enough to wait for
	s.pass("2h until watching")
	require.Equal(t, OutcomeFailed, s.m.stop.outcome)
	require.Equal(t, drivers.Contactors(0), s.toy.closed)
}

// A fuse that blew in mid-discharge was noticed by the step's time bound only.
func TestPathOpensWhileCurrentFlows(t *testing.T) {
	for _, name := range []string{"charge", "pulse"} {
		s := started(t, sessionPlans[name]())
		s.pass("20s until current")
		s.pass("3s")
		s.toy.faults["fuse blown"] = true
		s.pass("7s until tripped")
		require.Equal(t, PhaseTripped, s.m.Phase(), name)
	}
}

// Where a bled link settles does not depend on where it began: closing again on
// one that was still nearly full waited for a voltage it could not reach, and
// tripped a healthy bench.
func TestClosesAgainOnANearlyFullLink(t *testing.T) {
	p := sessionPlans["charge"]()
	p.Code[0].Switch.FinalPerMille = 970
	s := started(t, p)
	s.toy.bled = 30
	s.toy.link = s.toy.article() * 94 / 100
	s.pass("20s until current")
	require.Equal(t, PhaseRunning, s.m.Phase())
}
