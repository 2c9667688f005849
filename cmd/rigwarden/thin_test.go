package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// A minute at 10 frames a second with a 10 s pulse of 40 A in it, thinned to a
// row in 30 s, keeps the pulse's charge: 40 A for 10 s are 400 As.
func TestThinningKeepsAPulse(t *testing.T) {
	l := &drivers.Layout{Channels: []drivers.Channel{
		{Kind: drivers.CellVoltage, Scale: drivers.Scale{Num: 100, Den: 1}},
		{Kind: drivers.ModuleCurrent, Scale: drivers.Scale{Num: 1000, Den: 1}, Accuracy: drivers.Accuracy{GainPPM: 1000, Offset: 20_000}},
	}}
	require.NoError(t, l.Index())
	th := newThinner(l, 30*drivers.Second)
	type row struct{ at, amps float64 }
	var rows []row
	write := func(fs []*drivers.Frame) {
		for _, f := range fs {
			rows = append(rows, row{float64(f.At) / 1e6, float64(f.Counts[1]) / 1e3})
		}
	}
	for i := range 600 {
		noise := int32(i%7 - 3) // within the declared error
		n := noise
		if i >= 200 && i < 300 {
			n -= 40_000
		}
		write(th.next(&drivers.Frame{At: drivers.Instant(i) * drivers.Instant(100*drivers.Millisecond), Counts: []int32{33_000, n}}))
	}
	write(th.rest())
	assert.Nil(t, th.rest())
	var charge float64
	for i := 1; i < len(rows); i++ {
		require.Greater(t, rows[i].at, rows[i-1].at)
		charge += (rows[i].amps + rows[i-1].amps) / 2 * (rows[i].at - rows[i-1].at)
	}
	assert.InDelta(t, -400, charge, 0.2)
	assert.Len(t, rows, 6, "the first, both sides of two edges, the last: %v", rows)
	assert.InDelta(t, 59.9, rows[len(rows)-1].at, 1e-9)
}
