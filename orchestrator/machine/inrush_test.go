package machine

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/rigwarden/rigwarden/drivers"
)

// TestClosingInrush: closing the positive contactor over all of the voltage that
// the box allows drew sixteen amperes out of cells whose maker allows ten, for as
// long as the link took to rise; what is left across the contactor now drives no
// more than half of the maker's current (INV-09, INV-12).
func TestClosingInrush(t *testing.T) {
	m := New()
	m.plan = &Plan{Series: 12, CellResistance: 4_000, Absolute: Absolute{CurrentMax: 10 * drivers.Ampere}}
	box := &m.plan.Bench.Box
	box.DifferenceMax, box.LinkStep, box.LinkAcc = drivers.Volt, 10_000, drivers.Accuracy{GainPPM: 1000, Offset: 20_000}
	m.meas.voltage = 43 * drivers.Volt
	assert.Equal(t, drivers.Microvolts(240_000), m.closeWithin(), "half of 10 A through 48 mOhm")

	box.LinkAcc.Offset = 400_000
	assert.InDelta(t, 463_000, int64(m.closeWithin()), 10, "what the link's meter cannot tell apart is not waited for")
	m.plan.CellResistance = 40_000
	assert.Equal(t, drivers.Volt, m.closeWithin(), "never more than the box allows")
}
