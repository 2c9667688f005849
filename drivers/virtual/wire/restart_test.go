package wire

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// sweepCounter is the counter that a sweep carries.
func sweepCounter(f map[uint16]canFrame) byte { return f[idCurrent].data[4] }

// A bus that sends a sweep twice, or lets one be overtaken by the next, shows it
// in the counter that the sweep carries.
func TestDoubledAndReorderedSweeps(t *testing.T) {
	const sweep = 1 + 8 + 2 + 1
	period := 100 * drivers.Millisecond
	for kind, want := range map[virtual.FaultKind][]byte{
		virtual.FramesDoubled:   {1, 1, 2, 2, 3, 3, 4, 4},
		virtual.FramesReordered: {2, 1, 4, 3}, // each other sweep is held back
	} {
		t.Run(string(kind), func(t *testing.T) {
			r := newRig(t, nil)
			l := r.join(r.s.Addresses().Monitor[0])
			r.advance(period)
			before := sweepCounter(l.sweep(sweep))
			require.NoError(t, r.s.Inject(virtual.Fault{Kind: kind, RatePPM: 1_000_000, For: 4*period + period/2, When: virtual.Trigger{On: virtual.AfterStart}}))
			r.advance(1)
			for range 4 {
				r.advance(period)
			}
			var got []byte
			for range want {
				got = append(got, sweepCounter(l.sweep(sweep))-before)
			}
			assert.Equal(t, want, got)
		})
	}
}

// No wire carries a time, so none can step: the fault is refused in words, when it
// is injected and when a bench that has it is put on wires.
func TestTimeStepsAreNotOnWires(t *testing.T) {
	f := virtual.Fault{Kind: virtual.TimeSteps, Delay: drivers.Second, When: virtual.Trigger{On: virtual.AfterStart}}
	r := newRig(t, nil)
	require.ErrorContains(t, r.s.Inject(f), "time-steps: no wire here carries a time")
	c := benchConfig()
	c.Faults = []virtual.Fault{f}
	b, err := virtual.New(c)
	require.NoError(t, err)
	_, err = Start(Config{Realtime: virtual.NewRealtime(b, func() drivers.Instant { return epoch })})
	require.ErrorContains(t, err, "no wire here carries a time")
}

// A device that browns out comes back with the registers of a power-on: off,
// nothing set, no communication timeout, and the event that says so.
func TestSetupLostOnWires(t *testing.T) {
	now := virtual.Trigger{On: virtual.AfterStart}
	for _, d := range []virtual.Device{virtual.DeviceSupply, virtual.DeviceLoad} {
		t.Run(string(d), func(t *testing.T) {
			r := newRig(t, nil)
			p := dial(t, r.address(d))
			require.Equal(t, "128", p.ask("*ESR?"), "power on (IEEE 488.2, 11.5.1.1.2)")
			require.Equal(t, "0", p.ask("*ESR?"))
			p.obey("CURR 10;:CURR:PROT 20;:VOLT:PROT 90;:SYST:COMM:TIM 2;:STAT:QUES:ENAB 16")
			require.NoError(t, r.s.Inject(virtual.Fault{Kind: virtual.SetupLost, Device: d, When: now}))
			r.run(drivers.Second / 10)
			assert.Equal(t, "128", p.ask("*ESR?"))
			assert.Zero(t, value(t, p.ask("CURR?")))
			assert.Zero(t, value(t, p.ask("SYST:COMM:TIM?")))
			spec := virtual.WorkshopBench()
			most := spec.Supply
			if d == virtual.DeviceLoad {
				most = spec.Load
			}
			assert.InDelta(t, float64(most.CurrentMax)/1e6, value(t, p.ask("CURR:PROT?")), 1e-6)
			assert.InDelta(t, float64(most.VoltageMax)/1e6, value(t, p.ask("VOLT:PROT?")), 1e-6)
			assert.Equal(t, "0", p.ask("STAT:QUES:ENAB?"))
		})
	}
	t.Run("box", func(t *testing.T) {
		r := newRig(t, nil)
		r.rt.Do(func(b *virtual.Bench) {
			bank := &boxBank{box: &r.s.box, b: b, record: &r.s.record}
			require.Zero(t, bank.write(holdCommand, []uint16{uint16(drivers.BoxNegative), 7}))
			require.EqualValues(t, 7, r.s.box.heartbeat)
		})
		require.NoError(t, r.s.Inject(virtual.Fault{Kind: virtual.SetupLost, Device: virtual.DeviceBox, When: now}))
		r.advance(drivers.Second / 10)
		r.rt.Do(func(*virtual.Bench) { assert.Equal(t, box{}, r.s.box) })
	})
	t.Run("monitor", func(t *testing.T) {
		const sweep = 1 + 8 + 2 + 1
		r := newRig(t, nil)
		l := r.join(r.s.Addresses().Monitor[0])
		for range 5 {
			r.advance(100 * drivers.Millisecond)
			l.sweep(sweep)
		}
		require.NoError(t, r.s.Inject(virtual.Fault{Kind: virtual.SetupLost, Device: virtual.DeviceMonitor, When: now}))
		r.advance(1)
		r.advance(100 * drivers.Millisecond)
		assert.EqualValues(t, 1, sweepCounter(l.sweep(sweep)), "it counts anew")
	})
}
