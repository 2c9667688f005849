package study

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

func screen(t testing.TB) *Study {
	read := func(text []byte, err error) []byte { require.NoError(t, err); return text }
	m, ps := profiles.ParseModule("KW-01", read(profiles.LibraryModule("KW-01")))
	require.Empty(t, ps)
	p, ps := profiles.ParseProfile("screen", read(profiles.LibraryProfile("screen")))
	require.Empty(t, ps)
	b, ps := profiles.ParseBench("quay-1", read(profiles.LibraryBench("quay-1")))
	require.Empty(t, ps)
	c, ps := profiles.ParseCriteria("screen", read(profiles.LibraryCriteria("screen")))
	require.Empty(t, ps)
	s, err := New(m, p, b, c)
	require.NoError(t, err)
	return s
}

// A seed gives the same trial again.
func TestSame(t *testing.T) {
	s := screen(t)
	k, ok := KindOf("crossed wires")
	require.True(t, ok)
	for seed := range uint64(3) {
		one, err := s.Run(seed, &k)
		require.NoError(t, err)
		require.Equal(t, machine.OutcomeRefused, one.Ended, "seed %d", seed)
		require.True(t, one.Held)
		two, err := s.Run(seed, &k)
		require.NoError(t, err)
		require.Equal(t, one, two)
	}
}
