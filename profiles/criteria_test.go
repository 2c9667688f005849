package profiles

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const agreed = `criteria: cold-shop
title: a shop without heating
agreed: {on: 2026-09-14, by: test engineer}
rule: guard_band_conditional
correct: {resistance_per_kelvin: -1.2 %, uncertainty: 0.3 %}
require:
  - {figure: resistance_5s, at_most: 2.5 mOhm}
  - {figure: pulse_power_10s, at_least: 5 kW}
  - {figure: self_discharge, at_most: 1 mA}
  - {figure: joint_excess, at_most: 0.2 mOhm}
  - {figure: rest_unsettled, at_most: 2 mV}
`

// A coefficient that corrects resistances is agreed beforehand with the limits.
func TestCriteriaDeclareACoefficient(t *testing.T) {
	c, ps := ParseCriteria("c", []byte(agreed))
	require.Empty(t, ps)
	assert.Equal(t, Correction{PerKelvin: -12_000, Within: 3_000}, c.Correct)
	require.Len(t, c.Require, 5)
	assert.Equal(t, int64(2_500), c.Require[0].Limit)
	assert.Equal(t, int64(5_000_000), c.Require[1].Limit) // mW
	assert.True(t, c.Require[1].AtLeast)
	assert.Equal(t, int64(1_000), c.Require[2].Limit) // uA
	assert.Equal(t, int64(200), c.Require[3].Limit)
	assert.Equal(t, int64(2_000), c.Require[4].Limit)

	_, ps = ParseCriteria("c", []byte("criteria: c\ntitle: t\nagreed: {on: 2026-09-14, by: engineer}\nrule: simple\ncorrect: {resistance_per_kelvin: -20 %}\nrequire:\n  - {figure: capacity, at_least: 39 Ah}\n"))
	require.Len(t, ps, 2)
	assert.Contains(t, ps[0].String(), `correct lacks "uncertainty"`)
	assert.NotContains(t, ps[0].String(), "ms", "an example in percent")
	assert.Contains(t, ps[1].String(), "resistance_per_kelvin of -20 % cannot be")
}

// A bound on a cell that was not measured whole is no figure to judge.
func TestNoCriterionAsksForABound(t *testing.T) {
	_, ps := ParseCriteria("c", []byte("criteria: c\ntitle: t\nagreed: {on: 2026-09-14, by: engineer}\nrule: simple\nrequire:\n  - {figure: cell_capacity_at_least, at_least: 39 Ah}\n"))
	require.NotEmpty(t, ps)
	assert.Contains(t, ps[0].String(), "figure cannot be")
}

// What is known beforehand of all such articles stands beside the limit.
func TestCriteriaStateAPopulation(t *testing.T) {
	const head = "criteria: c\ntitle: t\nagreed: {on: 2026-09-14, by: engineer}\nrule: simple\nrequire:\n"
	c, ps := ParseCriteria("c", []byte(head+"  - {figure: capacity, at_least: 39 Ah, population: {mean: 40 Ah, deviation: 400 mAh}}\n  - {figure: resistance_10s, at_most: 2 mOhm, population: siblings}\n  - {figure: temperature_max, at_most: 40 degC, population: {mean: 30 degC, deviation: 2 K}}\n  - {figure: energy, at_least: 3 kWh}\n"))
	require.Empty(t, ps)
	assert.Equal(t, &Population{Mean: 40 * 3_600_000_000_000, Deviation: 400 * 3_600_000_000, Text: "40 Ah, deviation 400 mAh"}, c.Require[0].Population)
	assert.Equal(t, &Population{Siblings: true, Text: "siblings"}, c.Require[1].Population)
	assert.Equal(t, int64(2_000), c.Require[2].Population.Deviation) // mK
	assert.Nil(t, c.Require[3].Population)

	_, ps = ParseCriteria("c", []byte(head+"  - {figure: capacity, at_least: 39 Ah, population: cousins}\n  - {figure: energy, at_least: 3 kWh, population: {mean: 3 kWh}}\n  - {figure: odd_cells, at_most: 0, population: siblings}\n"))
	require.Len(t, ps, 3)
	assert.Contains(t, ps[0].String(), `population is "cousins"; write siblings, or {mean: 40 Ah, deviation: 400 mAh}`)
	assert.Contains(t, ps[1].String(), `population lacks "deviation"`)
	assert.Contains(t, ps[2].String(), "odd_cells is a count and has no population; leave it out")
}
