package host

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/test/bufconn"

	"github.com/rigwarden/rigwarden/drivers"
)

const tms = time.Millisecond

func TestServeStartsByDrivingSafe(t *testing.T) { // INV-06
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		require.Equal(t, []heard{{0, "halt"}, {0, "identify"}}, r.supply.heardSince(0))
		require.Equal(t, []heard{{0, "halt"}, {0, "identify"}}, r.box.heardSince(0))
		require.Equal(t, []heard{{0, "halt"}, {0, "identify"}}, r.monitor.heardSince(0))
		d := r.client.Describe()
		require.Equal(t, "slip-1", d.Bench)
		require.Equal(t, drivers.Identity{Maker: "slipway", Model: "fake", Serial: "M-1", Firmware: "1"}, d.Identities[RoleMonitor])
		require.Equal(t, []drivers.Span{100 * ms, 5 * ms, drivers.Second, ms}, []drivers.Span{d.Period, d.LinkPeriod, d.Lease, d.Scheduling})
	})
}

func TestServeFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		l := testLayout(t)
		var last *drivers.Frame
		for range 5 {
			f := <-r.client.Frames()
			if last != nil {
				require.Equal(t, last.Echo+1, f.Echo)
				require.Equal(t, 100*ms, f.At.Sub(last.At))
				require.Equal(t, last.Counts[l.Find(drivers.MonitorBeat)]+1, f.Counts[l.Find(drivers.MonitorBeat)])
			}
			require.Equal(t, int32(22_000), f.Counts[l.Cell(2)])
			require.Equal(t, int32(2983), f.Counts[l.Temp(1)])
			require.Equal(t, int32(79_000), f.Counts[l.Find(drivers.ModuleVoltage)])
			last = f
		}
		require.NoError(t, r.client.Fast(t.Context(), true))
		<-r.client.Frames() // the first one after the change of pace
		a, b := <-r.client.Frames(), <-r.client.Frames()
		require.Equal(t, 5*ms, b.At.Sub(a.At), "link period")
	})
}

// INV-03, INV-05: no renewal, no energy. The lease counts from arming and then
// from the reading that a renewal quotes.
func TestServeLeaseRunsOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		pass(30 * tms)
		armed := r.now()
		r.energise(1)
		synctest.Wait()
		r.drain()
		f := <-r.client.Frames() // taken at 100 ms
		require.NoError(t, r.client.Renew(1, f.Echo, 400*ms))
		require.NoError(t, r.client.Renew(1, f.Echo-1, drivers.Second)) // a second after 0 ms
		pass(armed + time.Second - r.now())
		// Armed at 30 ms, so live until 1030 ms: the renewals grant 500 ms and 1000 ms.
		require.Equal(t, []heard{{1030 * tms, "halt"}}, r.supply.heardSince(armed+tms))
		require.Equal(t, []heard{{1030 * tms, "halt"}}, r.load.heardSince(armed+tms))
		require.Equal(t, []heard{{1030 * tms, "halt"}}, r.monitor.heardSince(armed+tms))
		// 20 A still flow: the contactors wait for the opening time (100 ms).
		require.Empty(t, r.box.heardSince(armed+tms))
		pass(100 * tms)
		require.Equal(t, []heard{{1130 * tms, "halt"}}, r.box.heardSince(armed+tms))

		e := <-r.client.Events()
		require.Equal(t, EventLeaseOut, e.Kind)
		require.Equal(t, "the lease ran out; everything was halted", e.Text)
		e = <-r.client.Events()
		require.Equal(t, EventOpened, e.Kind)
		require.Equal(t, Breach{Channel: -1, Value: 20_000_000, Limit: 2_000_000}, e.Breach, "over the opening current: weld check")

		state := testLayout(t).Find(drivers.SupplyState)
		r.drain()
		require.Equal(t, int32(drivers.PowerLeaseOut), (<-r.client.Frames()).Counts[state], "the frames show it")

		// Nothing energises again but a newer arming.
		require.ErrorIs(t, r.client.Set(t.Context(), 1, true, amps(1)), drivers.ErrLease)
		require.ErrorIs(t, r.client.Set(t.Context(), 9, true, amps(1)), drivers.ErrLease)
		require.ErrorIs(t, r.client.Switch(t.Context(), 9, drivers.BoxNegative), drivers.ErrLease)
		require.ErrorIs(t, r.client.Bleed(t.Context(), 9, []int32{1}), drivers.ErrLease)
		_, _, err := r.client.Arm(t.Context(), 1, protection(), protection(), testLimits())
		require.ErrorIs(t, err, ErrEpoch)
		at := r.now()
		r.arm(2)
		require.NoError(t, r.client.Set(t.Context(), 2, true, amps(1)))
		r.drain()
		require.Equal(t, int32(drivers.PowerOn), (<-r.client.Frames()).Counts[state])
		require.Equal(t, "set 1000000 uA 87000000 uV true", r.supply.heardSince(at)[1].what)
	})
}

func TestServeLeaseHoldsWhileRenewed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.energise(1)
		at := r.now()
		stop := r.keep(1)
		pass(time.Minute + 50*tms)
		stop()
		require.Empty(t, r.supply.heardSince(at+1))
		pass(time.Second)
		// The last renewal quoted the frame of 60 s.
		require.Equal(t, []heard{{61 * time.Second, "halt"}}, r.supply.heardSince(at+1))
	})
}

// The tripwire's order: outputs are told before the frame is sent, and the
// contactors follow as soon as the current has been measured low.
func TestServeTripwire(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.energise(1)
		synctest.Wait()
		at := r.now()
		stop := r.keep(1)
		pass(250 * tms)
		r.monitor.cell.Store(25_400) // 3.81 V, the limit is 3.8 V
		pass(50 * tms)               // the frame of 300 ms
		require.Equal(t, []heard{{300 * tms, "halt"}}, r.supply.heardSince(at+1))
		require.Equal(t, []heard{{300 * tms, "halt"}}, r.load.heardSince(at+1))
		require.Empty(t, r.box.heardSince(at+1))
		pass(12 * tms)
		r.box.current.Store(150) // 1.5 A, the opening current is 2 A
		r.monitor.current.Store(150)
		pass(5 * tms) // readings come at the link period meanwhile: 305, 310, 315 ms
		require.Equal(t, []heard{{315 * tms, "halt"}}, r.box.heardSince(at+1))
		stop()

		e := <-r.client.Events()
		require.Equal(t, EventBreach, e.Kind)
		require.Equal(t, Breach{Channel: 0, Value: 3_810_000, Limit: 3_800_000}, e.Breach)
		require.Equal(t, "cell_01 at 3810000 uV, the absolute limit is 3800000 uV; everything was halted", e.Text)
		require.Equal(t, Breach{Channel: -1, Value: 1_500_000, Limit: 2_000_000}, (<-r.client.Events()).Breach)
		require.ErrorIs(t, r.client.Set(t.Context(), 1, true, amps(1)), drivers.ErrLease)

		// It says so once, and watches again after the next arming.
		pass(time.Second)
		require.Len(t, r.supply.heardSince(at+1), 1)
		require.Empty(t, r.client.Events())
		at = r.now()
		r.arm(2)
		pass(100 * tms)
		require.Equal(t, "halt", r.supply.heardSince(at + 1)[0].what)
		require.Equal(t, EventBreach, (<-r.client.Events()).Kind)
	})
}

// INV-02, INV-03: current that nobody measures is no reason to wait.
func TestServeOpensAtOnceWhereCurrentIsUnknown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.energise(1)
		synctest.Wait()
		r.monitor.set("read", false, errors.New("bus off"))
		r.box.set("read", false, errors.New("bus off"))
		// Silence since the frame of 0 ms, 350 ms allowed: the frame of 400 ms.
		pass(400 * tms)
		require.Equal(t, []heard{{400 * tms, "halt"}}, r.supply.heardSince(1))
		require.Equal(t, []heard{{400 * tms, "halt"}}, r.box.heardSince(1))
		var kinds []EventKind
		for range 4 {
			kinds = append(kinds, (<-r.client.Events()).Kind)
		}
		require.ElementsMatch(t, []EventKind{EventBreach, EventOpened, EventDeviceLost, EventDeviceLost}, kinds)
	})
}

// INV-03: a device that hangs delays the halt of no other.
func TestServeHungDevice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.energise(1)
		synctest.Wait()
		at := r.now()
		for _, f := range []*fake{&r.supply.fake, &r.monitor.fake, &r.meter.fake} {
			f.set("halt", true, nil)
			f.set("read", true, nil)
			f.set("set", true, nil)
		}
		set := make(chan error, 1)
		go func() { set <- r.client.Set(t.Context(), 1, true, amps(2)) }()
		synctest.Wait()
		require.NoError(t, r.client.Halt(2))
		synctest.Wait()
		require.Equal(t, []heard{{at, "halt"}}, r.load.heardSince(at)[3:], "the load is told at once")
		require.ErrorIs(t, <-set, drivers.ErrNoAnswer)
		require.Equal(t, at+200*tms, r.now(), "the caller goes on after the call timeout")
		require.ErrorIs(t, r.client.Halted(t.Context(), 2), drivers.ErrNoAnswer)
		// Silence of the monitor trips: 350 ms after its last answer at 0 ms.
		pass(550*tms - r.now())
		require.Equal(t, []heard{{400 * tms, "halt"}}, r.load.heardSince(at+1))
		// The box's own sensor still tells of 20 A: the opening time passes first.
		require.Equal(t, []heard{{500 * tms, "halt"}}, r.box.heardSince(at+1))
		// The supply is told again and again, at the call timeout's pace, until it takes it.
		require.GreaterOrEqual(t, len(r.supply.heardSince(at+1)), 2)
	})
}

// A command that a halt overtakes never has the last word.
func TestServeHaltOvertakesSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.arm(1)
		r.supply.set("set", true, nil)
		at := r.now()
		set := make(chan error, 1)
		go func() { set <- r.client.Set(t.Context(), 1, true, amps(20)) }()
		synctest.Wait()
		require.NoError(t, r.client.Halt(2))
		synctest.Wait()
		pass(50 * tms)
		r.release <- struct{}{} // the driver comes round and carries the old command out
		require.ErrorContains(t, <-set, "halted meanwhile")
		synctest.Wait()
		require.Equal(t, []heard{{at, "set 20000000 uA 87000000 uV true"}, {at, "halt"}, {at + 50*tms, "halt"}}, r.supply.heardSince(at)[3:])
	})
}

// An arming does not overtake a halt that was asked for before it.
func TestServeArmWaitsForHalts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.supply.set("halt", true, nil)
		require.NoError(t, r.client.Halt(2))
		synctest.Wait()
		at := r.now()
		pass(50 * tms)
		armed := make(chan error, 1)
		go func() {
			_, _, err := r.client.Arm(t.Context(), 2, protection(), protection(), testLimits())
			armed <- err
		}()
		synctest.Wait()
		require.Equal(t, []heard{{at, "halt"}}, r.supply.heardSince(at)[2:])
		r.supply.set("halt", false, nil)
		r.release <- struct{}{} // the driver comes round
		require.NoError(t, <-armed)
		require.Equal(t, heard{at + 50*tms, "arm 90000000 uV 42000000 uA 1000000 us"}, r.supply.heardSince(at)[3])

		pass(tms)
		r.supply.set("halt", true, nil)
		require.NoError(t, r.client.Halt(3))
		synctest.Wait()
		at = r.now()
		_, _, err := r.client.Arm(t.Context(), 3, protection(), protection(), testLimits())
		require.ErrorIs(t, err, drivers.ErrNoAnswer)
		require.NotContains(t, fmt.Sprint(r.supply.heardSince(at)), "arm")
	})
}

func TestServeEpochs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.energise(3)
		at := r.now()
		pass(tms)
		require.NoError(t, r.client.Halt(4))
		// Sent right behind the halt, it must not be overtaken by it.
		require.NoError(t, r.client.Set(t.Context(), 4, true, amps(5)))
		require.NoError(t, r.client.Halted(t.Context(), 4))
		synctest.Wait()
		require.Equal(t, []heard{{at + tms, "halt"}, {at + tms, "set 5000000 uA 87000000 uV true"}}, r.supply.heardSince(at+1),
			"a halt that was sent over both ways is done once")
		require.ErrorIs(t, r.client.Set(t.Context(), 3, true, amps(6)), ErrEpoch)
		require.ErrorIs(t, r.client.Switch(t.Context(), 3, drivers.BoxNegative), ErrEpoch)
		require.ErrorIs(t, r.client.Bleed(t.Context(), 3, []int32{1}), ErrEpoch)
		pass(tms)
		require.NoError(t, r.client.Halted(t.Context(), 5), "over gRPC alone")
		require.NoError(t, r.client.Halted(t.Context(), 1), "whatever its epoch (INV-13)")
		require.Len(t, r.supply.heardSince(at+2*tms), 2)
		require.ErrorIs(t, r.client.Set(t.Context(), 4, true, amps(6)), ErrEpoch)
		require.NoError(t, r.client.Set(t.Context(), 5, true, amps(6)))
	})
}

func TestServeOneOfSourceAndSink(t *testing.T) { // INV-01
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.energise(1)
		err := r.client.Set(t.Context(), 1, false, amps(5))
		require.ErrorIs(t, err, drivers.ErrRefused)
		require.ErrorContains(t, err, "supply is not off yet")
		off := amps(0)
		off.On = false
		require.NoError(t, r.client.Set(t.Context(), 0, true, off), "switching off needs no epoch")
		require.NoError(t, r.client.Set(t.Context(), 1, false, amps(5)))
		require.ErrorIs(t, r.client.Set(t.Context(), 1, true, amps(5)), drivers.ErrRefused)
		r.load.set("halt", false, errors.New("busy"))
		require.NoError(t, r.client.Halt(2))
		require.ErrorIs(t, r.client.Set(t.Context(), 2, true, amps(5)), drivers.ErrRefused, "the load has not taken its halt")
		r.load.set("halt", false, nil)
		pass(10 * tms)
		require.NoError(t, r.client.Set(t.Context(), 2, true, amps(5)))
	})
}

func TestServeDeEnergisingNeedsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open() // never armed
		at := r.now()
		pass(tms)
		require.NoError(t, r.client.Switch(t.Context(), 0, 0))
		require.NoError(t, r.client.Bleed(t.Context(), 0, []int32{0}))
		require.NoError(t, r.client.Bleed(t.Context(), 0, nil))
		require.NoError(t, r.client.Set(t.Context(), 0, false, drivers.Setpoint{}))
		require.Equal(t, []heard{{at + tms, "halt"}}, r.box.heardSince(at+tms))
		require.Equal(t, []heard{{at + tms, "halt"}, {at + tms, "halt"}}, r.monitor.heardSince(at+tms))
		require.Equal(t, []heard{{at + tms, "halt"}}, r.load.heardSince(at+tms))
	})
}

// The end of the lease pipe, and anything that is no record, halts everything.
func TestServePipeEnds(t *testing.T) {
	var halt [RecordSize]byte
	Record{Kind: RecordHalt, Epoch: 1}.Encode(&halt)
	for name, c := range map[string]struct {
		send []byte
		want error
	}{
		"end":           {nil, nil},
		"half a record": {halt[:20], ErrRecord},
		"garbage":       {append(halt[:], "rigwarden serve --help, please, dear!"...), ErrRecord},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t).open()
				r.energise(1)
				at := r.now()
				pass(7 * tms)
				if c.send != nil {
					_, err := r.stdin.Write(c.send)
					require.NoError(t, err)
				}
				if name != "garbage" {
					require.NoError(t, r.stdin.Close())
				}
				synctest.Wait()
				last := func(f *fake) heard { h := f.heardSince(at + 1); return h[len(h)-1] }
				require.Equal(t, heard{at + 7*tms, "halt"}, last(&r.supply.fake))
				require.Equal(t, heard{at + 7*tms, "halt"}, last(&r.load.fake))
				require.Equal(t, heard{at + 7*tms, "halt"}, last(&r.monitor.fake))
				// Nothing arms a host that is ending.
				_, _, err := r.client.Arm(t.Context(), 9, protection(), protection(), testLimits())
				require.ErrorIs(t, err, drivers.ErrLease)
				err = <-r.served
				if c.want == nil {
					require.NoError(t, err)
				} else {
					require.ErrorIs(t, err, c.want)
				}
				require.Equal(t, heard{at + 107*tms, "halt"}, last(&r.box.fake), "20 A flow until the opening time is over")
				require.Equal(t, at+107*tms, r.now(), "the host stays until the contactors are told")
				require.Error(t, <-r.client.Lost())
			})
		})
	}
}

func TestServeLostDeviceStopsTheLease(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.energise(1)
		synctest.Wait()
		stop := r.keep(1)
		at := r.now()
		pass(150 * tms)
		r.meter.set("read", false, errors.New("cable out"))
		// Last answer at 100 ms; lost after more than 300 ms: the frame of 500 ms.
		pass(351 * tms)
		e := <-r.client.Events()
		require.Equal(t, "meter: device lost: no answer for 400 ms: cable out", e.String())
		// The last renewal that counted quoted the frame of 400 ms.
		pass(2 * time.Second)
		require.Equal(t, []heard{{1400 * tms, "halt"}}, r.supply.heardSince(at+1))
		r.meter.set("read", false, nil)
		pass(100 * tms)
		stop()
		var kinds []EventKind
		for len(kinds) < 3 {
			kinds = append(kinds, (<-r.client.Events()).Kind)
		}
		require.Equal(t, []EventKind{EventLeaseOut, EventOpened, EventDeviceBack}, kinds)
	})
}

// A device that does not answer reads as no reading, and its counter stands
// still; it comes back by itself.
func TestServeNoReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		l := testLayout(t)
		volts, beat := l.Find(drivers.SupplyVoltage), l.Find(drivers.SupplyBeat)
		f := <-r.client.Frames()
		require.Equal(t, int32(80_000), f.Counts[volts])
		r.supply.set("read", true, nil)
		a, b := <-r.client.Frames(), <-r.client.Frames()
		require.Equal(t, []int32{drivers.NoReading, f.Counts[beat]}, []int32{a.Counts[volts], a.Counts[beat]})
		require.Equal(t, []int32{drivers.NoReading, f.Counts[beat]}, []int32{b.Counts[volts], b.Counts[beat]})
		require.Equal(t, f.Counts[l.Find(drivers.MonitorBeat)]+2, b.Counts[l.Find(drivers.MonitorBeat)], "the others go on")
		r.supply.set("read", false, nil)
		r.release <- struct{}{}
		synctest.Wait()
		c := <-r.client.Frames()
		require.Equal(t, int32(80_000), c.Counts[volts])

		r.monitor.cells.Store(2) // impossible data
		d := <-r.client.Frames()
		require.Equal(t, drivers.NoReading, d.Counts[l.Cell(0)])
		require.Equal(t, c.Counts[l.Find(drivers.MonitorBeat)], d.Counts[l.Find(drivers.MonitorBeat)])
	})
}

func TestServeStartFails(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*rig)
		want  string
	}{
		"no answer":   {func(r *rig) { r.load.set("halt", true, nil) }, "drive safe: load: halt not taken within 200ms"},
		"refuses":     {func(r *rig) { r.supply.set("halt", false, errors.New("locked by its panel")) }, "drive safe: supply: locked by its panel"},
		"stranger":    {func(r *rig) { r.box.set("identify", false, drivers.ErrIdentity) }, "box: identify: wrong device"},
		"short lease": {func(r *rig) { r.bench.Lease = 300 * ms }, "need 301 ms"},
		"no monitor":  {func(r *rig) { r.config.Set.Monitor = nil }, "no cell monitor"},
		"bad period":  {func(r *rig) { r.bench.Box.LinkPeriod = drivers.Second }, "link period 1000000 us"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t)
				c.spoil(r)
				err := r.tryOpen()
				require.ErrorIs(t, err, ErrStart)
				require.ErrorContains(t, err, c.want)
				require.ErrorContains(t, err, "bench slip-1: host: ")
				// De-energise first: what does answer was driven safe all the same.
				if name == "no answer" {
					require.Equal(t, "halt", r.box.heardSince(0)[0].what)
				}
				close(r.release)
			})
		})
	}
}

// A host may be given frames whole, by a bench that makes them at instants of
// its own.
func TestServeSample(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		l := testLayout(t)
		clock := Clock(time.Now())
		r.config.Now = clock
		base := clock().Add(37 * ms) // the bench's own grid
		next := base
		var fast []bool
		count := int32(0)
		var lost atomic.Bool
		r.config.OnFast = func(on bool) { fast = append(fast, on) }
		r.config.Next = func() drivers.Instant {
			for next <= clock() {
				next = next.Add(100 * ms)
			}
			return next
		}
		r.config.Sample = func(f *drivers.Frame) bool {
			count++
			copy(f.Counts, healthy(l, 0, count).Counts)
			return !lost.Load()
		}
		r.open()
		f := <-r.client.Frames()
		for f.At < base.Add(50*ms) { // it does not know the grid yet
			f = <-r.client.Frames()
		}
		for n := range drivers.Span(3) {
			require.Equal(t, 100*(n+1)*ms, f.At.Sub(base))
			f = <-r.client.Frames()
		}
		r.energise(1)
		synctest.Wait()
		at := r.now()
		lost.Store(true)
		pass(351 * tms) // armed at 437 ms, 350 ms of silence allowed, looked at each 100 ms
		synctest.Wait()
		require.Empty(t, r.supply.heardSince(at+1))
		pass(50 * tms)
		require.Equal(t, []heard{{837 * tms, "halt"}}, r.supply.heardSince(at+1))
		lost.Store(false)
		require.NoError(t, r.client.Fast(t.Context(), true))
		pass(100 * tms)
		require.NoError(t, r.client.Fast(t.Context(), false))
		pass(200 * tms)
		require.Equal(t, []bool{true, false}, fast)
	})
}

func TestServeFullPipeOfRenewals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.energise(1)
		synctest.Wait()
		at := r.now()
		// A stalled daemon's renewals come in one burst, a halt behind them.
		var burst []byte
		var b [RecordSize]byte
		for range 5000 {
			Record{Kind: RecordRenew, Epoch: 1, Echo: 1, Duration: drivers.Second}.Encode(&b)
			burst = append(burst, b[:]...)
		}
		Record{Kind: RecordHalt, Epoch: 2}.Encode(&b)
		_, err := io.WriteString(r.stdin, string(burst)+string(b[:]))
		require.NoError(t, err)
		synctest.Wait()
		require.Equal(t, []heard{{at, "halt"}}, r.supply.heardSince(at)[len(r.supply.heardSince(at))-1:])
		pass(1100 * tms)
		require.Equal(t, heard{time.Second, "halt"}, r.load.heardSince(at + 1)[0], "the reading of 0 ms grants one second, once")
	})
}

// Serve by itself: a context that is over halts everything and ends it.
func TestServeContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		in, out := io.Pipe()
		defer out.Close()
		lis := bufconn.Listen(1 << 10)
		r.config.Bench, r.config.Stdin, r.config.Listener = r.bench, in, lis
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- Serve(ctx, r.config) }()
		pass(50 * tms)
		cancel()
		require.NoError(t, <-done)
		require.Equal(t, heard{50 * tms, "halt"}, r.supply.heardSince(1)[0])
		_, err := lis.Dial()
		require.Error(t, err, "nobody listens any more")

		r.bench.Lease = 0
		r.config.Bench, r.config.Listener = r.bench, bufconn.Listen(1<<10)
		require.ErrorIs(t, Serve(t.Context(), r.config), ErrLeaseShort)
	})
}
