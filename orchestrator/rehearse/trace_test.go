package rehearse

import (
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

type instant = drivers.Instant

// TestTrace prints the event lines of one seed, for those who look into it:
// REHEARSE_SEED=7 go test ./orchestrator/rehearse -run TestTrace -v
func TestTrace(t *testing.T) {
	seed, err := strconv.ParseUint(os.Getenv("REHEARSE_SEED"), 10, 64)
	if err != nil {
		t.Skip("REHEARSE_SEED names no seed to print")
	}
	twin := quick(t)
	r, err := twin.Run(twin.Draw(seed), func(at instant, text string) { t.Logf("%s %s", seconds(at.Sub(began)), text) })
	require.NoError(t, err)
	t.Logf("%+v", r)
}
