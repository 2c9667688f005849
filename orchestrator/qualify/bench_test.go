package qualify_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// A frame costs nothing in memory, whatever the step.
func TestFrameAllocatesNothing(t *testing.T) {
	for name, c := range map[string]struct {
		plan *machine.Plan
		step int
	}{
		"charge": {cyclePlan(t, bench(24, 6, 100*drivers.Millisecond)), stepCharge},
		"pulse":  {pulsePlan(t, bench(24, 6, 100*drivers.Millisecond)), 1},
		"rest":   {cyclePlan(t, bench(24, 6, 100*drivers.Millisecond)), stepRest},
	} {
		r := newRig(t, c.plan)
		r.bleed[0] = 5
		r.show(0)
		r.begin(c.step, 1)
		i := 0.0
		n := testing.AllocsPerRun(1000, func() {
			r.now = r.now.Add(r.period)
			if r.frames%150 == 0 {
				i = -100 - i
			}
			r.show(i)
		})
		assert.Zero(t, n, name)
	}
}

// 50 channels, the frames of a day and a half at 10 Hz in well under 2 s.
func BenchmarkFrame(b *testing.B) {
	t := &testing.T{}
	r := newRig(t, cyclePlan(t, bench(32, 6, 100*drivers.Millisecond)))
	r.show(0)
	r.begin(stepDischarge, 1)
	b.ReportAllocs()
	for b.Loop() {
		r.frame.At = r.frame.At.Add(r.period)
		r.frame.Counts[r.layout.Find(drivers.ModuleCurrent)] = -20_000_000
		r.frame.Counts[r.layout.Find(drivers.MonitorBeat)]++
		r.a.Frame(&r.frame)
	}
}
