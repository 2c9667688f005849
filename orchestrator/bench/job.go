package bench

import (
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// jobKind says what a storage job does.
type jobKind uint8

const (
	jobMark   jobKind = iota + 1 // a permit and the energised mark (INV-05)
	jobTrip                      // a trip and the latch
	jobUrgent                    // a line that must not wait
	jobFinish                    // the run is over
	jobCommit                    // the routine commit
)

// job is one piece of work for the disk. A live executor does jobs in order on
// a goroutine of its own, so that no trip waits for one.
type job struct {
	kind   jobKind
	run    *run // nil outside of a run
	seq    uint64
	at     drivers.Instant
	epoch  uint64
	line   string
	reason string
}

// do carries the job out and returns the event that answers it, or nil.
func (j job) do(latches Latches) machine.Event {
	switch j.kind {
	case jobMark:
		if j.run == nil {
			return machine.Stored{At: j.at, Epoch: j.epoch, Err: "no run is recorded"}
		}
		return j.stored(j.run.Journal.MarkEnergised(j.seq, j.at, j.epoch, j.line))
	case jobTrip:
		if j.run == nil {
			return j.failed(latches.SetLatch(j.reason, j.at))
		}
		err := j.run.Journal.Trip(j.seq, j.at, j.line, j.reason)
		if err != nil { // the line is lost; the latch must not be
			err = errors.Join(err, latches.SetLatch(j.reason, j.at))
			j.run.latchLost = true
		}
		return j.failed(err)
	case jobUrgent:
		if j.run == nil {
			return nil
		}
		return j.failed(j.run.Journal.Urgent(j.seq, j.at, j.line))
	case jobFinish:
		return j.finish()
	case jobCommit:
		return j.failed(j.run.Journal.Commit())
	}
	return nil
}

func (j job) stored(err error) machine.Event {
	e := machine.Stored{At: j.at, Epoch: j.epoch}
	if err != nil {
		e.Err = err.Error()
	}
	return e
}

func (j job) failed(err error) machine.Event {
	if err == nil {
		return nil
	}
	return machine.StoreFailed{At: j.at, Err: err.Error()}
}

// finish makes the record complete. The energised mark goes only where zero
// current was measured and the contactors opened, which every outcome but an
// unproven trip has seen.
func (j job) finish() machine.Event {
	err := j.run.Journal.Commit()
	e := &j.run.ending
	if err == nil && !j.run.latchLost && (e.Outcome != machine.OutcomeTripped || e.Cleared) {
		err = j.run.Journal.MarkSafe()
	}
	if j.run.Finished != nil {
		j.run.Finished(j.run.ending)
	}
	return j.failed(err)
}
