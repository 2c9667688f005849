package host

import (
	"context"
	"slices"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Scheduling measures by how much later than wanted a goroutine of this
// process runs, over the given number of naps, and returns the 99.9 % of it:
// the least delay that at most one in a thousand exceeds. Under a thousand naps
// that is the longest delay seen. When ctx ends, what was measured counts.
func Scheduling(ctx context.Context, naps int, nap drivers.Span) drivers.Span {
	late := make([]time.Duration, 0, naps)
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for range naps {
		begin := time.Now()
		timer.Reset(duration(nap))
		select {
		case <-timer.C:
			late = append(late, time.Since(begin)-duration(nap))
		case <-ctx.Done():
			return p999(late)
		}
	}
	return p999(late)
}

// p999 returns the 99.9 % quantile by nearest rank, rounded up to a microsecond.
func p999(late []time.Duration) drivers.Span {
	if len(late) == 0 {
		return 0
	}
	slices.Sort(late)
	rank := (len(late)*999 + 999) / 1000
	return drivers.Span((max(late[rank-1], 0) + time.Microsecond - 1) / time.Microsecond)
}
