package virtual_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// carrying opens the workshop's bench with an article that is not what its file
// says, at rest and with ideal sensors.
func carrying(t *testing.T, fault string) (*virtual.Bench, *drivers.Frame) {
	t.Helper()
	c := still(config())
	c.Sensing.Ideal = true
	c.Article.SoC = 0.5
	f, err := virtual.ParseFault(fault)
	require.NoError(t, err)
	c.Faults = append(c.Faults, f)
	b := open(t, c)
	b.Watch(virtual.TruthLimits{
		CellMax: 3_650_000, CellMin: 2_500_000, TempMax: drivers.ZeroC + 60_000,
		Charge: 60 * drivers.Ampere, Discharge: 120 * drivers.Ampere,
	})
	var frame drivers.Frame
	b.Advance(b.Next())
	require.True(t, b.Frame(&frame))
	return b, &frame
}

func read(b *virtual.Bench, f *drivers.Frame, ch int) int64 {
	return b.Layout().Channels[ch].Scale.Value(f.Counts[ch])
}

// Another count of cells shows in the frame: inputs without a cell read nothing,
// cells without an input only in the meter's voltage.
func TestWrongCount(t *testing.T) {
	b, f := carrying(t, "wrong-count more=-2")
	n := b.Layout().Cells()
	require.Equal(t, n-2, b.Plant().Module().Len())
	assert.Greater(t, read(b, f, n-3), int64(3_000_000))
	assert.Zero(t, read(b, f, n-2))
	assert.Zero(t, read(b, f, n-1))
	require.True(t, b.FaultStatus()[0].Began)

	b, f = carrying(t, "wrong-count more=1 after=1h for=1s")
	require.Equal(t, n+1, b.Plant().Module().Len())
	require.True(t, b.FaultStatus()[0].Active, "from the start, whatever the trigger says")
	var taps int64
	for k := range n {
		taps += read(b, f, k)
	}
	one := b.Plant().Module().Tap(n) * 1e6
	assert.InDelta(t, one, float64(read(b, f, b.Layout().Find(drivers.ModuleVoltage))-taps), 5000)
}

// An article is held to its own maker's limits, not to those of the file.
func TestOwnLimits(t *testing.T) {
	for fault, c := range map[string]struct {
		soc  float64 // of every cell, then
		what string  // that left the true limits
	}{
		// Over the file's 3.65 V and inside what such cells stand.
		"wrong-chemistry chemistry=NMC soc=60%": {0.6, ""},
		// Under the file's 2.50 V and inside what such cells stand.
		"wrong-chemistry chemistry=LFP soc=0.4%": {0.004, ""},
		"wrong-maker tighter=100mV":              {0.999, "cell_high"},
		"wrong-maker tighter=1mV":                {0.5, ""},
		"wrong-size size=-50%":                   {0.5, ""},
	} {
		t.Run(fault, func(t *testing.T) {
			b, _ := carrying(t, fault)
			for k := range b.Plant().Module().Len() {
				b.Plant().Module().SetSoC(k, c.soc)
			}
			b.Advance(b.Now().Add(drivers.Second))
			e := b.Excursions()
			if c.what == "" {
				assert.Empty(t, e)
				return
			}
			require.Len(t, e, 1)
			assert.Equal(t, c.what, e[0].What)
		})
	}
}

// The next article is what its file says, and held to that file.
func TestExchangeEndsAMistake(t *testing.T) {
	b, _ := carrying(t, "wrong-count more=-2")
	c := config().Article
	require.NoError(t, b.Exchange(c, 3))
	assert.Equal(t, b.Layout().Cells(), b.Plant().Module().Len())
	f, err := virtual.ParseFault("wrong-size")
	require.NoError(t, err)
	require.ErrorContains(t, b.Inject(f), "from the start")
}
