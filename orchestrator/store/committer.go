package store

import (
	"errors"
	"sync"
	"time"

	bolt "go.etcd.io/bbolt"
)

// committer makes the recorders' data durable: one transaction, and so one sync
// of the disk, for all live recorders together, not more often than every so
// often; at once for virtual runs and for ends.
type committer struct {
	every time.Duration
	wake  chan struct{}
	quit  chan struct{}
	done  chan struct{}
	last  time.Time // when the latest routine commit began; the loop's own

	mu      sync.Mutex
	waiting []*request
	started bool
	stopped bool
}

// request asks for a recorder's data to be made durable.
type request struct {
	recorder *Recorder
	now      bool
	end      *ending
	answer   chan error
}

func (c *committer) init(every time.Duration) {
	c.every = every
	c.wake = make(chan struct{}, 1)
	c.quit, c.done = make(chan struct{}), make(chan struct{})
}

func (c *committer) start(s *Store) {
	c.started = true
	go c.loop(s)
}

// stop commits what is left, ends the loop and waits for it.
func (c *committer) stop() {
	c.mu.Lock()
	c.stopped = true
	c.mu.Unlock()
	close(c.quit)
	if c.started {
		<-c.done
	}
}

// submit waits for a commit that begins after the call.
func (c *committer) submit(q *request) error {
	q.answer = make(chan error, 1)
	c.mu.Lock()
	if c.stopped {
		c.mu.Unlock()
		return ErrClosed
	}
	c.waiting = append(c.waiting, q)
	c.mu.Unlock()
	select {
	case c.wake <- struct{}{}:
	default:
	}
	return <-q.answer
}

// loop answers requests, each batch with one commit.
func (c *committer) loop(s *Store) {
	defer close(c.done)
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-c.wake:
		case <-timer.C:
		case <-c.quit:
			s.commit(c.takeAll(), true)
			return
		}
		if wait := c.wait(); wait > 0 {
			timer.Reset(wait)
			continue
		}
		if batch := c.takeAll(); len(batch) > 0 {
			s.commit(batch, false)
		}
	}
}

// wait is how long the requests must still wait.
func (c *committer) wait() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.waiting) == 0 {
		return 0
	}
	for _, q := range c.waiting {
		if q.now {
			return 0
		}
	}
	return c.every - time.Since(c.last)
}

func (c *committer) takeAll() []*request {
	c.mu.Lock()
	defer c.mu.Unlock()
	batch := c.waiting
	c.waiting = nil
	return batch
}

// commit makes one transaction of everything the batch asks for and of what the
// other live recorders have by now; all says that virtual ones come along, too.
func (s *Store) commit(batch []*request, all bool) {
	works, failed := s.gather(batch, all)
	defer func() {
		for _, w := range works {
			w.r.encode.Unlock()
		}
	}()
	err := s.write(works)
	for _, w := range works {
		if err == nil {
			w.settle()
		} else {
			w.failed()
		}
		if w.end != nil {
			s.forget(w.r)
		}
	}
	for _, q := range batch {
		q.answer <- errors.Join(failed[q.recorder], err)
	}
}

// gather packs the recorders' data and locks them until the commit is over.
func (s *Store) gather(batch []*request, all bool) (works []*work, failed map[*Recorder]error) {
	ends := map[*Recorder]*ending{}
	asked := map[*Recorder]bool{}
	shared := all
	for _, q := range batch {
		asked[q.recorder] = true
		shared = shared || !q.now
		if q.end != nil {
			ends[q.recorder] = q.end
		}
	}
	if shared {
		s.commits.last = time.Now()
		for _, r := range s.atWork() {
			if !r.virtual || all {
				asked[r] = true
			}
		}
	}
	failed = map[*Recorder]error{}
	for r := range asked {
		r.encode.Lock()
		w, err := r.take(ends[r])
		if err != nil {
			failed[r] = err
			r.encode.Unlock()
			continue
		}
		works = append(works, w)
	}
	return works, failed
}

// write stores the works in one transaction. Where that finds the store full,
// the ends among them are written by themselves from the reserve.
func (s *Store) write(works []*work) error {
	idle, bytes := true, 0
	for _, w := range works {
		idle = idle && w.empty()
		bytes += w.bytes()
	}
	if idle {
		return nil
	}
	err := s.update(routine, bytes, func(tx *bolt.Tx) error {
		for _, w := range works {
			if err := w.put(tx); err != nil {
				return err
			}
		}
		return nil
	})
	if !errors.Is(err, ErrFull) {
		return err
	}
	for _, w := range works {
		if w.end == nil {
			continue
		}
		err = errors.Join(err, s.update(urgent, 0, func(tx *bolt.Tx) error { return w.r.putEnd(tx, w.end, false) }))
	}
	return err
}

// atWork lists the recorders of runs under way.
func (s *Store) atWork() []*Recorder {
	s.mu.Lock()
	defer s.mu.Unlock()
	list := make([]*Recorder, 0, len(s.recorders))
	for _, r := range s.recorders {
		list = append(list, r)
	}
	return list
}

func (s *Store) forget(r *Recorder) {
	s.mu.Lock()
	delete(s.recorders, r.no)
	s.mu.Unlock()
}
