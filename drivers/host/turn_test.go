package host

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// A slow instrument never hears an older command after a newer one: what waits
// when a newer one comes is dropped, falling ones too.
func TestSupersededCommandsAreDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.arm(1)
		at := r.now()
		r.supply.fake.set("set", true, nil)
		results := make([]chan error, 3)
		for i, n := range []drivers.Microamps{20, 10, 15} {
			results[i] = make(chan error, 1)
			go func() { results[i] <- r.client.Set(t.Context(), 1, true, amps(n)) }()
			pass(10 * tms)
		}
		err := <-results[1]
		require.ErrorContains(t, err, "supply: superseded by a newer command while it waited")
		require.ErrorIs(t, err, drivers.ErrRefused)
		require.Equal(t, at+30*tms, r.now(), "told as soon as the newer one came")
		r.supply.fake.set("set", false, nil)
		r.release <- struct{}{}
		require.NoError(t, <-results[0])
		require.NoError(t, <-results[2])
		require.Equal(t, []string{"set 20000000 uA 87000000 uV true", "set 15000000 uA 87000000 uV true"}, words(&r.supply.fake, at)[3:])

		// The next in order is nobody's loser.
		require.NoError(t, r.client.Set(t.Context(), 1, true, amps(5)))
		require.NoError(t, r.client.Set(t.Context(), 1, true, amps(4)))
	})
}

// Switching off is a command too, and the newest: nothing that waited behind a
// slow call comes after it, though it waits for no turn itself.
func TestOffSupersedesWhatWaits(t *testing.T) {
	for name, c := range map[string]struct {
		op      string
		dev     func(r *rig) *fake
		on, off func(r *rig) error
		wait    string
	}{
		"set": {"set", func(r *rig) *fake { return &r.supply.fake },
			func(r *rig) error { return r.client.Set(r.t.Context(), 1, true, amps(20)) },
			func(r *rig) error { return r.client.Set(r.t.Context(), 1, true, drivers.Setpoint{}) }, "supply"},
		"switch": {"switch", func(r *rig) *fake { return &r.box.fake },
			func(r *rig) error { return r.client.Switch(r.t.Context(), 1, drivers.BoxNegative) },
			func(r *rig) error { return r.client.Switch(r.t.Context(), 1, 0) }, "box"},
		"bleed": {"bleed", func(r *rig) *fake { return &r.monitor.fake },
			func(r *rig) error { return r.client.Bleed(r.t.Context(), 1, []int32{1}) },
			func(r *rig) error { return r.client.Bleed(r.t.Context(), 1, nil) }, "monitor"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t).open()
				r.arm(1)
				pass(tms)
				at := r.now()
				f := c.dev(r)
				f.set(c.op, true, nil)
				first, second := make(chan error, 1), make(chan error, 1)
				go func() { first <- c.on(r) }()
				pass(10 * tms)
				go func() { second <- c.on(r) }()
				pass(10 * tms)
				require.NoError(t, c.off(r))
				require.ErrorContains(t, <-second, c.wait+": superseded by a newer command while it waited")
				f.set(c.op, false, nil)
				r.release <- struct{}{}
				require.ErrorContains(t, <-first, "halted meanwhile")
				synctest.Wait()
				said := words(f, at)
				require.Len(t, said, 3, "one command, the halt, and the halt again behind the late command")
				require.Equal(t, []string{"halt", "halt"}, said[1:])
			})
		})
	}
}

// A device that takes longer than its turn keeps it; later commands say so.
func TestHangingCommandKeepsItsTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.arm(1)
		r.supply.fake.set("set", true, nil)
		require.ErrorContains(t, r.client.Set(t.Context(), 1, true, amps(20)), "supply: not done within 200ms: too slow an instrument or line, or no answer")
		err := r.client.Set(t.Context(), 1, true, amps(10))
		require.ErrorIs(t, err, drivers.ErrNoAnswer)
		require.ErrorContains(t, err, "supply: an earlier command still hangs")
	})
}

// An instrument that was lost may have been without power and have forgotten its
// limits: it is off when it is back, and takes no setting until it is armed
// again (INV-08), whatever the lease says. The tripwire stays.
func TestLostInstrumentMustBeArmedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.energise(1)
		stop := r.keep(1)
		pass(50 * tms)
		at := r.now()
		r.supply.fake.set("read", false, errors.New("connection reset"))
		pass(470 * tms) // last answer at 0 ms, lost in the frame of 400 ms
		e := <-r.client.Events()
		require.Equal(t, EventDeviceLost, e.Kind)
		require.Equal(t, RoleSupply, e.Role)
		require.Empty(t, words(&r.supply.fake, at+1))
		r.supply.fake.set("read", false, nil)
		pass(100 * tms) // the frame of 600 ms
		require.Equal(t, EventDeviceBack, (<-r.client.Events()).Kind)
		require.Equal(t, []heard{{600 * tms, "halt"}}, r.supply.heardSince(at+1), "what it does now nobody armed")

		// The lease lives: the renewals of frames since count again.
		pass(100 * tms)
		err := r.client.Set(t.Context(), 1, true, amps(1))
		require.ErrorIs(t, err, drivers.ErrRefused)
		require.ErrorContains(t, err, "supply: it was lost since it was armed and may have forgotten its limits, arm it again")
		require.NoError(t, r.client.Set(t.Context(), 1, true, drivers.Setpoint{}), "off needs nothing")
		require.NoError(t, r.client.Set(t.Context(), 1, false, amps(1)), "the load was there all the time")
		r.monitor.cell.Store(25_400)
		pass(100 * tms)
		require.Equal(t, EventBreach, (<-r.client.Events()).Kind)
		r.monitor.cell.Store(22_000)
		stop()

		pass(200 * tms)
		r.arm(2)
		require.NoError(t, r.client.Set(t.Context(), 2, true, amps(1)))
	})
}

// One that is lost while it is being armed is not armed.
func TestLostAfterArming(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.load.fake.set("read", false, errors.New("cable out"))
		pass(600 * time.Millisecond)
		r.arm(1) // it takes commands, though it gives no readings
		require.NoError(t, r.client.Set(t.Context(), 1, false, amps(1)))
		r.load.fake.set("read", false, nil)
		pass(200 * time.Millisecond)
		require.Equal(t, "halt", words(&r.load.fake, 0)[len(words(&r.load.fake, 0))-1], "off when it is back")
	})
}
