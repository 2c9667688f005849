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

// sweeping is a monitor that tells when it has a new reading.
type sweeping struct {
	*fakeMonitor
	swept chan struct{}
}

func (s sweeping) Swept() <-chan struct{} { return s.swept }

// sweep makes a new reading.
func (s sweeping) sweep() {
	select {
	case s.swept <- struct{}{}:
	default:
	}
}

// A monitor on a bus sends by its own clock. A frame is made when its sweep
// comes, not up to a period later; without a sweep one is made a quarter of a
// period late, so that silence shows (INV-02); a flood of sweeps makes no flood
// of work for the devices beyond a frame each.
func TestFramesFollowTheMonitor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		m := sweeping{r.monitor, make(chan struct{}, 1)}
		r.config.Set.Monitor = m
		r.open()
		r.drain()
		at := func() time.Duration {
			f := <-r.client.Frames()
			return duration(f.At.Sub(drivers.Instant(r.start.UnixMicro())))
		}
		base := r.now()
		for n := range 3 { // a period of 90 ms, under the bench's 100 ms
			pass(90 * tms)
			m.sweep()
			require.Equal(t, base+time.Duration(n+1)*90*tms, at())
		}
		last := r.now()
		require.Equal(t, last+125*tms, at(), "no sweep came")
		require.Equal(t, last+250*tms, at(), "nor here")
		pass(30 * tms)
		m.sweep()
		require.Equal(t, last+280*tms, at(), "the next sweep is taken at once")
	})
}

// What stands against a bench beside its instruments keeps it from being armed,
// before anything is armed (INV-08).
func TestArmAsksWhetherItMay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		low := errors.New("insulation is 12 kOhm; at 79 V at least 40 kOhm is demanded")
		var asked int
		r.config.Allow = func(ctx context.Context) error {
			deadline, ok := ctx.Deadline()
			require.True(t, ok)
			require.LessOrEqual(t, time.Until(deadline), duration(AllowTime))
			asked++
			return low
		}
		r.open()
		pass(50 * tms)
		before := r.now()
		err := r.tryArm(t.Context(), 1)
		require.ErrorIs(t, err, drivers.ErrRefused)
		require.ErrorContains(t, err, low.Error())
		require.Empty(t, words(&r.supply.fake, before))
		low = nil
		require.NoError(t, r.tryArm(t.Context(), 2))
		require.Equal(t, 2, asked)
	})
}
