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
// period late, so that silence shows (INV-02).
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

// A monitor that floods the host with sweeps must not flood the instruments, the
// daemon and the store: frames are half a period apart at least, and a halt, a
// breach and a renewal go through as ever.
func TestFloodOfSweepsMakesNoFloodOfFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		m := sweeping{r.monitor, make(chan struct{}, 1)}
		r.config.Set.Monitor = m
		r.open()
		r.energise(1)
		stop := r.keep(1)
		pass(tms)
		reads, beat, base := r.supply.reads.Load(), r.monitor.beat.Load(), r.now()
		for range 2000 { // twice the lease
			pass(tms)
			m.sweep()
		}
		stop()
		// 2 s at one frame in 50 ms, and one on either edge.
		require.InDelta(t, 40, r.supply.reads.Load()-reads, 1)
		require.InDelta(t, 40, r.monitor.beat.Load()-beat, 1)
		require.Empty(t, words(&r.supply.fake, base), "the lease was renewed all the while")

		r.monitor.cell.Store(30_000) // 4.5 V
		at := r.now()
		for range 60 {
			pass(tms)
			m.sweep()
		}
		halts := r.supply.heardSince(at)
		require.NotEmpty(t, halts)
		require.LessOrEqual(t, halts[0].at-at, 51*tms)
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
