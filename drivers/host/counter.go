package host

import (
	"context"
	"sync"
	"sync/atomic"
)

// counter is a number that rises and that can be waited for. Raising it
// allocates nothing and takes no lock while nobody waits.
type counter struct {
	n       atomic.Uint64
	waiters atomic.Int32
	mu      sync.Mutex
	news    chan struct{} // closed at the next rise; nil: nobody waits
}

func (c *counter) load() uint64 { return c.n.Load() }

// raise sets the counter to n. There is one caller at a time.
func (c *counter) raise(n uint64) {
	c.n.Store(n)
	if c.waiters.Load() == 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.news != nil {
		close(c.news)
		c.news = nil
	}
}

// await waits until the counter has reached n.
func (c *counter) await(ctx context.Context, n uint64) error {
	c.waiters.Add(1) // before looking, so that no rise is missed
	defer c.waiters.Add(-1)
	for {
		c.mu.Lock()
		if c.news == nil {
			c.news = make(chan struct{})
		}
		news := c.news
		c.mu.Unlock()
		if c.n.Load() >= n {
			return nil
		}
		select {
		case <-news:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
