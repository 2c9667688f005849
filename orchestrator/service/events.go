package service

import (
	"errors"
	"time"

	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// linesMax bounds the lines of one message, bytesMax their size.
const (
	linesMax = 512
	bytesMax = 1 << 20
)

// followEvery is how often a followed run is looked at for more. Lines become
// durable at most twice a second in routine, so a client is told soon enough.
const followEvery = 100 * time.Millisecond

func (r runService) Events(q *rigwardenv1.RunEventsRequest, out rigwardenv1.Runs_EventsServer) error {
	st, err := r.s.reading()
	if err != nil {
		return err
	}
	c := &cursor{last: q.GetAfter(), send: out.Send}
	for {
		// Whether the run has ended is asked before reading: lines written in
		// between are then sent for certain before the stream ends.
		info, err := r.s.run(q.GetRun())
		if err != nil {
			return err
		}
		if err := c.read(st, info.ID, !q.GetFollow() || info.Outcome != ""); err != nil {
			return err
		}
		if !q.GetFollow() || info.Outcome != "" {
			return nil
		}
		if err := pause(out.Context(), followEvery); err != nil {
			return err
		}
	}
}

// errAhead ends a reading before a line whose predecessors are still to come.
var errAhead = errors.New("ahead of its turn")

// cursor sends the lines of a run in batches and remembers how far it came.
// Lines may share a sequence number, and may become durable one by one.
type cursor struct {
	last  uint64 // sequence number of the last line sent
	same  int    // lines sent with that number
	begun bool   // some line was sent
	batch []*rigwardenv1.EventLine
	bytes int
	send  func(*rigwardenv1.RunEventsResponse) error
}

// read sends what is there. Lines that became durable ahead of their turn wait
// for those before them, which come with the next routine commit, unless all is
// asked for.
func (c *cursor) read(st *store.Store, id string, all bool) error {
	from, skip := c.last+1, 0
	if c.begun {
		from, skip = c.last, c.same
	} else if c.last == 0 {
		from = 0
	}
	err := st.Events(id, from, func(e store.Event) error {
		if e.Ahead && !all {
			return errAhead
		}
		if c.begun && e.Seq == c.last {
			if skip > 0 {
				skip--
				return nil
			}
			c.same++
		} else {
			c.last, c.same, c.begun = e.Seq, 1, true
		}
		c.batch = append(c.batch, &rigwardenv1.EventLine{Seq: e.Seq, AtUs: int64(e.At), Line: e.Line})
		c.bytes += len(e.Line)
		if len(c.batch) >= linesMax || c.bytes >= bytesMax {
			return c.flush()
		}
		return nil
	})
	if err != nil && !errors.Is(err, errAhead) {
		return err
	}
	return c.flush()
}

func (c *cursor) flush() error {
	if len(c.batch) == 0 {
		return nil
	}
	err := c.send(&rigwardenv1.RunEventsResponse{Lines: c.batch})
	c.batch, c.bytes = nil, 0
	return err
}
