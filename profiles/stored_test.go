package profiles

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A profile leaves a module at its storage level only where that is the last thing
// that moves charge.
func TestEndsStored(t *testing.T) {
	const full = "  - charge: {current: C/2, hold: 3.50 V/cell, taper: C/20}\n"
	const stored = "  - discharge: {current: C/3, counted: to storage}\n"
	for steps, want := range map[string]bool{
		full + stored:                                      true,
		full + stored + "  - rest: 1 h\n":                  true,
		full + stored + "  - open\n  - ask: take it off\n": true,
		full:                 false,
		full + stored + full: false,
		full + stored + "  - pulse: {discharge: 1 C, for: 10 s}\n": false,
		"  - rest: 1 h\n": false,
	} {
		p, ps := ParseProfile("p.yaml", []byte("profile: p\nsteps:\n"+steps))
		if !assert.Empty(t, ps, steps) {
			continue
		}
		assert.Equal(t, want, p.EndsStored(), steps)
	}
	// qualify ends at 30 % of what it measured, which is on the edge and no more than
	// that: it does not count to the module's own range.
	for name, want := range map[string]bool{"storage": true, "capacity": true, "qualify": false, "charge": false} {
		text, err := LibraryProfile(name)
		require.NoError(t, err)
		p, ps := ParseProfile(name, text)
		require.Empty(t, ps)
		assert.Equal(t, want, p.EndsStored(), name)
	}
}
