package guard

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// Cross-checks: at the tolerance nothing, beyond it found after 1 s of steady
// current, in the eleventh frame.
func TestCrossChecks(t *testing.T) {
	tests := []struct {
		name  string
		set   func(r *rig, beyond int64)
		cause Cause
		kind  drivers.Kind
	}{
		{"taps over the meter", func(r *rig, b int64) { r.kind(drivers.ModuleVoltage, 24*3_300_000-60_000-1000*b) }, SumMismatch, drivers.ModuleVoltage},
		{"taps under the meter", func(r *rig, b int64) { r.kind(drivers.ModuleVoltage, 24*3_300_000+60_000+1000*b) }, SumMismatch, drivers.ModuleVoltage},
		{"shunt under the supply", func(r *rig, b int64) { r.flow(10_000_000); r.kind(drivers.SupplyCurrent, 10_150_000+1000*b) }, CurrentMismatch, drivers.ModuleCurrent},
		{"shunt over the load", func(r *rig, b int64) { r.flow(-10_000_000); r.kind(drivers.LoadCurrent, 10_150_000+1000*b) }, CurrentMismatch, drivers.ModuleCurrent},
		{"shunt against the box", func(r *rig, b int64) { r.flow(10_000_000); r.kind(drivers.BoxCurrent, 9_600_000-10_000*b) }, CurrentMismatch, drivers.BoxCurrent},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, nil)
			tt.set(r, 0)
			r.quiet(30)
			tt.set(r, 1)
			r.x.Steady = false
			r.quiet(30) // unsteady: no telling
			r.x.Steady = true
			n, found := r.wait(20)
			require.Equal(t, 11, n)
			require.Equal(t, tt.cause, found[0].Cause)
			require.Equal(t, r.layout.Find(tt.kind), found[0].Channel)
			tt.set(r, 0)
			r.quiet(2)
		})
	}
}

// Between steady moments a disagreement is neither forgotten nor believed.
func TestCrossChecksSurviveUnsteadiness(t *testing.T) {
	r := newRig(t, nil)
	r.kind(drivers.ModuleVoltage, 24*3_300_000-70_000)
	r.quiet(5)
	r.x.Steady = false
	r.quiet(20)
	r.x.Steady = true
	n, found := r.wait(3)
	require.Equal(t, 1, n)
	require.Equal(t, SumMismatch, found[0].Cause)
	require.Equal(t, int64(70_000), found[0].Value)
}

// Frames that repeat themselves keep whatever the instruments disagreed about in
// the moment at which they stopped, as of a link that was being filled: the finding
// is that they stand still, and the difference is believed only where a new reading
// shows it again.
func TestCrossChecksNeedNewReadings(t *testing.T) {
	r := newRig(t, nil)
	r.quiet(30)
	r.kind(drivers.ModuleVoltage, 24*3_300_000-70_000)
	r.quiet(1)
	found := r.repeat()
	for len(found) == 0 {
		found = r.repeat()
	}
	require.Equal(t, Stale, found[0].Cause)
	for range 10 {
		for _, f := range r.repeat() {
			require.Equal(t, Stale, f.Cause)
		}
	}
	found = r.next()
	require.Equal(t, SumMismatch, found[0].Cause)
}

// INV-02: one cell stands on its count while an edge of current moves the rest.
func TestFrozenCell(t *testing.T) {
	for _, jump := range []int64{+20_000, -20_000} {
		r := newRig(t, func(l *Limits) { l.LoneMove = 0; l.SumTolerance = 1_000_000 })
		r.quiet(30)
		r.flow(jump * 500)
		r.cells(3_300_000 + jump)
		r.set(11, 3_300_000)
		n, found := r.wait(20)
		require.Equal(t, 11, n, "1 s after the edge")
		require.Len(t, found, 1)
		require.Equal(t, Frozen, found[0].Cause)
		require.Equal(t, 11, found[0].Channel)
		require.InDelta(t, 20_000, found[0].Value, 100)
		r.set(11, 3_300_000+100)
		r.quiet(1) // it moved after all
	}
}

// What looks frozen and is not: an edge that reaches some taps a frame late; a
// movement at or under the threshold; slow drift; a sibling that jumps.
func TestFrozenNot(t *testing.T) {
	loose := func(l *Limits) { l.LoneMove = 0; l.SumTolerance = 100_000_000 }
	t.Run("half the taps are sampled before the edge", func(t *testing.T) {
		r := newRig(t, loose)
		r.quiet(30)
		r.flow(10_000_000)
		for i := range 12 {
			r.set(i, 3_320_000)
		}
		r.quiet(1)
		r.cells(3_320_000)
		r.quiet(30)
	})
	t.Run("at the threshold", func(t *testing.T) {
		r := newRig(t, loose)
		r.quiet(30)
		r.flow(10_000_000)
		r.cells(3_310_000)
		r.set(11, 3_300_000)
		r.quiet(30)
	})
	t.Run("drift without a change of current", func(t *testing.T) {
		r := newRig(t, loose)
		r.flow(2_000_000)
		for step := range int64(300) {
			r.cells(3_300_000 + step*1000)
			r.set(11, 3_300_000)
			r.quiet(1)
		}
	})
	t.Run("held by the control", func(t *testing.T) {
		r := newRig(t, loose)
		for step := range int64(100) { // 3 % of the current and 3 mV a second
			r.flow(20_000_000 - 60_000*step)
			r.cells(3_500_000 - 300*step)
			r.set(11, 3_550_000)
			r.x.Charge = 20_000_000
			r.x.Steady = false
			for _, f := range r.next() {
				require.NotEqual(t, Frozen, f.Cause, Describe(f, r.layout))
			}
		}
	})
	t.Run("one cell jumps, the others stand", func(t *testing.T) {
		r := newRig(t, loose)
		r.quiet(30)
		r.flow(10_000_000)
		r.set(11, 3_590_000)
		r.quiet(30)
	})
	t.Run("bleeding", func(t *testing.T) {
		r := newRig(t, loose)
		r.x.Bleeding = true
		r.quiet(30)
		r.flow(10_000_000)
		r.cells(3_320_000)
		r.set(11, 3_300_000)
		r.quiet(30)
	})
}

// One cell moves and its siblings do not.
func TestLoneCell(t *testing.T) {
	set := func(r *rig, move int64) { r.set(17, 3_300_000+move) }
	for _, sign := range []int64{+1, -1} {
		r := newRig(t, func(l *Limits) { l.SumTolerance = 1_000_000 })
		r.quiet(30)
		set(r, sign*40_000)
		r.quiet(40) // at the limit

		r = newRig(t, func(l *Limits) { l.SumTolerance = 1_000_000 })
		r.quiet(30)
		set(r, sign*40_100)
		n, found := r.wait(20)
		require.Equal(t, 11, n)
		require.Len(t, found, 1)
		require.Equal(t, LoneCell, found[0].Cause)
		require.Equal(t, 17, found[0].Channel)
		require.Equal(t, sign*40_100, found[0].Value)

		r.x.Bleeding = true
		r.quiet(40) // it is being bled: no wonder
	}
}

// What is not lone: a slow drift, a spike, many cells, an edge for all.
func TestLoneCellNot(t *testing.T) {
	r := newRig(t, func(l *Limits) { l.SumTolerance = 100_000_000 })
	r.quiet(30)
	for step := range int64(200) { // 1 mV a frame is 20 mV in 2 s
		r.set(17, 3_300_000+1000*step)
		r.quiet(1)
	}
	r.set(3, 3_400_000)
	r.quiet(5)
	r.set(3, 3_300_000)
	r.quiet(30)
	for i := range 8 {
		r.set(i, 3_350_000)
	}
	r.quiet(30)
	r.flow(20_000_000)
	r.cells(3_400_000)
	r.quiet(30)
}

// A temperature sensor that stands still while its siblings move.
func TestFrozenTemperature(t *testing.T) {
	move := func(r *rig, mK int64, all bool) {
		for i := range 6 {
			if i != 2 || all {
				r.set(r.layout.Temp(i), int64(celsius(25))+mK)
			}
		}
	}
	r := newRig(t, func(l *Limits) { l.TempRateMax, l.TempSoftMax = 0, 0 })
	r.quiet(150)
	move(r, 4000, false)
	r.quiet(250)
	move(r, 4100, false)
	_, found := r.wait(200)
	require.Len(t, found, 1)
	require.Equal(t, Frozen, found[0].Cause)
	require.Equal(t, r.layout.Temp(2), found[0].Channel)
	require.InDelta(t, 4050, found[0].Value, 51)
	require.Contains(t, Describe(found[0], r.layout), "temperature 3 stands still while its siblings moved by 4.")
	move(r, 4100, true)
	for range 110 {
		r.next() // until the bucket's end
	}
	r.quiet(200)
}

// A sensor that jumps is named itself; its healthy siblings, which stand on one
// count, are not taken for frozen, of however many there are.
func TestJumpingTemperature(t *testing.T) {
	for _, temps := range []int{2, 3, 6} {
		for _, jump := range []int64{-15_000, 15_000} {
			r := newRigOf(t, 24, temps, func(l *Limits) { l.TempRateMax, l.TempSoftMax, l.TempFrozenMove, l.TempLoneMove = 0, 0, 500, 2000 })
			r.quiet(250)
			r.set(r.layout.Temp(1), int64(celsius(25))+jump)
			_, found := r.wait(220)
			require.Equal(t, LoneTemp, found[0].Cause, "%d sensors", temps)
			require.Equal(t, r.layout.Temp(1), found[0].Channel)
			require.Contains(t, Describe(found[0], r.layout), "temperature 2 moved by ")
			if temps > 2 { // of two, the other one cannot be told to live
				require.Len(t, found, 1)
			}
		}
	}
}

// A temperature that rises faster than 3 K a minute, whatever way it does.
func TestTempRise(t *testing.T) {
	ramp := func(mKPerMinute, frames int) (int, []Finding) {
		r := newRig(t, func(l *Limits) { l.TempSoftMax, l.TempFrozenMove = 0, 0 })
		for n := range frames {
			v := int64(celsius(25)) + int64(n*mKPerMinute/600)
			r.f.Counts[r.layout.Temp(3)] = r.layout.Channels[r.layout.Temp(3)].Scale.Nearest(v)
			if found := r.next(); len(found) > 0 {
				return n, found
			}
		}
		return -1, nil
	}
	n, _ := ramp(2950, 4000)
	require.Equal(t, -1, n, "2.95 K a minute is credible")
	n, found := ramp(3100, 4000)
	require.Equal(t, TempRise, found[0].Cause)
	require.InDelta(t, 700, n, 15, "3.1 K a minute is found once a minute has passed")
	require.InDelta(t, 3100, found[0].Value, 60)
	n, found = ramp(60_000, 4000)
	require.Equal(t, TempRise, found[0].Cause)
	require.InDelta(t, 200, n, 10, "1 K a second is found after two buckets")

	r := newRig(t, func(l *Limits) { l.TempSoftMax, l.TempFrozenMove = 0, 0 })
	rng := rand.New(rand.NewPCG(1, 2))
	for n := range 3000 { // noise of 0.3 K and a spike every 12 s
		v := int64(celsius(25)) + int64(300*rng.NormFloat64())
		if n%120 == 0 {
			v += 15_000
		}
		r.f.Counts[r.layout.Temp(3)] = r.layout.Channels[r.layout.Temp(3)].Scale.Nearest(v)
		r.quiet(1)
	}
}

// INV-15: soft limits pause, and hold until the hysteresis is over; each new
// excess counts once.
func TestTempSoft(t *testing.T) {
	r := newRig(t, func(l *Limits) { l.TempRateMax, l.TempFrozenMove = 0, 0 })
	at := r.layout.Temp(4)
	r.set(at, int64(celsius(40)))
	r.quiet(20)
	r.set(at, int64(celsius(40))+50)
	n, found := r.wait(20)
	require.Equal(t, 11, n)
	require.Equal(t, TempSoft, found[0].Cause)
	require.Equal(t, at, found[0].Channel)
	require.False(t, found[0].Hard)
	require.Equal(t, 1, r.g.Softs())
	r.set(at, int64(celsius(37)))
	for range 50 {
		require.Len(t, r.next(), 1, "not yet under 37 degC")
	}
	require.Equal(t, 1, r.g.Softs())
	r.set(at, int64(celsius(37))-50)
	r.quiet(20)
	r.set(at, int64(celsius(39)))
	r.quiet(20)
	r.set(at, int64(celsius(41)))
	r.wait(20)
	require.Equal(t, 2, r.g.Softs())
	r.g.Reset(r.f.At)
	require.Equal(t, 0, r.g.Softs())
}
