package plant

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// What an idle supply conducts comes out of the module (Kirchhoff), beside the
// link's own resistor; its end leaves what was before.
func TestDrain(t *testing.T) {
	b, twin := benchOf(t, 4, 0.5), benchOf(t, 4, 0.5)
	for _, x := range []*Bench{b, twin} {
		closeUp(x)
		x.Advance(drivers.Minute)
	}
	require.Equal(t, twin.AppendState(nil), b.AppendState(nil))
	assert.Zero(t, b.DrainCurrent())
	b.Drain(0.01)
	assert.NotEqual(t, twin.AppendState(nil), b.AppendState(nil))
	b.Advance(drivers.Second)
	assert.InDelta(t, b.LinkVoltage()*0.01, b.DrainCurrent(), 1e-12)
	assert.InDelta(t, -b.DrainCurrent()-b.LinkVoltage()/10e3, b.Module().Current(), 1e-4)
	clone := b.Clone()
	b.Drain(0)
	assert.Zero(t, b.DrainCurrent())
	assert.Positive(t, clone.DrainCurrent(), "the clone goes on by itself")
	b.Advance(drivers.Second)
	twin.Advance(2 * drivers.Second)
	assert.InDelta(t, twin.Module().Current(), b.Module().Current(), 1e-4)
	b.Drain(-1)
	assert.Zero(t, b.DrainCurrent())
}

// Log is the inverse of Exp, and agrees with package math to its last places.
func TestLog(t *testing.T) {
	for _, x := range []float64{1e-300, 1e-9, 0.5, 1, math.E, 10, 12345.678, 1e300} {
		assert.InEpsilon(t, 1+math.Log(x), 1+Log(x), 1e-14, "%g", x)
		assert.InEpsilon(t, x, Exp(Log(x)), 1e-12, "%g", x)
	}
}
