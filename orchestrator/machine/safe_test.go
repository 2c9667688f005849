package machine

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// Nobody is told that a bench is safe to touch but by its measured state: outputs
// off, contactors open, no current, the link under 60 V with its error; what gives
// no reading stands against it (INV-02).
func TestUnsafeUntilMeasuredSafe(t *testing.T) {
	require.Equal(t, NothingMeasured, New().Unsafe())
	s := started(t, sessionPlans["charge"]())
	s.pass("20s until current")
	require.Equal(t, "a run is under way", s.m.Unsafe())
	s.command("do stop")
	s.pass("30s until watching")
	require.Contains(t, s.m.Unsafe(), "still watched", "INV-16")
	s.pass("2h until idle")
	require.Equal(t, PhaseIdle, s.m.Phase())
	require.Empty(t, s.m.Unsafe())
	var v View
	s.m.Look(&v)
	require.Empty(t, v.Unsafe)

	m := &s.m.meas
	was := *m
	for want, spoil := range map[string]func(){
		"supply or load does not read off":       func() { m.supplyOK = false },
		"the contactors do not read open":        func() { m.box |= drivers.BoxPositive },
		"current is not measured zero yet":       func() { m.quiet = 1 },
		"the link gives no reading":              func() { m.linkOK = false },
		"under 60.000 V with its error would be": func() { m.link = 60*drivers.Volt - 1 },
	} {
		spoil()
		require.Contains(t, s.m.Unsafe(), want)
		*m = was
	}
}
