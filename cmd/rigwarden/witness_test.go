//go:build unix

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// witness is a set of clients that load a daemon and remember what they were
// told is stored. Lines and blocks of frames come from the store, so whoever got
// one may count on it; a status is only a look.
type witness struct {
	s    *session
	ctx  context.Context
	end  context.CancelFunc
	work sync.WaitGroup
	// told takes a word for everything that a client was told.
	told chan struct{}
	// begun are the runs that were answered for.
	begun []string

	mu     sync.Mutex
	lines  map[string][]string          // durable, by run
	blocks map[string][][]byte          // the longest answer of each run
	shown  map[string][]drivers.Instant // the instants of the statuses of a run
	phase  map[string]rigwardenv1.Phase // with the last of them
	again  []string                     // benches whose run has ended
}

func newWitness(s *session, ctx context.Context) *witness {
	w := &witness{
		s: s, told: make(chan struct{}, 1),
		lines: map[string][]string{}, blocks: map[string][][]byte{},
		shown: map[string][]drivers.Instant{}, phase: map[string]rigwardenv1.Phase{},
	}
	w.ctx, w.end = context.WithCancel(ctx)
	return w
}

// tell notes something that a client was told.
func (w *witness) tell(note func()) {
	w.mu.Lock()
	note()
	w.mu.Unlock()
	select {
	case w.told <- struct{}{}:
	case <-w.ctx.Done():
	}
}

// follow gets a run's lines as they are stored, and frames at each status of its
// bench.
func (w *witness) follow(run, bench string) {
	w.work.Go(func() {
		st, err := w.s.runs.Events(w.ctx, &rigwardenv1.RunEventsRequest{Run: run, Follow: true})
		for err == nil {
			var r *rigwardenv1.RunEventsResponse
			if r, err = st.Recv(); err == nil {
				w.tell(func() {
					for _, l := range r.GetLines() {
						w.lines[run] = append(w.lines[run], lineText(l.GetSeq(), l.GetAtUs(), l.GetLine()))
					}
				})
			}
		}
		if errors.Is(err, io.EOF) {
			w.tell(func() { w.again = append(w.again, bench) })
		}
	})
	w.work.Go(func() {
		st, err := w.s.benches.Watch(w.ctx, &rigwardenv1.WatchBenchRequest{Bench: bench})
		for n := 0; err == nil; n++ {
			var r *rigwardenv1.WatchBenchResponse
			if r, err = st.Recv(); err != nil {
				return
			}
			status := r.GetStatus()
			if status.GetRun() != run {
				if n > 0 {
					return // another run's
				}
				continue
			}
			w.tell(func() {
				w.shown[run] = append(w.shown[run], drivers.Instant(status.GetAtUs()))
				w.phase[run] = status.GetPhase()
			})
			err = w.fetch(run)
		}
	})
}

// fetch gets all stored blocks of a run.
func (w *witness) fetch(run string) error {
	st, err := w.s.runs.Frames(w.ctx, &rigwardenv1.RunFramesRequest{Run: run})
	if err != nil {
		return err
	}
	var blocks [][]byte
	for {
		r, err := st.Recv()
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if err != nil {
			w.tell(func() { w.blocks[run] = blocks })
			return nil
		}
		blocks = append(blocks, r.GetBlock())
	}
}

// ended lists the benches whose run has ended since it was asked last.
func (w *witness) ended() (benches []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	benches, w.again = w.again, nil
	return benches
}

// close ends the clients and waits for them.
func (w *witness) close() {
	w.end()
	w.work.Wait()
	w.s.close()
}

// frames are those that a client was given of a run.
func (w *witness) frames(run string) (list []drivers.Frame, err error) {
	var d block.Decoder
	var c block.Columns
	for _, b := range w.blocks[run] {
		if err := d.Decode(b, &c); err != nil {
			return nil, err
		}
		for i := range c.Len() {
			var f drivers.Frame
			c.Frame(i, &f)
			list = append(list, *f.Clone())
		}
	}
	return list, nil
}

func lineText(seq uint64, at int64, line string) string {
	return fmt.Sprintf("%d %d %s", seq, at, line)
}

// lost is for how long the daemon had frames, by what it showed of a run, of
// which those after the last one stored are gone. The last status does not count:
// what the daemon makes of it, it shows with the next.
func (w *witness) lost(run string, last drivers.Instant, period drivers.Span) drivers.Span {
	shown := w.shown[run]
	for i, at := range shown {
		// Statuses come between frames, too.
		if at > last.Add(period-period/10) && i < len(shown)-1 {
			return shown[len(shown)-2].Sub(at)
		}
	}
	return 0
}
