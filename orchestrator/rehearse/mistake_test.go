package rehearse

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// labelledNMC makes the twin of a module whose file says NMC, charged at 1 C.
func labelledNMC(t *testing.T) *Twin {
	t.Helper()
	m, err := profiles.LibraryModule("KW-01")
	require.NoError(t, err)
	b, err := profiles.LibraryBench("quay-1")
	require.NoError(t, err)
	var curve strings.Builder
	for _, p := range []float64{0, 1, 2, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100} {
		fmt.Fprintf(&curve, "  %g %%: %.3f V\n", p, plant.NMC811().OCV(p/100))
	}
	i, j := bytes.Index(m, []byte("open_circuit:\n")), bytes.Index(m, []byte("\npermits:"))
	m = bytes.Replace(m, m[i:j], []byte("open_circuit:\n"+curve.String()), 1)
	edit := func(text *[]byte, old, now string) {
		require.Contains(t, string(*text), old)
		*text = bytes.Replace(*text, []byte(old), []byte(now), 2)
	}
	edit(&m, "chemistry: LFP", "chemistry: NMC")
	edit(&m, "nominal: 3.20", "nominal: 3.65")
	edit(&m, "cell_max: 3.65", "cell_max: 4.25")
	edit(&m, "cell_max: 3.60", "cell_max: 4.19")
	edit(&m, "cell_min: 2.55", "cell_min: 2.56")
	edit(&b, "voltage: {max: 100 V", "voltage: {max: 110 V")
	edit(&b, "voltage: 3.65 V, temp", "voltage: 4.25 V, temp")
	edit(&b, "state_of_charge: 40 %", "state_of_charge: 88 %")
	p := "profile: full\nexpect_start: 88 %\nsteps:\n  - charge: {current: 1 C, hold: 4.10 V/cell, taper: C/2}\n"
	twin, err := Parse(File{"NMC.yaml", m}, File{"full.yaml", []byte(p)}, File{"bench.yaml", b})
	require.NoError(t, err)
	return twin
}

// An LFP article in an NMC file rests where an NMC one may, and would be charged
// to 4.10 V. Its voltage does not follow the file's curve: the run ends before a
// true cell leaves what such cells stand, from wherever it began.
func TestLFPLabelledNMC(t *testing.T) {
	alone(t)
	twin := labelledNMC(t)
	for _, soc := range []int{60, 85, 98} {
		f, err := virtual.ParseFault(fmt.Sprintf("wrong-chemistry chemistry=LFP soc=%d%%", soc))
		require.NoError(t, err)
		c := twin.Plain(1)
		c.Config.Faults = []virtual.Fault{f}
		r, err := twin.Run(c, nil)
		require.NoError(t, err)
		require.Len(t, r.Faults, 1)
		assert.Equal(t, machine.OutcomeTripped, r.Outcome, "%d %%", soc)
		require.NotEmpty(t, r.Trips)
		assert.Equal(t, "article", r.Trips[0].Cause, r.Reason)
		assert.Empty(t, r.Worst, "%d %%", soc)
		assert.Equal(t, machine.OutcomeDone, r.Next, "%d %%: the declared article is charged", soc)
	}
}

// Of the practice article each mistake is refused at rest, or ends at the first
// small current.
func TestMistakesBeforeTheRun(t *testing.T) {
	twin, err := Quick()
	require.NoError(t, err)
	for fault, want := range map[string]machine.Outcome{
		"wrong-count more=-1":                   machine.OutcomeRefused,
		"wrong-count more=1":                    machine.OutcomeRefused,
		"wrong-chemistry chemistry=NMC soc=80%": machine.OutcomeRefused,
		"wrong-chemistry chemistry=LFP soc=50%": machine.OutcomeTripped,
		"wrong-size size=-80%":                  machine.OutcomeTripped,
		"wrong-size size=-10%":                  machine.OutcomeDone,
		"wrong-maker tighter=20mV":              machine.OutcomeDone,
	} {
		f, err := virtual.ParseFault(fault)
		require.NoError(t, err)
		c := twin.Plain(1)
		c.Config.Faults = []virtual.Fault{f}
		r, err := twin.Run(c, nil)
		require.NoError(t, err)
		assert.Equal(t, want, r.Outcome, "%s: %s", fault, r.Reason)
		assert.True(t, r.Held(), "%s: %v", fault, r.Violations)
		if want == machine.OutcomeTripped {
			assert.Contains(t, r.Reason, "the module file says 4.000 mOhm", fault)
		}
	}
}
