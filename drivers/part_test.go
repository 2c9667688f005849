package drivers

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A driver of a supply alone has a layout of its own, without cells; a bench
// still may not lack them.
func TestPart(t *testing.T) {
	b := Bench{Supply: PowerSpec{VoltageStep: 1000, CurrentStep: 5000}}
	l, err := b.Part(func(k Kind) bool { return k == SupplyVoltage || k == SupplyCurrent || k == SupplyBeat })
	require.NoError(t, err)
	require.Equal(t, []int{0, 1, 2, -1, -1}, []int{l.Find(SupplyVoltage), l.Find(SupplyCurrent), l.Find(SupplyBeat), l.Find(LoadBeat), l.Find(CellVoltage)})
	require.Equal(t, int64(5000), l.Channels[1].Scale.Num)

	_, err = b.Part(func(k Kind) bool { return k == LoadVoltage })
	require.ErrorContains(t, err, "scale 0/1 must be positive")
	_, err = PartOf([]Channel{{Kind: SupplyBeat, Scale: plain}, {Kind: SupplyBeat, Scale: plain}})
	require.ErrorContains(t, err, "appears twice")
	require.ErrorContains(t, (&Layout{}).Index(), "no cell channels")
}
