package bench

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers/host"
)

// frozen is a host that answers nothing.
type frozen struct{ nowhere }

func (frozen) Describe() host.Description { return host.Description{} }
func (frozen) Proofs(ctx context.Context) ([]host.Proof, error) {
	<-ctx.Done()
	return nil, ctx.Err()
}

// Whoever looks at a bench whose host stands still is told so, and not kept
// waiting for as long as it does.
func TestSafetyOfAFrozenHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := &Live{}
		_, ok, err := v.Safety(t.Context())
		require.NoError(t, err)
		require.False(t, ok, "no host")
		v.tell(frozen{})
		start := time.Now()
		_, ok, err = v.Safety(t.Context())
		require.True(t, ok)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		require.Equal(t, wait(callTimeout), time.Since(start))
		v.tell(nowhere{})
		_, ok, _ = v.Safety(t.Context())
		require.False(t, ok)
	})
}
