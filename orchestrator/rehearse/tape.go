package rehearse

import (
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/store"
)

// tape is a run's journal: the store's recorder, with the witness before it and
// the ledger beside it.
type tape struct {
	*shelf
	rec *store.Recorder
	l   *ledger
}

func (j tape) Frame(f *drivers.Frame) error {
	j.w.often()
	j.disk.fill(j.st)
	err := j.rec.Frame(f)
	j.l.recorded(f, err == nil)
	return err
}

func (j tape) Line(seq uint64, at drivers.Instant, line string) error {
	j.w.often()
	err := j.rec.Line(seq, at, line)
	if err != nil {
		return err
	}
	j.l.line(seq, at, line)
	j.w.line(seq, at, line)
	if strings.HasPrefix(line, "finish ") {
		j.l.close()
	}
	return nil
}

func (j tape) Pending() drivers.Instant { return j.rec.Pending() }

func (j tape) Commit() error {
	return j.alone(func() error {
		j.w.call()
		frames, lines := j.l.extent()
		err := j.rec.Commit()
		j.w.alive()
		if err == nil {
			j.l.stored(frames, lines)
		}
		return err
	})
}

func (j tape) MarkEnergised(seq uint64, at drivers.Instant, epoch uint64, line string) error {
	j.w.call()
	err := j.rec.MarkEnergised(seq, at, epoch, line)
	j.urgent(seq, at, line, err)
	if err == nil {
		j.energised = true
		j.w.line(seq, at, line)
	}
	return err
}

func (j tape) MarkSafe() error {
	j.w.call()
	j.w.markedSafe()
	j.unsure = true
	err := j.rec.MarkSafe()
	j.w.alive()
	if j.unsure = false; err == nil {
		j.energised = false
	}
	return err
}

func (j tape) Trip(seq uint64, at drivers.Instant, line, reason string) error {
	j.w.call()
	j.w.trip(at, line, reason)
	err := j.rec.Trip(seq, at, line, reason)
	j.urgent(seq, at, line, err)
	if err == nil {
		j.latched(reason)
		j.l.trips = append(j.l.trips, reason)
	}
	return err
}

func (j tape) Urgent(seq uint64, at drivers.Instant, line string) error {
	j.w.call()
	if strings.HasPrefix(line, `record kind="clear"`) {
		j.w.clear(at)
	}
	err := j.rec.Urgent(seq, at, line)
	j.urgent(seq, at, line, err)
	if err == nil {
		j.w.line(seq, at, line)
	}
	return err
}

// urgent notes a line that was to be durable at once. One that could not be is in
// memory all the same and may come with the next commit.
func (j tape) urgent(seq uint64, at drivers.Instant, line string, err error) {
	if j.w.dead {
		j.l.doubtful(seq, at, line)
		j.w.alive()
	}
	if err != nil {
		j.l.doubtful(seq, at, line)
		return
	}
	j.l.durable(seq, at, line)
}

// finish ends the run's record once the bench is through with it.
func (j tape) finish(e bench.Ending) error {
	return j.alone(func() error {
		if j.l.ending = &e; !j.l.closed {
			j.l.close()
		}
		j.w.call()
		err := j.rec.Finish(e.Outcome, e.Reason, e.At)
		j.w.alive()
		if err == nil {
			j.l.finished = true
		}
		return err
	})
}
