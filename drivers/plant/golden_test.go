package plant

import (
	"crypto/sha256"
	"encoding/hex"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// goldenDigest is the SHA-256 of the states of liveliest, every second. It may
// change only with the physics, on purpose, and is one on every processor.
const goldenDigest = "fe81aa0b8679e2f3ee59ce85f1b23da04a7e22f9494c608ab6d81de465c4c1f0"

// liveliest is a seeded run in which everything happens.
func liveliest(t testing.TB, seed uint64) string {
	m, err := Draw(seed, buildKW(0.85), spreadKW(),
		Defect{WeakCell, 3, 0.08, 0}, Defect{BadJoint, 9, 300e-6, 0}, Defect{LeakingCell, 17, 0.05, 0})
	require.NoError(t, err)
	n := networkKW()
	n.FuseRating, n.FuseMelt = 63, 20e3
	b, err := NewBench(m, n)
	require.NoError(t, err)
	sum := sha256.New()
	var state []byte
	advance := func(d drivers.Span) {
		for end := b.Now() + d; b.Now() < end; {
			b.Advance(min(drivers.Second, end-b.Now()))
			state = b.AppendState(state[:0])
			sum.Write(state)
		}
	}
	closeUp(b)
	b.SetSupply(Source{Current: 40, Voltage: 24 * 3.37, Slew: 80})
	advance(10 * drivers.Minute)
	b.SetSupply(Source{Slew: 80})
	m.SetBleed(5, true)
	m.SetBleed(12, true)
	advance(3*drivers.Minute + 123_457)
	m.SetBleed(5, false)
	m.SetHeat(20, 40)
	b.SetLoad(Source{Current: 80, Voltage: 60, Slew: 400})
	advance(5 * drivers.Minute)
	m.SetAmbient(5 + celsius)
	b.SetLoad(Source{})
	advance(10 * drivers.Second)
	b.Switch(Contacts{})
	advance(20 * drivers.Second)
	closeUp(b)
	b.Short(4e-3)
	advance(drivers.Second)
	require.True(t, b.FuseBlown())
	return hex.EncodeToString(sum.Sum(nil))
}

func TestGoldenDigest(t *testing.T) {
	got := liveliest(t, 20261125)
	assert.Equal(t, got, liveliest(t, 20261125), "two runs of one seed")
	assert.Equal(t, goldenDigest, got)
	assert.NotEqual(t, got, liveliest(t, 20261126))
}
