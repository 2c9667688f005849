package rehearse

import (
	"flag"
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

var rewriteProof = flag.Bool("rewrite", false, "rewrite the golden run of testdata/proof.txt")

// provingTwin is the shipped proof on the shipped bench and module.
func provingTwin(t *testing.T) *Twin {
	t.Helper()
	read := func(get func(string) ([]byte, error), name string) File {
		text, err := get(name)
		require.NoError(t, err)
		return File{name + ".yaml", text}
	}
	twin, err := Parse(read(profiles.LibraryModule, "KW-01"), read(profiles.LibraryProfile, "proof"), read(profiles.LibraryBench, "quay-1"))
	require.NoError(t, err)
	return twin
}

// proofTape is what a campaign's first run recorded of its proofs.
type proofTape struct {
	lines []string
	rows  []machine.Proof
	at    drivers.Span
	over  bool
}

func (p *proofTape) say(at drivers.Instant, text string) {
	p.at = at.Sub(began)
	if p.over {
		return
	}
	switch {
	case strings.HasPrefix(text, "proof "), strings.HasPrefix(text, "finish "), strings.HasPrefix(text, "record "):
		p.lines = append(p.lines, fmt.Sprintf("%9s %s", seconds(p.at), text))
	}
	a, err := machine.ParseAction(text)
	if err != nil {
		return
	}
	switch a := a.(type) {
	case machine.Proof:
		p.rows = append(p.rows, a)
	case machine.Finish:
		p.over = true
	}
}

// The shipped proof on the shipped bench: the golden run, and every row passes.
func TestProofGolden(t *testing.T) {
	twin := provingTwin(t)
	var tape proofTape
	r, err := twin.Run(twin.Plain(1), tape.say)
	require.NoError(t, err)
	require.True(t, r.Held(), r.Violations)
	require.Len(t, tape.rows, len(machine.Protections))
	for _, row := range tape.rows {
		assert.True(t, row.Passed, row)
	}
	got := strings.Join(tape.lines, "\n") + "\n"
	if *rewriteProof {
		require.NoError(t, os.WriteFile("testdata/proof.txt", []byte(got), 0o644))
		return
	}
	want, err := os.ReadFile("testdata/proof.txt")
	require.NoError(t, err, "run with -rewrite and read the difference")
	require.Equal(t, string(want), got)
}

// One thing goes wrong in each row of the proof, while its current flows: no row
// passes from there on, and no invariant is hurt.
func TestProofRowsUnderFaults(t *testing.T) {
	twin := provingTwin(t)
	var healthy proofTape
	_, err := twin.run(twin.Plain(1), &runOptions{once: true, say: healthy.say})
	require.NoError(t, err)
	positive := drivers.Contactors(drivers.BoxPositive)
	for i, row := range healthy.rows {
		off := virtual.SupplyIgnoresOff
		if row.Protection == machine.ProveCellLow || row.Protection == machine.ProveDischargeHigh {
			off = virtual.LoadIgnoresOff
		}
		faults := []virtual.Fault{
			{Kind: off}, {Kind: virtual.ContactorWelded, Contactor: positive}, {Kind: virtual.FramesStop}, {Kind: virtual.MonitorSilent},
			{Kind: virtual.CommandsIgnored, Device: virtual.DeviceBox},
		}
		if row.Protection == machine.ProveStop {
			faults = faults[:4] // whose coils are cut opens, whatever it ignores
		}
		for j, f := range faults {
			if testing.Short() && (i+j)%9 != 0 {
				continue
			}
			t.Run(fmt.Sprintf("%s %s", row.Protection, f.Kind), func(t *testing.T) {
				// Before the bench has done anything of its own: the host takes a lease's
				// length, and the stop opens as it is pressed.
				before := map[machine.Protection]drivers.Span{machine.ProveLease: drivers.Second, machine.ProveStop: 150 * drivers.Millisecond}
				f.When = virtual.Trigger{On: virtual.AfterStart, Span: row.Finding.Since.Sub(began) - max(before[row.Protection], 50*drivers.Millisecond)}
				c := twin.Plain(1)
				c.Config.Faults = append(c.Config.Faults, f)
				var tape proofTape
				r, err := twin.Run(c, tape.say)
				require.NoError(t, err)
				require.Empty(t, r.Violations)
				require.Greater(t, len(tape.rows), i, "the row was carried out")
				for k, got := range tape.rows {
					assert.Equal(t, k < i, got.Passed, got)
				}
				assert.NotEqual(t, machine.OutcomeDone, r.Outcome)
			})
		}
	}
}

// The process dies at its calls throughout a proof. Nothing is left shifted, for a
// shift lives nowhere but in the process: the next one finds the latch, drives
// everything safe, and a whole proof passes after it (INV-05, INV-06).
func TestProofKilled(t *testing.T) {
	twin := provingTwin(t)
	stride := 101
	switch {
	case os.Getenv("RIGWARDEN_KILLS") == "every":
		stride = 1
	case testing.Short():
		stride = 1999
	}
	killed, latched := 0, 0
	err := twin.Kills(t.Context(), 1, stride, runtime.GOMAXPROCS(0), func(r *Result) {
		assert.True(t, r.Held(), "call %d, again %d: %v", r.Campaign.Kill.Call, r.Campaign.Kill.Again, r.Violations)
		assert.Equal(t, machine.OutcomeDone, r.Next, "call %d: %s", r.Campaign.Kill.Call, r.NextReason)
		if r.Killed {
			killed++
		}
		if r.Latched {
			latched++
		}
	})
	require.NoError(t, err)
	t.Logf("killed at %d of %d calls; latched %d times", killed, twin.Healthy.Calls, latched)
	assert.GreaterOrEqual(t, killed, twin.Healthy.Calls/stride)
	assert.Greater(t, latched, killed/2)
}

// Drawn campaigns of faults, people, failing stores and kills over a proof: no
// invariant is hurt, and a run in which something tripped is no proof.
func TestProofCampaigns(t *testing.T) {
	twin := provingTwin(t)
	seeds := 60
	if testing.Short() {
		seeds = 4
	}
	if s := os.Getenv("RIGWARDEN_SEEDS"); s != "" {
		_, err := fmt.Sscan(s, &seeds)
		require.NoError(t, err)
	}
	err := twin.Many(t.Context(), 1, seeds, runtime.GOMAXPROCS(0), func(r *Result) {
		assert.Empty(t, r.Violations, "seed %d: %v", r.Campaign.Seed, r.Campaign.Lines())
	})
	require.NoError(t, err)
}
