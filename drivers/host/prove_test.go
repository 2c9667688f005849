package host

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// quiet is how long a timeout of 2 s is left alone on the test bench: itself, a
// tenth, and a period of 100 ms; the bench declares no delay.
const quiet = 2300 * tms

// declared is a rig whose bench declares communication timeouts of 2 s and a
// heartbeat of 1 s.
func declared(t *testing.T) *rig {
	r := newRig(t)
	r.bench.Supply.CommTimeout, r.bench.Load.CommTimeout = 2*drivers.Second, 2*drivers.Second
	r.bench.Box.Heartbeat = drivers.Second
	r.box.after = time.Second
	return r
}

// lapsing is protection with a timeout of 2 s.
func lapsing() drivers.Protection {
	p := protection()
	p.CommTimeout = 2 * drivers.Second
	return p
}

const armLine = "arm 90000000 uV 42000000 uA 2000000 us"

func (r *rig) tryArm(ctx context.Context, epoch uint64) error {
	_, _, err := r.client.Arm(ctx, epoch, lapsing(), lapsing(), testLimits())
	return err
}

func (r *rig) proofs() map[Role]Proof {
	r.t.Helper()
	list, err := r.client.Proofs(r.t.Context())
	require.NoError(r.t, err)
	m := map[Role]Proof{}
	for _, p := range list {
		m[p.Role] = p
	}
	return m
}

// words are what a device was told since d, without the times.
func words(f *fake, d time.Duration) (list []string) {
	for _, h := range f.heardSince(d) {
		list = append(list, h.what)
	}
	return list
}

// A communication timeout counts because the instrument was seen to obey it:
// each was on at 0 A, was left entirely alone, and was found off; one after the
// other (INV-01), while everything else went on.
func TestArmProvesTimeoutsBySilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := declared(t).open()
		require.Equal(t, "supply: communication timeout of 2s is unproven: it was not armed yet", r.proofs()[RoleSupply].String())
		pass(50 * tms)
		r.drain()
		at := r.now()
		armed := make(chan error, 1)
		go func() { armed <- r.tryArm(t.Context(), 1) }()

		pass(time.Second) // in the middle of the supply's silence
		on, _ := r.supply.state()
		require.Equal(t, int32(drivers.PowerOn), on)
		reads, beat := r.supply.reads.Load(), r.monitor.beat.Load()
		require.Equal(t, []string{armLine, "set 0 uA 0 uV true"}, words(&r.supply.fake, at))
		require.Equal(t, []string{armLine}, words(&r.load.fake, at), "the other waits for its turn")
		r.drain()
		pass(time.Second)
		require.Equal(t, reads, r.supply.reads.Load(), "nobody reads it")
		require.Equal(t, beat+10, r.monitor.beat.Load(), "the others go on")
		f := <-r.client.Frames()
		l := testLayout(t)
		require.Equal(t, drivers.NoReading, f.Counts[l.Find(drivers.SupplyState)], "nobody measures it")
		require.NotEqual(t, drivers.NoReading, f.Counts[l.Find(drivers.LoadState)])

		require.NoError(t, <-armed)
		done := r.now()
		require.Equal(t, []string{armLine, "set 0 uA 0 uV true", "halt", armLine}, words(&r.supply.fake, at))
		require.Equal(t, []string{armLine, "set 0 uA 0 uV true", "halt", armLine}, words(&r.load.fake, at))
		supply, load := r.supply.heardSince(at), r.load.heardSince(at)
		require.Equal(t, quiet, supply[2].at-supply[1].at)
		require.Equal(t, quiet, load[2].at-load[1].at)
		require.GreaterOrEqual(t, load[1].at, supply[2].at, "never both on (INV-01)")
		require.LessOrEqual(t, done-at, duration(ArmTime(&r.bench)))
		for _, p := range []Proof{r.proofs()[RoleSupply], r.proofs()[RoleLoad]} {
			require.True(t, p.Proven, p.String())
			require.Equal(t, drivers.Span(quiet/time.Microsecond), p.Took)
			require.Equal(t, 2*drivers.Second, p.Timeout)
		}
		require.Equal(t, done-load[2].at, duration(r.client.now().Sub(r.proofs()[RoleLoad].At)))
		require.Equal(t, "supply: communication timeout of 2s is proven: found off after 2.3s of silence", r.proofs()[RoleSupply].String())
		require.False(t, r.proofs()[RoleBox].Proven, "a heartbeat is proven only where somebody asks")
		require.Empty(t, words(&r.box.fake, at))
		require.Empty(t, r.client.Events(), "none of this is a lost device")

		// The lease began at the end, and the readers are back.
		require.NoError(t, r.client.Set(t.Context(), 1, true, amps(1)))
		pass(200 * tms)
		r.drain()
		require.Equal(t, int32(drivers.PowerOn), (<-r.client.Frames()).Counts[l.Find(drivers.SupplyState)])
		require.NoError(t, r.client.Halted(t.Context(), 2))

		// Proven once: the next arming takes no time.
		at = r.now()
		require.NoError(t, r.tryArm(t.Context(), 2))
		require.Equal(t, at, r.now())
		require.Equal(t, []heard{{at, armLine}}, r.load.heardSince(at + 1 - 1)[len(r.load.heardSince(at))-1:])
	})
}

// A proof holds for one connection and one value.
func TestProofIsForgotten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := declared(t).open()
		require.NoError(t, r.tryArm(t.Context(), 1))
		require.NoError(t, r.client.Halted(t.Context(), 2))
		r.load.fake.set("read", false, errors.New("cable out"))
		pass(600 * tms)
		require.Equal(t, "load: communication timeout of 2s is unproven: it stopped answering since", r.proofs()[RoleLoad].String())
		require.True(t, r.proofs()[RoleSupply].Proven)
		r.load.fake.set("read", false, nil)
		pass(200 * tms)
		at := r.now()
		require.NoError(t, r.tryArm(t.Context(), 3))
		require.Contains(t, words(&r.load.fake, at), "set 0 uA 0 uV true")
		require.NotContains(t, words(&r.supply.fake, at), "set 0 uA 0 uV true")
		require.True(t, r.proofs()[RoleLoad].Proven)

		require.NoError(t, r.client.Halted(t.Context(), 4))
		other := lapsing()
		other.CommTimeout = drivers.Second
		at = r.now()
		_, _, err := r.client.Arm(t.Context(), 4, other, lapsing(), testLimits())
		require.NoError(t, err)
		require.Contains(t, words(&r.supply.fake, at), "set 0 uA 0 uV true")
		require.NotContains(t, words(&r.load.fake, at), "set 0 uA 0 uV true")
		require.Equal(t, 1200*ms, r.proofs()[RoleSupply].Took)
	})
}

// What does not switch off by itself, or shows nothing, is not armed, and ends
// off.
func TestArmRefusesWhatIsNotProven(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(r *rig)
		want  []string
		kind  error
		set   bool // the supply is switched on for it
	}{
		"stays on": {func(r *rig) { r.supply.broken = true }, []string{
			"arm: supply: declared to switch off after 2s of silence, still on after 2.3s;",
			"take silence away from the bench file, which then needs the box's heartbeat or attended runs"}, drivers.ErrRefused, true},
		"trips instead": {func(r *rig) {
			r.supply.lies.Store(drivers.PowerTripped)
			r.supply.broken = true
			time.AfterFunc(time.Second, func() { r.supply.put(0) })
		}, []string{"off after 2.3s of silence, but not by its communication timeout (state 0x4)"}, drivers.ErrRefused, true},
		"does not switch on": {func(r *rig) { r.supply.deaf.Store(true) }, []string{"told to be on at 0 A it reads off (state 0x0)"}, drivers.ErrRefused, true},
		"refuses 0 A":        {func(r *rig) { r.supply.fake.set("set", false, drivers.ErrRefused) }, []string{"supply: switch on at 0 A: refused"}, drivers.ErrRefused, true},
		"never answers again": {func(r *rig) {
			time.AfterFunc(time.Second, func() { r.supply.fake.set("read", false, errors.New("connection reset")) })
		}, []string{"after 2.3s of silence: read: connection reset"}, nil, true},
		"contactor closed": {func(r *rig) { r.box.put(drivers.BoxPositive) }, []string{"contactors read closed (0x4)"}, drivers.ErrRefused, false},
		"box silent":       {func(r *rig) { r.box.fake.set("read", false, errors.New("no such register")) }, []string{"the box gives no fresh reading of its contactors"}, drivers.ErrNoAnswer, false},
		"load on":          {func(r *rig) { r.load.put(drivers.PowerOn) }, []string{"the load reads on though it was told to be off"}, drivers.ErrRefused, false},
		"supply on":        {func(r *rig) { r.supply.put(drivers.PowerOn) }, []string{"the supply reads on though it was told to be off"}, drivers.ErrRefused, false},
		"supply hangs": {func(r *rig) { r.supply.fake.set("read", true, nil) }, []string{"the supply gives no fresh reading of its output"},
			drivers.ErrNoAnswer, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := declared(t).open()
				pass(50 * tms)
				c.spoil(r)
				at := r.now()
				err := r.tryArm(t.Context(), 1)
				require.Error(t, err)
				for _, text := range c.want {
					require.ErrorContains(t, err, text)
				}
				if c.kind != nil {
					require.ErrorIs(t, err, c.kind)
				}
				said := words(&r.supply.fake, at)
				if c.set {
					require.Equal(t, []string{armLine, "set 0 uA 0 uV true", "halt"}, said)
				} else {
					require.Equal(t, armLine, said[0])
					require.NotContains(t, said, "set 0 uA 0 uV true")
				}
				require.Equal(t, []string{armLine}, words(&r.load.fake, at), "nothing else is tried")
				require.False(t, r.proofs()[RoleSupply].Proven)
				require.ErrorIs(t, r.client.Set(t.Context(), 1, true, amps(1)), drivers.ErrLease)
				require.ErrorIs(t, r.client.Switch(t.Context(), 1, drivers.BoxNegative), drivers.ErrLease)
			})
		})
	}
}

// Without a box nobody says that nothing can flow.
func TestArmRefusesProofWithoutBox(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := declared(t)
		r.config.Set.Box = nil
		r.open()
		err := r.tryArm(t.Context(), 1)
		require.ErrorIs(t, err, drivers.ErrRefused)
		require.ErrorContains(t, err, "no contactor box says that the contactors are open")
		require.NotContains(t, words(&r.supply.fake, 0), "set 0 uA 0 uV true")

		// Whoever asks may have measured it: a host in front of a plugin.
		proof, err := r.client.Prove(t.Context(), RoleSupply, lapsing(), true)
		require.NoError(t, err)
		require.Equal(t, 2300*ms, proof.Took)
		_, err = r.client.Prove(t.Context(), RoleBox, drivers.Protection{}, true)
		require.ErrorIs(t, err, ErrAbsent)
	})
}

// A contactor that is still on its way open is waited for: a run that goes on
// after an ask opens and arms in one breath.
func TestProofWaitsForContactors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := declared(t).open()
		r.box.put(drivers.BoxNegative | drivers.BoxPositive)
		time.AfterFunc(250*tms, func() { r.box.put(0) })
		require.NoError(t, r.tryArm(t.Context(), 1))
		for _, h := range r.supply.heardSince(0) {
			if h.what == "set 0 uA 0 uV true" {
				require.Greater(t, h.at, 250*tms)
			}
		}
	})
}

// A halt goes through at once, whoever sends it, and is the last word.
func TestHaltEndsProof(t *testing.T) {
	for name, halt := range map[string]func(r *rig){
		"record": func(r *rig) { require.NoError(r.t, r.client.Halt(2)) },
		"rpc":    func(r *rig) { require.NoError(r.t, r.client.Halted(r.t.Context(), 2)) },
		"off": func(r *rig) {
			require.NoError(r.t, r.client.Set(r.t.Context(), 0, true, drivers.Setpoint{}))
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := declared(t).open()
				armed := make(chan error, 1)
				go func() { armed <- r.tryArm(t.Context(), 1) }()
				pass(time.Second)
				at := r.now()
				halt(r)
				err := <-armed
				require.ErrorContains(t, err, "supply: halted meanwhile")
				require.ErrorIs(t, err, drivers.ErrRefused)
				require.Equal(t, at, r.now(), "at once")
				on, _ := r.supply.state()
				require.Zero(t, on)
				require.Equal(t, heard{at, "halt"}, r.supply.heardSince(at)[0])
				require.NotContains(t, words(&r.load.fake, 0), "set 0 uA 0 uV true")
				require.NoError(t, r.tryArm(t.Context(), 3), "and it can be tried again")
			})
		})
	}
}

// Whoever asked goes away: the instrument is not left on.
func TestProofEndsWithItsCaller(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := declared(t).open()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		require.ErrorIs(t, r.tryArm(ctx, 1), drivers.ErrNoAnswer)
		synctest.Wait()
		require.Equal(t, heard{time.Second, "halt"}, r.supply.heardSince(time.Second)[0])
		on, _ := r.supply.state()
		require.Zero(t, on)
	})
}

// The end of the lease pipe ends a proof too, and the host with it.
func TestPipeEndsProof(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := declared(t).open()
		go r.tryArm(t.Context(), 1)
		pass(time.Second)
		require.NoError(t, r.stdin.Close())
		synctest.Wait()
		require.Equal(t, heard{time.Second, "halt"}, r.supply.heardSince(time.Second)[0])
		require.NoError(t, <-r.served)
		<-r.client.Lost()
	})
}

// Nothing energises while an instrument is left alone.
func TestNothingEnergisesDuringProof(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := declared(t).open()
		armed := make(chan error, 1)
		go func() { armed <- r.tryArm(t.Context(), 1) }()
		pass(time.Second)
		at := r.now()
		require.Error(t, r.client.Set(t.Context(), 1, true, amps(1)))
		require.Error(t, r.client.Set(t.Context(), 1, false, amps(1)))
		require.Error(t, r.client.Switch(t.Context(), 1, drivers.BoxNegative))
		require.ErrorContains(t, r.client.Bleed(t.Context(), 1, []int32{1}), "an instrument is being left alone")
		require.NoError(t, r.client.Switch(t.Context(), 0, 0), "opening needs nothing")
		require.NoError(t, <-armed)
		require.NotContains(t, words(&r.load.fake, at), "set 1000000 uA 87000000 uV true")
		require.Equal(t, []string{"halt"}, words(&r.box.fake, at))
		require.NotContains(t, words(&r.monitor.fake, at), "bleed [1]")
	})
}

// A bench whose time the caller owns has nobody to leave alone.
func TestNoProofInOwnedTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := declared(t)
		l := testLayout(t)
		count := int32(0)
		r.config.Sample = func(f *drivers.Frame) bool {
			count++
			copy(f.Counts, healthy(l, 0, count).Counts)
			return true
		}
		r.open()
		at := r.now()
		require.NoError(t, r.tryArm(t.Context(), 1))
		require.Equal(t, at, r.now())
		_, err := r.client.Prove(t.Context(), RoleBox, drivers.Protection{}, false)
		require.ErrorContains(t, err, "the caller owns this bench's time")
	})
}

// The heartbeat is proven when somebody asks: with the negative contactor alone,
// supply and load off, and no run under way.
func TestProveHeartbeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := declared(t).open()
		pass(50 * tms)
		at := r.now()
		proof, err := r.client.Prove(t.Context(), RoleBox, drivers.Protection{}, false)
		require.NoError(t, err)
		require.Equal(t, []string{"switch 1", "halt"}, words(&r.box.fake, at))
		// A second, its tenth, a period, and 30 ms in which contactors move.
		require.Equal(t, 1230*ms, proof.Took)
		require.Equal(t, proof, r.proofs()[RoleBox])
		require.Empty(t, words(&r.supply.fake, at))
		require.Empty(t, words(&r.load.fake, at))
		require.Empty(t, r.client.Events())

		r.box.alter(func(l *lapse) { l.broken = true })
		pass(tms)
		at = r.now()
		_, err = r.client.Prove(t.Context(), RoleBox, drivers.Protection{}, false)
		require.ErrorContains(t, err, "box: declared to open 1s after its last heartbeat, still closed (0x1) after 1.23s")
		require.Equal(t, []string{"switch 1", "halt"}, words(&r.box.fake, at), "it is opened all the same")
		require.False(t, r.proofs()[RoleBox].Proven)
		closed, _ := r.box.state()
		require.Zero(t, closed)

		require.NoError(t, r.tryArm(t.Context(), 1))
		pass(tms)
		at = r.now()
		_, err = r.client.Prove(t.Context(), RoleBox, drivers.Protection{}, false)
		require.ErrorContains(t, err, "a run may be under way")
		_, err = r.client.Prove(t.Context(), RoleMeter, drivers.Protection{}, false)
		require.ErrorIs(t, err, ErrImpossible)
		require.Empty(t, words(&r.box.fake, at))
	})
}

// weldedBox is a box whose positive pole is closed whatever its feedback says: the
// link rises with the negative contactor.
type weldedBox struct {
	*fakeBox
	rise int32 // counts
	gone bool  // the link cannot be read
}

func (b weldedBox) Read(ctx context.Context) (drivers.BoxReading, error) {
	r, err := b.fakeBox.Read(ctx)
	r.Link = 0
	if r.State&drivers.BoxNegative != 0 {
		r.Link = b.rise
	}
	if b.gone {
		r.Link = drivers.NoReading
	}
	return r, err
}

// The heartbeat's proof closes one pole: a link that rises shows that the other
// is closed too. It is opened at once, and nothing is proven (INV-09).
func TestProveHeartbeatFindsABridge(t *testing.T) {
	for name, tc := range map[string]struct {
		box  weldedBox
		want string
	}{
		"welded":  {weldedBox{rise: 79_000}, "link rose from 0.000 V to 79.000 V with only the negative contactor closed"},
		"unknown": {weldedBox{gone: true}, "no reading of the link's voltage"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := declared(t)
				r.bench.Box.DifferenceMax = drivers.Volt
				tc.box.fakeBox = r.box
				r.config.Set.Box = tc.box
				r.open()
				pass(50 * tms)
				at := r.now()
				_, err := r.client.Prove(t.Context(), RoleBox, drivers.Protection{}, false)
				require.ErrorContains(t, err, tc.want)
				require.Equal(t, []string{"switch 1", "halt"}, words(&r.box.fake, at))
				heard := r.box.heardSince(at)
				require.Equal(t, heard[0].at, heard[1].at, "at once")
				require.False(t, r.proofs()[RoleBox].Proven)
			})
		})
	}
}

// A plugin holds its instrument's wire: only it can leave the instrument alone,
// and the host in front of it measures that nothing can flow.
func TestProofBehindAPlugin(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := declared(t)
		inner.open()
		outer := declared(t)
		set, err := inner.client.Instruments(t.Context(), testLimits(), func() bool { return true })
		require.NoError(t, err)
		outer.config.Set.Supply = set.Supply
		outer.open()
		pass(200 * tms)
		require.NoError(t, outer.tryArm(t.Context(), 1))
		require.Contains(t, words(&inner.supply.fake, 0), "set 0 uA 0 uV true")
		require.Equal(t, armLine, words(&inner.supply.fake, 0)[len(words(&inner.supply.fake, 0))-1])
		p := outer.proofs()[RoleSupply]
		require.True(t, p.Proven, p.String())
		require.Equal(t, 2300*ms, p.Took, "what the plugin saw")
		require.True(t, inner.proofs()[RoleSupply].Proven)
		require.Empty(t, outer.client.Events(), "nothing was lost meanwhile")
		require.NoError(t, outer.client.Set(t.Context(), 1, true, amps(2)))
		require.Equal(t, "set 2000000 uA 87000000 uV true", words(&inner.supply.fake, 0)[len(words(&inner.supply.fake, 0))-1])
	})
}
