package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/profiles"
)

// INV-12: whatever the catalogue of faults leaves to hardware, alone or two at
// once, `bench check` demands, by the same words.
func TestEveryHardwareOfTheFaultsIsDemanded(t *testing.T) {
	text, err := profiles.LibraryBench("practice")
	require.NoError(t, err)
	b, problems := profiles.ParseBench("practice.yaml", text)
	require.Empty(t, problems)
	demanded := func(h virtual.Hardware) bool {
		return slices.ContainsFunc(b.Demands(nil), func(d profiles.Demand) bool {
			return d.Key == h.By && slices.Contains(d.Bounds, h.Out) && !d.Declared
		})
	}
	var list []virtual.Fault
	for _, info := range virtual.Faults() {
		list = append(list, info.Variants(&b.Bench)...)
	}
	seen := map[virtual.Hardware]bool{}
	for _, f := range list {
		for _, g := range list {
			for _, h := range virtual.Beyond(f, g) {
				if !seen[h] {
					seen[h] = true
					assert.True(t, demanded(h), "%s needs %s by %s, which no bench is asked for", fmt.Sprint(f, " and ", g), h.Out, h.By)
				}
			}
		}
	}
	// At least the fuse, the cells' cut-off and the fire detection are named.
	assert.GreaterOrEqual(t, len(seen), 6)
}

// A person reads what to fit, prove and write; a program reads the same.
func TestBenchCheckDemands(t *testing.T) {
	code, out := exitAfter(t, "bench", "check", "practice")
	assert.Zero(t, code, out)
	for _, s := range []string{
		"before an unattended run", "  cell_cut_off\n", "    fit      a cut-off that watches each cell", "    prove    ",
		"    write    fire_detection: {proved: 2026-03-31, by: safety officer}",
		"bench practice is ready for runs with somebody beside it, and for no others",
	} {
		assert.Contains(t, out, s)
	}
	assert.NotContains(t, out, "insulation_monitor:", "60 V are not above 60 V")

	code, out = exitAfter(t, "bench", "check", "quay-1", "--module", "KW-01", "--json")
	require.Zero(t, code, out)
	var got struct {
		Demands    []demand
		Unattended bool
	}
	require.NoError(t, json.Unmarshal([]byte(out), &got), out)
	assert.True(t, got.Unattended, "the shipped bench declares everything")
	var keys []string
	for _, d := range got.Demands {
		keys = append(keys, d.Protection)
	}
	assert.Equal(t, []string{"emergency_stop", "cell_cut_off", "fuse", "fire_detection", "article_interlock", "insulation_monitor"}, keys)
}
