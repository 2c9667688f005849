package readiness_test

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/readiness"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// rig is a virtual bench whose clock moves only while the check waits.
type rig struct {
	now  drivers.Instant
	live *virtual.Realtime
	spec drivers.Bench
	o    readiness.Options
}

func newRig(t *testing.T, faults ...string) *rig {
	t.Helper()
	r := &rig{now: drivers.Instant(drivers.Second), spec: virtual.WorkshopBench()}
	c := virtual.Config{Bench: r.spec, Article: virtual.DefaultArticle(), Start: r.now, Seed: 7}
	for _, text := range faults {
		f, err := virtual.ParseFault(text)
		require.NoError(t, err)
		c.Faults = append(c.Faults, f)
	}
	b, err := virtual.New(c)
	require.NoError(t, err)
	r.live = virtual.NewRealtime(b, func() drivers.Instant { return r.now })
	r.o.Wait = func(_ context.Context, d drivers.Span) error {
		r.now = r.now.Add(d)
		return nil
	}
	return r
}

func (r *rig) check(t *testing.T) *readiness.Report {
	t.Helper()
	return readiness.Check(t.Context(), &r.spec, r.live.Set(), r.o)
}

// findings are the roles and what is wrong, without advice.
func findings(r *readiness.Report) []string {
	var out []string
	for _, f := range r.Findings {
		if !f.Advice {
			out = append(out, f.Role+": "+f.What)
		}
	}
	return out
}

func TestReady(t *testing.T) {
	r := newRig(t)
	got := r.check(t)
	require.Empty(t, findings(got))
	assert.True(t, got.Ready())
	require.Len(t, got.Instruments, 5)
	for _, in := range got.Instruments {
		assert.True(t, in.Answers, in.Role)
		assert.GreaterOrEqual(t, in.Readings, 6, in.Role)
		assert.Equal(t, "workshop-7", in.Identity.Serial)
	}
	supply := got.Instruments[3]
	require.NotNil(t, supply.Armed, "limits are armed where the output is off and the contactors are open")
	assert.Equal(t, drivers.Protection{VoltageMax: 120 * drivers.Volt, CurrentMax: 60 * drivers.Ampere, CommTimeout: 2 * drivers.Second}, *supply.Armed)
	r.live.Do(func(b *virtual.Bench) {
		assert.Zero(t, b.Truth().Supply)
		assert.Zero(t, b.Truth().Load)
		assert.False(t, b.Truth().Flowing, "the check energises nothing")
	})
}

func TestFindings(t *testing.T) {
	for _, c := range []struct {
		fault string
		want  []string // each a part of a finding
	}{
		{"tap-open cell=7", []string{"monitor: no reading of cell 7"}},
		{"temp-open sensor=2", []string{"monitor: no reading of temperature 2"}},
		{"monitor-silent", []string{"monitor: reading: virtual monitor: no answer"}},
		{"meter-reads-off offset=2V", []string{"meter: it reads ", "the taps add up to"}},
		{"emergency-stop", []string{"box: the emergency stop is pressed"}},
		{"current-offset current=2A", []string{"monitor: its current reads "}},
		{"bleed-stuck cell=3", nil}, // the monitor does not know: only balancing can tell
	} {
		t.Run(c.fault, func(t *testing.T) {
			r := newRig(t, c.fault+" after=0s")
			r.o.Call = 1_000_000 // 1 ms, for the one that never answers
			got := r.check(t)
			all := fmt.Sprint(findings(got))
			for _, w := range c.want {
				assert.Contains(t, all, w)
			}
			assert.Equal(t, len(c.want) == 0, got.Ready(), all)
		})
	}
}

func TestHungInstrument(t *testing.T) {
	r := newRig(t, "driver-hangs device=load after=0s")
	r.o.Call = 1_000_000    // 1 ms: it never answers
	r.now = r.now.Add(1000) // the fault strikes
	got := r.check(t)
	require.NotEmpty(t, findings(got))
	assert.Contains(t, findings(got)[0], "load: ")
	assert.False(t, got.Instruments[4].Answers)
	assert.Nil(t, got.Instruments[4].Armed)
}

// Limits are left alone while anything is on or closed: setting them could
// widen what guards a running bench.
func TestArmsNothingThatIsOn(t *testing.T) {
	r := newRig(t)
	set := r.live.Set()
	require.NoError(t, set.Box.Switch(t.Context(), drivers.BoxNegative))
	r.now = r.now.Add(drivers.Second / 5)
	_, err := set.Supply.Arm(t.Context(), drivers.Protection{VoltageMax: 10 * drivers.Volt, CurrentMax: drivers.Ampere})
	require.NoError(t, err)
	require.NoError(t, set.Supply.Set(t.Context(), drivers.Setpoint{On: true, Voltage: drivers.Volt}))
	r.now = r.now.Add(drivers.Second / 5)
	got := r.check(t)
	all := fmt.Sprint(findings(got))
	assert.Contains(t, all, "box: contactors are closed: negative")
	assert.Contains(t, all, "supply: its output is on")
	for _, in := range got.Instruments {
		assert.Nil(t, in.Armed, in.Role)
	}
}

func TestWrongInstrument(t *testing.T) {
	r := newRig(t)
	r.spec.Supply.Expect = drivers.Identity{Serial: "another"}
	r.spec.Load.Expect = drivers.Identity{Model: "virtual load"}
	got := r.check(t)
	require.Len(t, findings(got), 1)
	assert.Contains(t, findings(got)[0], `supply: wrong device: its serial is "workshop-7", the bench file says "another"`)
	assert.Nil(t, got.Instruments[3].Armed, "nothing is sent to a wrong instrument")
	assert.True(t, got.Instruments[3].Another, "it answers, and is not the one")
	assert.False(t, got.Instruments[4].Another)
	assert.NotNil(t, got.Instruments[4].Armed)
}

func TestMissing(t *testing.T) {
	r := newRig(t)
	set := r.live.Set()
	set.Meter = nil
	r.o.Missing = map[string]error{"meter": errors.New("no answer from tcp:10.0.0.5:5027")}
	got := readiness.Check(t.Context(), &r.spec, set, r.o)
	require.Equal(t, []string{"meter: no answer from tcp:10.0.0.5:5027"}, findings(got))
}

func TestNothingGuardsAlone(t *testing.T) {
	r := newRig(t)
	r.spec.Supply.CommTimeout, r.spec.Box.Heartbeat = 0, 0
	got := r.check(t)
	assert.Contains(t, fmt.Sprint(findings(got)), "supply: nothing takes its output off when the program that commands it dies")
}

// stops is a box whose counter stands still after some readings.
type stops struct {
	drivers.Box
	left int
	last drivers.BoxReading
}

func (s *stops) Read(ctx context.Context) (drivers.BoxReading, error) {
	if s.left--; s.left >= 0 {
		var err error
		s.last, err = s.Box.Read(ctx)
		return s.last, err
	}
	return s.last, nil
}

// What was new once and no more is stale (INV-02): contactors that read open in
// an old reading may be closed by now, and nothing is armed on the strength of it.
func TestStandsStill(t *testing.T) {
	for left, ready := range map[int]bool{2: false, 3: true} { // of 8 looks; 5 periods are allowed
		r := newRig(t)
		set := r.live.Set()
		set.Box = &stops{Box: set.Box, left: left}
		got := readiness.Check(t.Context(), &r.spec, set, r.o)
		require.Equal(t, ready, got.Ready(), findings(got))
		if !ready {
			assert.Contains(t, findings(got)[0], "box: nothing new came from it in the last 600.000 ms")
			assert.Nil(t, got.Instruments[3].Armed)
		}
	}
}
