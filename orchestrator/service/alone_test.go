package service

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles"
)

// onWires is the shipped bench as one of real instruments, which answer nowhere.
func onWires(t *testing.T) *profiles.Bench {
	t.Helper()
	text, err := profiles.LibraryBench(DefaultBench)
	require.NoError(t, err)
	b, ps := profiles.ParseBench("quay-1.yaml", text)
	require.Empty(t, ps)
	for _, w := range b.Wires() {
		*w = drivers.Wire{Driver: "scpi", Address: "tcp:127.0.0.1:1", Expect: drivers.Identity{Maker: "Maker", Model: "Model"}}
	}
	return b
}

// Whoever leaves a real module alone has looked at every point of the checklist,
// and has a proof of protections that is fresh; beside a bench, at rest, and in
// practice neither is asked for.
func TestARealModuleIsLeftAloneBehindAChecklistAndAProof(t *testing.T) {
	text, err := profiles.LibraryModule("KW-01")
	require.NoError(t, err)
	mod, ps := profiles.ParseModule("KW-01.yaml", text)
	require.Empty(t, ps)
	alonely := strings.Replace(shortCharge, "attended: yes\n", "", 1)
	for name, c := range map[string]struct {
		profile string
		virtual bool
		demands bool
	}{
		"alone": {alonely, false, true}, "beside it": {shortCharge, false, false}, "practice": {alonely, true, false},
		"at rest": {"profile: mine\nsteps:\n  - rest: 1 h\n", false, false},
	} {
		t.Run(name, func(t *testing.T) {
			prof, ps := profiles.ParseProfile("mine.yaml", []byte(c.profile))
			require.Empty(t, ps)
			bench, err := profiles.LibraryBench(DefaultBench)
			require.NoError(t, err)
			b, ps := profiles.ParseBench("quay-1.yaml", bench)
			require.Empty(t, ps)
			plan, ps := profiles.Compile(prof, mod, b)
			require.Empty(t, ps)
			if !c.virtual {
				b = onWires(t)
				plan.Bench = b.Bench
			}
			_, err = lookedAt(plan, prof, b, mod, nil)
			if !c.demands {
				require.NoError(t, err)
				assert.Zero(t, proofWithin(plan, prof, b))
				return
			}
			e := wantKind(t, ToStatus(err), KindRefused)
			var keys []string
			for _, p := range e.Problems {
				keys = append(keys, p.What)
				assert.NotEmpty(t, p.Want, p.What)
			}
			assert.Equal(t, []string{"emergency_stop", "cell_cut_off", "fuse", "fire_detection", "article_interlock", "insulation_monitor", "surroundings"}, keys)
			_, err = lookedAt(plan, prof, b, mod, keys[1:])
			e = wantKind(t, ToStatus(err), KindRefused)
			require.Len(t, e.Problems, 1, "each point by itself")
			_, err = lookedAt(plan, prof, b, mod, append(keys, "coffee"))
			wantKind(t, ToStatus(err), KindInvalid)
			looked, err := lookedAt(plan, prof, b, mod, keys)
			require.NoError(t, err)
			assert.Contains(t, looked, "fire_detection")

			assert.Equal(t, freshMost, proofWithin(plan, prof, b))
			b.ProofWithin = drivers.Hour
			assert.Equal(t, drivers.Hour, proofWithin(plan, prof, b))
		})
	}
}
