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

// TestLinkSagsAsContactorTravels: once the positive contactor had been told to
// close, nobody looked at the link until it had; a drain that began meanwhile was
// closed on to over whatever had gone by then (INV-09). What health can show is
// the margin and both meters' errors.
func TestLinkSagsAsContactorTravels(t *testing.T) {
	m := New()
	m.plan = &Plan{Series: 12, CellResistance: 4_000, Absolute: Absolute{CurrentMax: 10 * drivers.Ampere}}
	box := &m.plan.Bench.Box
	box.DifferenceMax, box.LinkStep, box.LinkAcc = drivers.Volt, 10_000, drivers.Accuracy{GainPPM: 1000, Offset: 20_000}
	m.plan.Bench.Meter.VoltageAcc = drivers.Accuracy{Offset: 2_000}
	s := &m.meas
	s.voltageOK, s.linkOK, s.voltage = true, true, 43*drivers.Volt
	const margin, err = 240_000, 43_000 + 20_000 + 2_000 + 2*10_000
	s.link = s.voltage - margin - err
	assert.False(t, m.linkSagged())
	s.link -= 10 // both accuracies are rounded up
	assert.True(t, m.linkSagged())
	s.linkOK = false
	assert.False(t, m.linkSagged(), "a reading that is missing is another finding")
}
