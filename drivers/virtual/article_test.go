package virtual_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// The practice article is a capacitor: 0.1 Ah over 1.6 V is 225 F, so that 4 A
// raise each cell by 4/225 V a second, over a resistance of 3 mOhm (closed form,
// computed).
func TestHybridCapacitorIsACapacitor(t *testing.T) {
	c := still(config())
	c.Article.Chemistry, c.Article.Capacity, c.Article.SoC = "LIC", drivers.AmpereHour/10, 0.5
	c.Sensing.Ideal = true
	c.Bench.Box.LinkBleed = 0 // it would take its share of the current
	b := open(t, c)
	frames(b, drivers.Second)
	assert.InDelta(t, 3_000_000, int64(b.Truth().CellMax), 10, "half-way from 2.2 V to 3.8 V")
	connect(t, b)
	supply := b.Set().Supply
	_, err := supply.Arm(t.Context(), drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 5 * drivers.Ampere})
	require.NoError(t, err)
	rested := b.Truth().CellMax
	require.NoError(t, supply.Set(t.Context(), drivers.Setpoint{On: true, Current: 4 * drivers.Ampere, Voltage: 100 * drivers.Volt}))
	until(t, b, drivers.Second, "4 A", func(x virtual.Truth) bool { return x.Current > 3_990_000 })
	first := b.Truth()
	assert.InDelta(t, 4*3_000, int64(first.CellMax-rested), 2_500, "the step, and what the rising edge charged")
	frames(b, 5*drivers.Second)
	last := b.Truth()
	seconds := float64(last.At.Sub(first.At)) / 1e6
	assert.InDelta(t, 4e6/225*seconds, float64(last.CellMax-first.CellMax), 100)
}

// An article is of a chemistry that has physics.
func TestUnknownChemistryIsRefused(t *testing.T) {
	c := config()
	c.Article.Chemistry = "LTO"
	_, err := virtual.New(c)
	require.EqualError(t, err, `virtual bench: chemistry "LTO" is unknown; LFP, NMC and LIC are possible`)
}
