package canbus

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// common returns the shipped map for a number of cells and sensors, and a bench
// that fits it.
func common(t testing.TB, cells, temps int) (*Map, drivers.MonitorSpec) {
	t.Helper()
	text, ok := Shipped("common-monitor")
	require.True(t, ok)
	m, problems := ParseMap("common-monitor.yaml", text, ShippedDBC(cells, temps))
	require.NoError(t, tree.Error(problems))
	spec := virtual.WorkshopBench().Monitor
	spec.Cells, spec.Temps = cells, temps
	require.NoError(t, tree.Error(Check(m, spec)))
	return m, spec
}

func TestShippedMaps(t *testing.T) {
	require.Equal(t, []string{"common-monitor"}, Names())
	_, ok := Shipped("no-such-map")
	assert.False(t, ok)
	for _, size := range [][2]int{{1, 1}, {3, 1}, {16, 4}, {17, 4}, {24, 6}, {25, 7}, {48, 12}, {512, 512}} {
		m, spec := common(t, size[0], size[1])
		assert.Equal(t, size[0], m.Cells())
		assert.Equal(t, size[1], m.Temps())
		_, err := newDecoder(m, spec)
		require.NoError(t, err)
	}
	// What ships as a file is what the function makes.
	file, err := shipped.ReadFile("maps/common-monitor.dbc")
	require.NoError(t, err)
	require.Equal(t, CommonDBC(24, 6), string(file))
	_, _, err = ShippedDBC(1, 1)("../doc.go")
	require.Error(t, err)
}

// lines joins problems as a user sees them.
func lines(problems []tree.Problem) string {
	var b strings.Builder
	for _, p := range problems {
		b.WriteString(p.String() + "\n")
	}
	return b.String()
}
