package rehearse

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/profiles"
)

// A campaign at full length takes many seconds: who gives it up does not wait for
// its end, and half a campaign is not judged.
func TestCampaignGivenUp(t *testing.T) {
	twin := quick(t)
	var whole, part int
	_, err := twin.RunUntil(t.Context(), twin.Plain(1), func(instant, string) { whole++ })
	require.NoError(t, err)

	ctx, giveUp := context.WithCancel(t.Context())
	r, err := twin.RunUntil(ctx, twin.Plain(1), func(_ instant, line string) {
		if part++; strings.HasPrefix(line, "set ") {
			giveUp()
		}
	})
	require.ErrorIs(t, err, context.Canceled)
	assert.Nil(t, r)
	assert.Less(t, part, whole/2, "lines, of %d", whole)
}

// And who gives many up is told those that were done, in order and whole.
func TestManyGivenUp(t *testing.T) {
	ctx, giveUp := context.WithCancel(t.Context())
	var some, same Summary
	require.NoError(t, quick(t).Many(ctx, 500, 1_000_000, 2, func(r *Result) {
		if some.Add(r); some.Runs == 5 {
			giveUp()
		}
	}))
	require.Less(t, some.Runs, 100, "those that were under way may still come")
	require.NoError(t, quick(t).Many(t.Context(), 500, some.Runs, 2, same.Add))
	some.Close()
	same.Close()
	assert.Equal(t, same, some)
}

// Whole profiles are long: the first run of a twin, by which the others are
// bounded, has the time that the plan is expected to take.
func TestTwinOfAWholeProfile(t *testing.T) {
	if testing.Short() {
		t.Skip("three hours of rig time: in the tests without -short")
	}
	m, err := profiles.LibraryModule("KW-01")
	require.NoError(t, err)
	p, err := profiles.LibraryProfile("charge")
	require.NoError(t, err)
	b, err := profiles.LibraryBench("quay-1")
	require.NoError(t, err)
	twin, err := Parse(File{"KW-01.yaml", m}, File{"charge.yaml", p}, File{"quay-1.yaml", b})
	require.NoError(t, err)
	assert.Greater(t, twin.Healthy.Length, runMost)
	r, err := twin.Run(twin.Draw(1), nil)
	require.NoError(t, err)
	assert.True(t, r.Held(), "%v", r.Violations)
}
