package machine

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// INV-02: a first level whose time runs out while nothing is measured any more never
// goes up to the second; what follows is a trip.
func TestNothingGoesUpUnseen(t *testing.T) {
	for _, fault := range []string{"", "no frames", "monitor silent"} {
		s, w := newWitnessed(t, sessionPlans["levels"])
		see, most := s.record, drivers.Microamps(0)
		s.record = func(e Event, actions []Action) {
			see(e, actions)
			for _, a := range actions {
				if set, ok := a.(Set); ok {
					most = max(most, set.Current)
				}
			}
		}
		s.command("start")
		s.pass("20s until current")
		s.pass("9950ms") // half the edge is 50 ms after the command: 100 ms before its time is out
		require.Equal(t, drivers.Ampere, s.m.cmd.current)
		s.toy.faults[fault] = true
		s.pass("1s")
		if fault == "" {
			assert.Equal(t, 5*drivers.Ampere, most)
		} else {
			assert.Equal(t, drivers.Ampere, most, fault)
			assert.NotEqual(t, PhaseRunning, s.m.Phase(), fault)
		}
		assert.Empty(t, w.broken)
	}
}
