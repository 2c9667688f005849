package machine

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// What the host opened by itself counts against the breaking rating like what
// the machine opens (INV-03): recorded, and told to people.
func TestOpenedByTheHost(t *testing.T) {
	s, _ := newWitnessed(t, sessionPlans["charge"])
	require.Equal(t, []Action{Notify{Severity: SeverityAlarm, Text: "contactors were opened under current: check for welds before the next use"}},
		s.m.Step(Opened{At: s.toy.now, Current: drivers.Ampere}), "before any plan there is no rating to tell")
	s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
	s.pass("1min until current")
	box := &s.m.Plan().Bench.Box
	for _, c := range []struct {
		e    Opened
		want string
	}{
		{Opened{Current: box.OpeningCurrent + 1_000}, "contactors opened at " + (box.OpeningCurrent + 1_000).String() + ", above the opening current of " +
			box.OpeningCurrent.String() + "; breaking rating " + box.BreakingCurrent.String() + ": check for welds before the next use"},
		{Opened{Current: box.BreakingCurrent + drivers.Ampere}, "contactors opened at " + (box.BreakingCurrent + drivers.Ampere).String() + ", above the opening current of " +
			box.OpeningCurrent.String() + "; breaking rating " + box.BreakingCurrent.String() + " exceeded: check for welds before the next use"},
		{Opened{Unknown: true}, "contactors opened with the current unknown; breaking rating " + box.BreakingCurrent.String() + ": check for welds before the next use"},
	} {
		c.e.At = s.toy.now
		back, err := ParseEvent(c.e.String())
		require.NoError(t, err)
		require.Equal(t, c.e, back)
		require.Equal(t, []Action{
			Record{Kind: RecordNote, Step: s.m.code.step, Text: c.want},
			Notify{Severity: SeverityAlarm, Text: c.want},
		}, s.m.Step(c.e))
	}
	require.Equal(t, PhaseRunning, s.m.Phase(), "what halted everything trips by its own event")
}
