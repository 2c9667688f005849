package profiles

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// What the monitor takes out of the cells, and how its taps err, are declared
// or not; nobody guesses them.
func TestBenchDeclaresDrainAndTapErrors(t *testing.T) {
	src, err := LibraryBench("practice")
	require.NoError(t, err)
	b, ps := ParseBench("practice", src)
	require.Empty(t, ps)
	assert.Equal(t, drivers.ErrorsUndeclared, b.Monitor.CellErrors)
	assert.Zero(t, b.Monitor.Drain)

	text := strings.Replace(string(src), "cell: {step: 0.1 mV, accuracy: 0.5 mV}",
		"cell: {step: 0.1 mV, accuracy: 0.5 mV, errors: own}\n  drain: {current: 2 mA, uncertainty: 0.5 mA}", 1)
	b, ps = ParseBench("practice", []byte(text))
	require.Empty(t, ps)
	assert.Equal(t, drivers.ErrorsOwn, b.Monitor.CellErrors)
	assert.Equal(t, drivers.Microamps(2000), b.Monitor.Drain)
	assert.Equal(t, drivers.Microamps(500), b.Monitor.DrainWithin)

	_, ps = ParseBench("practice", []byte(strings.Replace(text, "errors: own", "errors: some", 1)))
	require.Len(t, ps, 1)
	assert.Contains(t, ps[0].String(), `errors cannot be "some"`)
}
