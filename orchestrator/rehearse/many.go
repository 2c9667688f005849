package rehearse

import (
	"context"
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
)

// Many runs the campaigns of n seeds from first on over some workers, and calls
// done for each result in the order of the seeds, from one goroutine at a time.
// It ends early, without an error, where the context does: campaigns under way
// are given up, and those after them not told.
func (t *Twin) Many(ctx context.Context, first uint64, n, workers int, done func(*Result)) error {
	return t.many(ctx, n, workers, func(i int) *Campaign { return t.Draw(first + uint64(i)) }, done)
}

// many is Many for any campaigns, made by their number from 0 on.
func (t *Twin) many(ctx context.Context, n, workers int, campaign func(i int) *Campaign, done func(*Result)) error {
	type answer struct {
		r   *Result
		err error
	}
	slots := make([]chan answer, max(workers, 1)*4)
	for i := range slots {
		slots[i] = make(chan answer, 1)
	}
	work := make(chan int)
	ctx, cancel := context.WithCancel(ctx)
	var group sync.WaitGroup
	defer group.Wait()
	defer cancel()
	for range max(workers, 1) {
		group.Go(func() {
			for i := range work {
				r, err := t.RunUntil(ctx, campaign(i), nil)
				slots[i%len(slots)] <- answer{r, err}
			}
		})
	}
	defer close(work)
	sent := 0
	for got := 0; got < n; {
		// Hand out as far as there is room, then take the next in order.
		for sent < n && sent < got+len(slots) && ctx.Err() == nil {
			select {
			case work <- sent:
				sent++
				continue
			default:
			}
			break
		}
		if got == sent { // nothing is under way
			if ctx.Err() != nil {
				return nil
			}
			select {
			case work <- sent:
				sent++
			case <-ctx.Done():
			}
			continue
		}
		a := <-slots[got%len(slots)]
		if a.err != nil && ctx.Err() != nil {
			return nil
		}
		if a.err != nil {
			return a.err
		}
		got++
		done(a.r)
	}
	return nil
}

// RunUntil is Run that the context can end, with its error: what had been found
// by then is of a bench that was left alone, and is not told.
func (t *Twin) RunUntil(ctx context.Context, c *Campaign, say func(at drivers.Instant, text string)) (*Result, error) {
	return t.run(c, &runOptions{ctx: ctx, say: say})
}
