package rehearse

import (
	"bytes"
	"encoding/json"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

var quickTwin = sync.OnceValues(Quick)

func quick(t testing.TB) *Twin {
	t.Helper()
	twin, err := quickTwin()
	require.NoError(t, err)
	return twin
}

// INV-01 to INV-16, as far as the plant's truth, the wires and the record show
// them: fixed seeds hold, and among them is everything that is to be drawn.
func TestCampaigns(t *testing.T) {
	first, runs := uint64(1), 400
	if testing.Short() {
		runs = 24 // under the race detector, which is after other things
	}
	var s Summary
	err := quick(t).Many(t.Context(), first, runs, runtime.GOMAXPROCS(0), s.Add)
	require.NoError(t, err)
	s.Close()
	var text bytes.Buffer
	s.Write(&text)
	t.Logf("seeds %d to %d\n%s", first, runs, &text)
	assert.Equal(t, runs, s.Runs)
	assert.Empty(t, s.Violations)
	assert.Empty(t, s.False)
	assert.Empty(t, s.Missed)
	if testing.Short() {
		return
	}

	kinds := 0
	for _, info := range virtual.Faults() {
		if s.Faults[info.Name] > 0 {
			kinds++
		}
	}
	assert.Equal(t, len(virtual.Faults()), kinds, "kinds of the catalogue that were drawn")
	for _, k := range []string{"store-slow", "store-failing", "store-full", "process-killed"} {
		assert.Positive(t, s.Faults[k], k)
	}
	for _, o := range []machine.Outcome{machine.OutcomeDone, machine.OutcomeTripped, machine.OutcomeStopped, machine.OutcomeRefused, machine.OutcomeInterrupted} {
		assert.Positive(t, s.Outcomes[string(o)], o)
	}
	assert.Greater(t, len(s.Trips), 12, "causes of trips")
	assert.Greater(t, s.Next["done"], runs*3/4)
}

// The same at the knee of an LFP curve, where a cell runs away fastest.
func TestCampaignsAtTheKnee(t *testing.T) {
	alone(t)
	knee, err := Knee()
	require.NoError(t, err)
	var s Summary
	runs := 30
	require.NoError(t, knee.Many(t.Context(), 1, runs, runtime.GOMAXPROCS(0), s.Add))
	assert.Equal(t, runs, s.Runs)
	assert.Empty(t, s.Violations)
	assert.Empty(t, s.False)
	assert.Empty(t, s.Missed)
}

// A judge that cannot find anything judges nothing: cells whose maker allows less
// than the plan believes are found outside, with nobody having tripped.
func TestJudgeSeesExcursions(t *testing.T) {
	twin := *quick(t)
	module := *twin.Module
	module.Maker.CellMax = 3_550_000 // the plan holds cells at 3.60 V
	twin.Module = &module
	r, err := twin.Run(twin.Plain(1), nil)
	require.NoError(t, err)
	assert.True(t, r.Missed)
	assert.True(t, slices.ContainsFunc(r.Violations, func(v Violation) bool {
		return v.INV == 12 && strings.Contains(v.What, "cell_high")
	}), "%v", r.Violations)
	assert.Negative(t, r.Margin.Cell)
}

// A seed is a whole campaign: it gives the same lines each time.
func TestSeedRepeats(t *testing.T) {
	twin := quick(t)
	for _, seed := range []uint64{3, 9, 66, 85} {
		var lines [2][]string
		var results [2]*Result
		for i := range lines {
			r, err := twin.Run(twin.Draw(seed), func(at instant, text string) { lines[i] = append(lines[i], seconds(at.Sub(began))+" "+text) })
			require.NoError(t, err)
			results[i] = r
		}
		require.NotEmpty(t, lines[0])
		require.Equal(t, lines[0], lines[1], "seed %d", seed)
		a, err := json.Marshal(results[0])
		require.NoError(t, err)
		b, err := json.Marshal(results[1])
		require.NoError(t, err)
		require.Equal(t, string(a), string(b), "seed %d", seed)
		require.Contains(t, strings.Join(lines[0], "\n"), "campaign seed=")
	}
}

// How many run at once changes nothing.
func TestManyKeepsOrder(t *testing.T) {
	var one, four Summary
	n := 24
	if testing.Short() {
		n = 4
	}
	require.NoError(t, quick(t).Many(t.Context(), 500, n, 1, one.Add))
	require.NoError(t, quick(t).Many(t.Context(), 500, n, 4, four.Add))
	one.Close()
	four.Close()
	require.Equal(t, one, four)
}

func TestRegressions(t *testing.T) {
	twin := quick(t)
	for i, g := range Regressions {
		if testing.Short() && i%6 != 0 {
			continue
		}
		t.Run(g.Name, func(t *testing.T) {
			f, err := virtual.ParseFault(g.Fault)
			require.NoError(t, err)
			c := twin.Plain(max(g.Seed, 1))
			c.Config.Faults = []virtual.Fault{f}
			if g.SoC != 0 {
				c.Config.Article.SoC = g.SoC
			}
			r, err := twin.Run(c, nil)
			require.NoError(t, err)
			assert.True(t, r.Held(), "%s: %v, false %t, missed %t", g.Story, r.Violations, r.FalseTrip, r.Missed)
			var left []string
			for _, v := range r.Beyond {
				left = append(left, v.key())
			}
			slices.Sort(left)
			assert.Equal(t, g.Left, slices.Compact(left), g.Story)
			if len(g.Left) == 0 {
				assert.Empty(t, r.Worst, g.Story)
				assert.Positive(t, min(int64(r.Margin.Cell), int64(r.Margin.Temp), int64(r.Margin.Charge), int64(r.Margin.Discharge)), "%s: %+v", g.Story, r.Margin)
			}
			assert.Equal(t, machine.OutcomeDone, r.Next, r.NextReason)
		})
	}
}

// A monitor without noise shows the cell that the control holds on one count,
// while its siblings fall with the current: the guard took that for a frozen
// sensor. Runs without faults never trip, be the steps a millivolt and the
// sensors without any noise.
func TestNoFalseTrips(t *testing.T) {
	alone(t)
	knee, err := Knee()
	require.NoError(t, err)
	last := uint64(30)
	for _, twin := range []*Twin{quick(t), knee} {
		for seed := uint64(1); seed <= last; seed++ {
			for _, step := range []drivers.Microvolts{0, 1000} {
				c := twin.Plain(seed)
				c.Config.Sensing = virtual.Sensing{Ideal: true}
				d := newDice(seed)
				c.Config.Article.SoC += d.between(-0.02, 0.02)
				if step > 0 {
					coarse, ok := twin.coarse(step)
					if !ok {
						continue
					}
					c.plan, c.Config.Bench = coarse, coarse.Bench
				}
				r, err := twin.run(c, &runOptions{once: true})
				require.NoError(t, err)
				assert.Empty(t, r.Trips, "%s, seed %d, step %v", twin.Module.Serial, seed, step)
				assert.Empty(t, r.Violations, "%s, seed %d, step %v", twin.Module.Serial, seed, step)
			}
		}
	}
}

// alone skips what runs on one goroutine only and takes long: the race detector
// finds nothing there.
func alone(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("one goroutine, for long; it runs without -short")
	}
}
