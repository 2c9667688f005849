package study

import (
	"context"
	"sync"
)

// Many runs n trials of each kind, of the seeds from first on, over some workers,
// and calls done for each, from one goroutine at a time and in the order of kinds
// and seeds. It ends early, without an error, where the context does.
func (s *Study) Many(ctx context.Context, kinds []Kind, first uint64, n, workers int, done func(*Trial)) error {
	type answer struct {
		t   *Trial
		err error
	}
	workers = max(workers, 1)
	total := n * len(kinds)
	slots := make([]chan answer, total)
	for i := range slots {
		slots[i] = make(chan answer, 1)
	}
	ctx, cancel := context.WithCancel(ctx)
	work := make(chan int)
	var group sync.WaitGroup
	defer group.Wait()
	defer cancel()
	for range workers {
		group.Go(func() {
			for i := range work {
				t, err := s.Run(first+uint64(i%n), &kinds[i/n])
				slots[i] <- answer{t, err}
			}
		})
	}
	group.Go(func() {
		defer close(work)
		for i := range total {
			select {
			case work <- i:
			case <-ctx.Done():
				return
			}
		}
	})
	for i := range total {
		select {
		case a := <-slots[i]:
			if a.err != nil {
				return a.err
			}
			done(a.t)
		case <-ctx.Done():
			return nil
		}
	}
	return nil
}
