package machine

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// TestHoldAllocatesNothing: a frame in a hold that calls for no command costs
// no allocation.
func TestHoldAllocatesNothing(t *testing.T) {
	s := newSession(t)
	for _, line := range []string{"plan charge", "start", "for 2h until hold"} {
		s.command(line)
	}
	require.True(t, s.m.drive.hold.active)
	f := s.toy.frame()
	beats := []drivers.Kind{drivers.MonitorBeat, drivers.MeterBeat, drivers.BoxBeat, drivers.SupplyBeat, drivers.LoadBeat}
	// The highest cell stands 6 mV under its target at the whole current, so that
	// nothing need change.
	put := func(ch int, v int64) { f.Counts[ch] = s.toy.layout.Channels[ch].Scale.Nearest(v) }
	top := int64(s.m.drive.ins.Hold) - 6_000
	for k := range 4 {
		put(k, top-int64(3-k)*2000)
	}
	put(s.toy.layout.Find(drivers.ModuleVoltage), 4*top-12_000)
	next := func() int {
		f.At = f.At.Add(100 * drivers.Millisecond)
		for _, k := range beats {
			f.Counts[s.toy.layout.Find(k)]++
		}
		return len(s.m.StepFrame(f.At, f))
	}
	for range 100 {
		next()
	}
	require.Equal(t, s.m.drive.ins.Current, s.m.cmd.current)
	actions := 0
	require.Zero(t, testing.AllocsPerRun(500, func() { actions += next() }))
	require.Zero(t, actions, "no command was due")
	require.Equal(t, PhaseRunning, s.m.Phase())
	require.Equal(t, stageFlow, s.m.drive.stage)
}
