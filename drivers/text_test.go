package drivers

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestText(t *testing.T) {
	for want, got := range map[string]fmt.Stringer{
		"78.080 V":    Microvolts(78_080_000),
		"-0.001 V":    Microvolts(-500),
		"0.000 V":     Microvolts(499),
		"-20.050 A":   Microamps(-20_050_000),
		"2.000 K":     Millikelvins(2_000),
		"40.000 Ah":   40 * AmpereHour,
		"0.335 Ah":    335 * AmpereHour / 1000,
		"1.500 Wh":    3 * WattHour / 2,
		"99.530 ms":   Span(99_530),
		"500.000 ms":  500 * Millisecond,
		"43200.000 s": 12 * Hour,
	} {
		require.Equal(t, want, got.String())
	}
}
