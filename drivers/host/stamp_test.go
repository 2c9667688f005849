package host

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/rigwarden/rigwarden/drivers"
)

// A frame is stamped when it was measured, where the sampler knows: stamped when
// the next goroutine came to it, a link's rise was timed by how busy the machine
// was. What cannot be, a stamp of later or of before the last frame, is not taken.
func TestAFrameIsStampedWhenItWasMeasured(t *testing.T) {
	now := drivers.Instant(1000)
	s := &sampler{c: &Config{Now: func() drivers.Instant { return now }}}
	for _, c := range []struct{ sampled, before, want drivers.Instant }{
		{963, 900, 963}, {0, 900, 1000}, {1001, 900, 1000}, {900, 900, 1000}, {899, 900, 1000},
	} {
		s.sampledAt.Store(int64(c.sampled))
		assert.Equal(t, c.want, s.stamp(c.before), c)
	}
	assert.Equal(t, now, s.stamp(900), "told once")
}
