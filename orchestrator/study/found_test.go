package study

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/profiles"
)

// Two plans, each with what one look needs and no more: a pulse at rest for joints,
// the last fifth of a discharge for weak cells.
const (
	pulseOnly = `profile: pulse
title: one pulse
expect_start: 60 %
steps:
  - close
  - rest: {label: at rest, for: 6 min}
  - pulse: {label: out, discharge: 1 C, for: 12 s, use: resistance}
  - rest: {label: after, for: 30 s}
`
	endOnly = `profile: end
title: the end of a discharge
expect_start: 20 %
steps:
  - discharge: {label: to empty, current: 1 C, cell_end: 2.60 V/cell}
`
	pulseRules = `criteria: pulse
title: no odd cell, no bad terminal
agreed: {on: 2026-12-01, by: test engineer}
rule: simple
correct: {resistance_per_kelvin: -2 %, uncertainty: 1 %}
require:
  - {figure: odd_cells, at_most: 0}
  - {figure: terminal_resistance, at_most: 0.40 mOhm}
`
	endRules = `criteria: end
title: no weak cell
agreed: {on: 2026-12-01, by: test engineer}
rule: simple
require:
  - {figure: capacity_lag, at_most: 3 %}
`
)

func plan(t testing.TB, profile, criteria string) *Study {
	s := screen(t)
	p, ps := profiles.ParseProfile("plan.yaml", []byte(profile))
	require.Empty(t, ps)
	c, ps := profiles.ParseCriteria("criteria.yaml", []byte(criteria))
	require.Empty(t, ps)
	s, err := New(s.Module, p, s.Bench, c)
	require.NoError(t, err)
	return s
}

// Of 200 modules no joint of 30 %, no 5 % weak cell and no crossed wire is missed,
// each is named, and no good module is held back.
func TestHiddenDefectsAreFound(t *testing.T) {
	if testing.Short() {
		t.Skip("runs 200 modules on the virtual bench, some ten seconds of work")
	}
	joints, ends := plan(t, pulseOnly, pulseRules), plan(t, endOnly, endRules)
	total := 0
	for _, x := range []struct {
		study *Study
		kind  string
		size  float64
		n     int
		held  bool
	}{
		{joints, "joint", 30, 60, true},
		{joints, "none", 1, 40, false},
		{ends, "weak cell", 5, 50, true},
		{ends, "none", 1, 40, false},
		{joints, "crossed wires", 1, 10, true},
	} {
		k, ok := KindOf(x.kind)
		require.True(t, ok)
		k.Least, k.Most = x.size, x.size
		require.NoError(t, x.study.Many(t.Context(), []Kind{k}, 1, x.n, 2, func(r *Trial) {
			total++
			assert.Equal(t, x.held, r.Held, "%s of %g, seed %d: %s", x.kind, x.size, r.Seed, r.why())
			if x.held {
				assert.True(t, r.Named, "%s of %g, seed %d: %s", x.kind, x.size, r.Seed, r.why())
			}
		}))
	}
	assert.Equal(t, 200, total)
}
