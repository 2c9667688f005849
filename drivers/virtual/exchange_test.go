package virtual_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// The next article is a whole other one: its cells, temperature and defects are
// not those of the first, and the instruments read it as they are.
func TestExchange(t *testing.T) {
	c := still(config())
	c.Sensing.Ideal = true
	c.Article.SoC = 0.9
	c.Article.Defects = []plant.Defect{{Kind: plant.LaggardCell, Cell: 3, Amount: 0.4}}
	b := open(t, c)
	b.Watch(virtual.TruthLimits{CellMin: 3 * drivers.Volt})
	frames(b, drivers.Second)
	before := b.Truth()
	require.Equal(t, 3, before.MinCell)

	next := c.Article
	next.SoC, next.Defects, next.Ambient = 0.5, nil, drivers.ZeroC+31*drivers.Kelvin
	require.NoError(t, b.Exchange(next, 8))
	frames(b, drivers.Second)
	after := b.Truth()
	assert.Equal(t, drivers.ZeroC+31*drivers.Kelvin, after.TempMax)
	assert.Less(t, after.CellMax-after.CellMin, before.CellMax-before.CellMin)
	assert.InDelta(t, 0.5, b.Plant().Module().SoC(3), 1e-4)
	meter, err := b.Set().Meter.Read(t.Context())
	require.NoError(t, err)
	scale := b.Layout().Channels[b.Layout().Find(drivers.ModuleVoltage)].Scale
	assert.InDelta(t, b.Plant().Module().TerminalVoltage()*1e6, float64(scale.Value(meter.Voltage)), 1000, "one step of the meter")
	assert.Empty(t, b.Excursions())

	connect(t, b)
	require.ErrorContains(t, b.Exchange(next, 9), "behind closed contactors")
}

// What several faults at once leave to hardware is on the list too.
func TestProtectionsNameEveryHardware(t *testing.T) {
	list := virtual.Protections()
	assert.Equal(t, []string{"article_interlock", "cell_cut_off", "fire_detection", "fuse"}, list)
	var all []virtual.Fault
	bench := config().Bench
	for _, info := range virtual.Faults() {
		all = append(all, info.Variants(&bench)...)
	}
	for _, h := range virtual.Beyond(all...) {
		assert.Contains(t, list, h.By)
	}
}
