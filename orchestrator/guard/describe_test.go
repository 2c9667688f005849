package guard

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
)

// Every cause has a name that parses back, a rank of its own and a sentence.
func TestCauses(t *testing.T) {
	seen := map[uint8]Cause{}
	for c := CauseNone; c < Cause(len(causeNames)); c++ {
		got, err := ParseCause(c.String())
		require.NoError(t, err)
		require.Equal(t, c, got)
		require.NotContains(t, seen, rank[c])
		seen[rank[c]] = c
	}
	require.Len(t, causeNames, int(TerminalMismatch)+1)
	_, err := ParseCause("cell_hi")
	require.EqualError(t, err, `unknown cause "cell_hi"; causes are named like "cell_high"`)
	require.Equal(t, "cause(99)", Cause(99).String())
}

func TestDescribe(t *testing.T) {
	l := layoutOf(t, 24, 6)
	at := func(k drivers.Kind) int { return l.Find(k) }
	since := drivers.Instant(1_793_678_706_123_456)
	const when = " since 2026-11-03 04:05:06.123 UTC"
	for _, tt := range []struct {
		f    Finding
		want string
	}{
		{Finding{Cause: CellHigh, Channel: 6, Value: 3_642_000, Limit: 3_600_000}, "cell 07 at 3.642 V is over its limit of 3.600 V"},
		{Finding{Cause: CellHigh, Channel: 6, Value: 3_600_100, Limit: 3_600_000}, "cell 07 at 3.6001 V is over its limit of 3.600 V"},
		{Finding{Cause: CellLow, Channel: 23, Value: -12_000, Limit: 2_500_000}, "cell 24 at -0.012 V is under its limit of 2.500 V"},
		{Finding{Cause: ModuleHigh, Channel: at(drivers.ModuleVoltage), Value: 86_401_000, Limit: 86_400_000}, "module voltage at 86.401 V is over its limit of 86.400 V"},
		{Finding{Cause: TempHigh, Channel: l.Temp(2), Value: 328_200, Limit: 328_150}, "temperature 3 at 55.05 degC is over its limit of 55.0 degC"},
		{Finding{Cause: TempLow, Channel: l.Temp(2), Value: 253_100, Limit: 253_150}, "temperature 3 at -20.05 degC is under its limit of -20.0 degC"},
		{Finding{Cause: TempSoft, Channel: l.Temp(0), Value: 314_150, Limit: 313_150}, "temperature 1 at 41.0 degC is over its soft limit of 40.0 degC"},
		{Finding{Cause: TempRise, Channel: l.Temp(0), Value: 3_200, Limit: 3_000}, "temperature 1 rose by 3.2 K within a minute, over the credible 3.0 K,"},
		{Finding{Cause: ChargeCold, Channel: l.Temp(0), Value: 273_100, Limit: 273_150}, "temperature 1 at -0.05 degC is under the 0.0 degC that charging needs, and charge current flows"},
		{Finding{Cause: ChargeForbidden, Channel: 2, Value: 1_900_000, Limit: 2_000_000}, "cell 03 at 1.900 V is under the 2.000 V below which it is never charged, and charge current flows"},
		{Finding{Cause: DischargeHigh, Channel: at(drivers.ModuleCurrent), Value: -40_100_000, Limit: -40_000_000}, "module current at -40.100 A is beyond its discharge limit of -40.000 A"},
		{Finding{Cause: CurrentUncommanded, Channel: at(drivers.ModuleCurrent), Value: 5_000_000, Limit: 150_000}, "module current at 5.000 A is beyond the 0.150 A that the commands explain"},
		{Finding{Cause: Missing, Channel: 6}, "cell 07 gives no reading"},
		{Finding{Cause: Stale, Channel: at(drivers.MonitorBeat), Value: 9, Limit: 9}, "the cell monitor has not measured (counter at 9)"},
		{Finding{Cause: Stale, Channel: -1}, "no frame has come"},
		{Finding{Cause: Stale, Channel: -1, Value: -5, Limit: 1}, "a frame came with a time that did not advance (by -5 us)"},
		{Finding{Cause: Frozen, Channel: 6, Value: 20_000, Limit: 10_000}, "cell 07 stands still while its siblings moved by 0.020 V, over 0.010 V,"},
		{Finding{Cause: Impossible, Channel: 6, Value: 5_100_000, Limit: 4_900_000}, "cell 07 reads 5.100 V, which is not possible (beyond 4.900 V),"},
		{Finding{Cause: Impossible, Channel: -1, Value: 3, Limit: 50}, "a frame carried 3 channels, expected 50,"},
		{Finding{Cause: SumMismatch, Channel: at(drivers.ModuleVoltage), Value: -70_000, Limit: 60_000}, "the taps add up to -0.070 V more than the meter reads, beyond 0.060 V,"},
		{Finding{Cause: CurrentMismatch, Channel: at(drivers.ModuleCurrent), Value: 160_000, Limit: 150_000}, "the shunt reads 0.160 A more than supply less load, beyond 0.150 A,"},
		{Finding{Cause: CurrentMismatch, Channel: at(drivers.BoxCurrent), Value: -500_000, Limit: 400_000}, "the shunt reads -0.500 A more than the box's sensor, beyond 0.400 A,"},
		{Finding{Cause: LoneCell, Channel: 0, Value: -45_000, Limit: 40_000}, "cell 01 moved by -0.045 V while its siblings did not, beyond 0.040 V,"},
	} {
		tt.f.Since = since
		require.Equal(t, tt.want+when, Describe(tt.f, l))
	}
	require.Equal(t, "nothing found", Describe(Finding{}, l))
	require.NotEmpty(t, Describe(Finding{Cause: CellHigh, Channel: 99}, nil))
}

// The standard library's calendar is the judge of ours.
func TestInstantAsDate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		us := rapid.Int64Range(-60_000_000_000_000_000, 200_000_000_000_000_000).Draw(t, "us")
		want := time.UnixMicro(us).UTC().Truncate(time.Millisecond).Format("2006-01-02 15:04:05.000 MST")
		if got := utc(drivers.Instant(us)); got != want {
			t.Fatalf("%d us: %s, expected %s", us, got, want)
		}
	})
}
