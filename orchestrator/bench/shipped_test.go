package bench_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

var rewrite = flag.Bool("rewrite", false, "rewrite the golden runs of testdata/profiles")

// shippedRun runs a shipped profile on the virtual bench and tells it as a person
// would read it: each step's end, and, from the plant alone, where the cells stand
// afterwards.
func shippedRun(t *testing.T, name string, edits ...string) (*trial, string) {
	t.Helper()
	whole(t)
	s := newSetup(t, shippedModule(t), shippedBench(t), string(edited(t, []byte(shippedProfile(t, name)), edits)))
	x := s.open(t)
	var b strings.Builder
	x.tape.onRecord = func(at drivers.Instant, r machine.Record) {
		since := int64(at.Sub(began) / drivers.Second)
		switch r.Kind {
		case machine.RecordEnd:
			fmt.Fprintf(&b, "%3d:%02d  %-28s pass %d  %+8.2f Ah  %s\n", since/3600, since/60%60, r.Label, r.Pass, float64(r.Charge)/float64(drivers.AmpereHour), r.Text)
		case machine.RecordNote, machine.RecordTrip, machine.RecordPause:
			if !strings.HasPrefix(r.Text, "closed: ") && !strings.HasPrefix(r.Text, "imbalance ") {
				fmt.Fprintf(&b, "%3d:%02d  %s: %s\n", since/3600, since/60%60, r.Kind, r.Text)
			}
		}
	}
	e := x.run()
	low, high := x.states()
	fmt.Fprintf(&b, "%s %s\ntrue state of charge %.1f %% to %.1f %%, %.2f %% apart at the top\n", e.Outcome, e.Reason,
		100*low, 100*high, 100*x.rig.Plant().Module().Imbalance())
	return x, b.String()
}

// states are the true states of charge of the emptiest and the fullest cell.
func (x *trial) states() (low, high float64) {
	m := x.rig.Plant().Module()
	low, high = 1, 0
	for k := range m.Len() {
		low, high = min(low, m.SoC(k)), max(high, m.SoC(k))
	}
	return low, high
}

func goldenRun(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("../../testdata/profiles", name+".run.txt")
	if *rewrite {
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
		return
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err, "run go test ./orchestrator/bench -run TestShipped -rewrite and read the difference")
	require.Equal(t, string(want), got)
}

// Each shipped profile does on the virtual bench what its file says; what the run
// looked like is kept to be read.
func TestShippedFirstCharge(t *testing.T) {
	t.Parallel()
	x, told := shippedRun(t, "first-charge")
	goldenRun(t, "first-charge", told)
	_, high := x.states()
	assert.InDelta(t, 0.995, high, 0.004, "the highest cell stands where the curve is at 3.50 V")
}

func TestShippedCapacity(t *testing.T) {
	t.Parallel()
	x, told := shippedRun(t, "capacity")
	goldenRun(t, "capacity", told)
	assert.Equal(t, 3, strings.Count(told, "cycles/discharge  "), "three that agree, and no more")
	low, high := x.states()
	assert.GreaterOrEqual(t, low, 0.2, "the module file's storage range")
	assert.LessOrEqual(t, high, 0.4)
}

func TestShippedPulses(t *testing.T) {
	t.Parallel()
	x, told := shippedRun(t, "pulses")
	goldenRun(t, "pulses", told)
	assert.Equal(t, 9, strings.Count(told, "levels/out  "))
	assert.Equal(t, 9, strings.Count(told, "levels/in  "))
	low, high := x.states()
	assert.GreaterOrEqual(t, low, 0.2)
	assert.LessOrEqual(t, high, 0.4)
}

func TestShippedBalance(t *testing.T) {
	t.Parallel()
	x, told := shippedRun(t, "balance")
	goldenRun(t, "balance", told)
	b := balanceTruth{x: x}
	assert.LessOrEqual(t, widest(b.lack()), 0.003*40)
}

func TestShippedStorage(t *testing.T) {
	t.Parallel()
	x, told := shippedRun(t, "storage")
	goldenRun(t, "storage", told)
	low, high := x.states()
	assert.GreaterOrEqual(t, low, 0.2)
	assert.LessOrEqual(t, high, 0.4)
}

// A week of frames tells no more of the profile than a quarter of a day does.
func TestShippedWatch(t *testing.T) {
	t.Parallel()
	x, told := shippedRun(t, "watch", "7 d", "6 h")
	goldenRun(t, "watch", told)
	assert.NotContains(t, told, "close", "nothing is connected")
	total := x.rig.Plant().Counters()
	assert.Zero(t, total.ChargeIn+total.ChargeOut+total.Bled)
}
