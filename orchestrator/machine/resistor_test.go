package machine

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// closes tells when each precharge began, in a run of three closings.
func closes(t *testing.T, energy drivers.Energy, span drivers.Span) []drivers.Instant {
	s, w := newWitnessed(t, func() *Plan {
		open := func(step int) Instruction { return Instruction{Op: OpSwitch, Step: step, Switch: &Switch{}} }
		rest := func(step int) Instruction {
			return Instruction{Op: OpWait, Step: step, Wait: &Wait{Span: 8 * drivers.Second}}
		}
		p := toyPlan(closing(0), open(1), rest(2), closing(3), open(4), rest(5), closing(6))
		p.Bench.Box.ResistorEnergy, p.Bench.Box.ResistorSpan = energy, span
		return p
	})
	s.toy.drain = drivers.Second
	var at []drivers.Instant
	see := s.record
	done := false
	s.record = func(e Event, actions []Action) {
		see(e, actions)
		for _, a := range actions {
			switch a := a.(type) {
			case SwitchTo:
				if a.Closed == precharging {
					at = append(at, e.When())
				}
			case Finish:
				done = true
				require.Equal(t, OutcomeDone, a.Outcome, a.Reason)
			}
		}
	}
	s.event(Start{At: s.toy.now, Run: "R", Who: "tester", Epoch: s.m.Epoch()})
	for until := s.toy.now.Add(10 * drivers.Minute); !done && s.toy.now < until; {
		s.turn(s.toy.now.Add(drivers.Second))
	}
	require.True(t, done)
	require.Empty(t, w.broken)
	require.Len(t, at, 3)
	return at
}

// Filling 1 mF to 13.015 V takes the precharge resistor half of C times V squared,
// 84.7 mJ, whatever its resistance. One that may take 100 mJ and sheds them in a
// minute waits for most of a minute between closings; after a start of the process
// it counts as warm. Without a declaration nothing waits.
func TestResistorCools(t *testing.T) {
	free := closes(t, 0, 0)
	require.Less(t, free[1].Sub(free[0]), 12*drivers.Second)

	at := closes(t, 100_000, drivers.Minute)
	took := 50_817 * drivers.Millisecond // 0.5 * 1 mF * (13.015 V)^2 / 100 mJ of the minute
	require.InDelta(t, float64(free[0].Add(took)), float64(at[0]), 0.5e6, "as warm as can be after a start")
	for i := 1; i < len(at); i++ {
		require.GreaterOrEqual(t, at[i].Sub(at[i-1]), took-200*drivers.Millisecond)
		require.Less(t, at[i].Sub(at[i-1]), took+3*drivers.Second)
	}

	strong := closes(t, 1_000_000, drivers.Minute)
	require.Less(t, strong[2].Sub(strong[1]), 12*drivers.Second, "there is room for ten")
}

// A precharge that went wrong may have taken more than filling does: the resistor
// counts as warm as can be.
func TestResistorAfterShort(t *testing.T) {
	s, _ := newWitnessed(t, func() *Plan {
		p := toyPlan(closing(0))
		p.Bench.Box.ResistorEnergy, p.Bench.Box.ResistorSpan = 1_000_000, drivers.Minute
		return p
	})
	s.toy.faults["link short"] = true
	s.event(Start{At: s.toy.now, Run: "R", Who: "tester", Epoch: s.m.Epoch()})
	for i := 0; i < 4000 && s.m.Phase() != PhaseLatched; i++ {
		s.turn(s.toy.now.Add(drivers.Second))
	}
	require.Equal(t, PhaseLatched, s.m.Phase())
	require.False(t, s.m.warm.known)
	require.EqualValues(t, 1_000_000, s.m.warmth())
}
