package machine

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/rigwarden/rigwarden/drivers"
)

// On a machine with more to do than it can, the command to the precharge contactor
// was on its way for so long that the link had no time to rise, and a healthy one
// counted as shorted. A link that stays down is found from the contact on, and one
// whose contact never closes by what the contacts read (INV-09).
func TestPrechargeIsTimedFromTheContact(t *testing.T) {
	const ms = drivers.Millisecond
	s := newSession(t)
	s.toy.late = 350 * ms
	assert.NoError(t, s.m.Load(sessionPlans["charge"]()))
	s.command("start")
	s.pass("20s until current")
	assert.Equal(t, PhaseRunning, s.m.Phase(), s.m.trip.text)
	assert.InDelta(t, int64(100*ms), int64(s.m.sw.tau), float64(5*ms), "R*C of the toy")

	for fault, want := range map[string]string{"link short": "not yet a fifth", "never": "commanded are negative+precharge"} {
		s := newSession(t)
		s.toy.late, s.toy.faults[fault] = 350*ms, true
		if fault == "never" {
			s.toy.late = drivers.Hour
		}
		assert.NoError(t, s.m.Load(sessionPlans["charge"]()))
		s.command("start")
		s.pass("20s until latched")
		assert.Equal(t, PhaseLatched, s.m.Phase())
		assert.Contains(t, s.m.trip.text, want, fault)
	}
}
