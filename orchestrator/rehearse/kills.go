package rehearse

import (
	"context"

	"github.com/rigwarden/rigwarden/drivers"
)

// againMost is how many calls a process makes while it starts after a kill: to
// recover what was left, and to drive every device safe.
const againMost = 12

// Kills kills the process of a run without faults at its calls of drivers,
// journal and disk: at the first one asked for, from 1, and at every so many
// after it, which with a stride of 1 leaves out no place where a process can die.
// Every other next process is killed as well, while it starts. The rest is as
// Many has it.
func (t *Twin) Kills(ctx context.Context, first, stride, workers int, done func(*Result)) error {
	n := max(0, (t.Healthy.Calls-first)/stride+1)
	return t.many(ctx, n, workers, func(i int) *Campaign {
		c := t.Plain(t.config.Seed)
		c.Kill = &Kill{Call: first + i*stride, Outage: drivers.Second}
		if i%2 == 1 {
			c.Kill.Again = 1 + i/2%againMost
		}
		return c
	}, done)
}
