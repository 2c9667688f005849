package store

import (
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

var errPending = errors.New("under construction")

// Store is one open file. Its methods may be called from any goroutine.
type Store struct{}

// Open opens or creates the store at path. Opening for writing also recovers:
// runs without a clean end are marked interrupted, left-over pieces are sealed,
// and a bench with an open energised mark is latched (INV-05).
func Open(path string, o Options) (*Store, error) { return nil, errPending }

// Close ends the store; recorders that were not finished stay unfinished, and
// the next Open marks their runs interrupted.
func (s *Store) Close() error { return errPending }

// Recovered tells what Open found of runs without a clean end.
func (s *Store) Recovered() []Recovery { return nil }

// Path is the file's path.
func (s *Store) Path() string { return "" }

// Size tells how full the file is.
func (s *Store) Size() (Size, error) { return Size{}, errPending }

// Check reads the whole file and reports everything that is not as it must be:
// pages, keys, blocks, chains.
func (s *Store) Check() error { return errPending }

// PutModule registers a module file. The same text again changes nothing;
// another text under the same serial is ErrExists.
func (s *Store) PutModule(m Module) error { return errPending }

// AmendModule registers a new text under a serial, keeping the old ones.
func (s *Store) AmendModule(m Module) error { return errPending }

// Module returns the latest registration of a serial.
func (s *Store) Module(serial string) (Module, error) { return Module{}, errPending }

// ModuleHistory returns every registration of a serial, the oldest first.
func (s *Store) ModuleHistory(serial string) ([]Module, error) { return nil, errPending }

// Modules returns the latest registration of every serial, in order of serial.
func (s *Store) Modules() ([]Module, error) { return nil, errPending }

// Begin starts a run and returns its recorder. It is durable on return. A
// latched bench is refused with ErrLatched.
func (s *Store) Begin(r Run) (*Recorder, error) { return nil, errPending }

// Run returns what is known of a run.
func (s *Store) Run(id string) (RunInfo, error) { return RunInfo{}, errPending }

// Runs returns the runs that f selects, the oldest first.
func (s *Store) Runs(f RunFilter) ([]RunInfo, error) { return nil, errPending }

// Plan returns the run's plan in canonical JSON.
func (s *Store) Plan(id string) ([]byte, error) { return nil, errPending }

// Criteria returns the text of the run's criteria.
func (s *Store) Criteria(id string) (string, error) { return "", errPending }

// Layout returns the run's layout, indexed.
func (s *Store) Layout(id string) (*drivers.Layout, error) { return nil, errPending }

// Events calls fn for each line of the run whose sequence number is at least
// fromSeq, in order. No transaction is open while fn runs.
func (s *Store) Events(id string, fromSeq uint64, fn func(Event) error) error { return errPending }

// Frames calls fn for each frame of the run from up to, not including, to, in
// order; to 0 means all. The frame is valid until fn returns. No transaction is
// open while fn runs. A run that goes on is read up to what was durable when
// the end was reached.
func (s *Store) Frames(id string, from, to drivers.Instant, fn func(*drivers.Frame) error) error {
	return errPending
}

// Aggregates calls fn for each bin of the level (one of Levels) that overlaps
// from up to, not including, to; to 0 means all. The bin is valid until fn
// returns.
func (s *Store) Aggregates(id string, level drivers.Span, from, to drivers.Instant, fn func(*Bin) error) error {
	return errPending
}

// Verify walks the run's hash chain, decoding every block.
func (s *Store) Verify(id string) error { return errPending }

// PutFigures stores the judge's answer for a run that has ended, once. The same
// answer again changes nothing; another one is ErrExists.
func (s *Store) PutFigures(f Figures) error { return errPending }

// Figures returns the judge's answer.
func (s *Store) Figures(id string) (Figures, error) { return Figures{}, errPending }

// SetLatch latches a bench durably, from the reserve if need be (INV-05).
func (s *Store) SetLatch(l Latch) error { return errPending }

// Latch returns the bench's latch, and false where there is none.
func (s *Store) Latch(bench string) (Latch, bool, error) { return Latch{}, false, errPending }

// ClearLatch records a person's acknowledgement and clears the latch.
func (s *Store) ClearLatch(bench, who, reason string, at drivers.Instant) error { return errPending }

// Audit calls fn for each entry of the audit trail, the oldest first.
func (s *Store) Audit(fn func(Audit) error) error { return errPending }

// Recorder writes one run. Frame, Line and Pending never touch the disk in a
// live run; Commit, Urgent, MarkEnergised, Trip and Finish do, and return once
// what they say is durable. All may be called from any goroutine, Frame and
// Line from one at a time.
type Recorder struct{}

// ID is the run's identity.
func (r *Recorder) ID() string { return "" }

// Frame appends a frame; it copies what it keeps.
func (r *Recorder) Frame(f *drivers.Frame) error { return errPending }

// Line appends a line. It must not contain a line break.
func (r *Recorder) Line(seq uint64, at drivers.Instant, line string) error { return errPending }

// Commit makes everything appended so far durable, together with what the other
// live recorders have, at most twice a second in all.
func (r *Recorder) Commit() error { return errPending }

// Pending is the instant of the oldest frame not yet durable, 0 for none.
func (r *Recorder) Pending() drivers.Instant { return 0 }

// Urgent appends a line and makes it durable at once, from the reserve if need
// be, ahead of the routine commits.
func (r *Recorder) Urgent(seq uint64, at drivers.Instant, line string) error { return errPending }

// MarkEnergised appends the permit's line and makes it durable at once together
// with the bench's energised mark. Nothing is energised before it returned nil
// (INV-05). Until Finish or MarkSafe, a start without a clean end latches.
func (r *Recorder) MarkEnergised(seq uint64, at drivers.Instant, epoch uint64, line string) error {
	return errPending
}

// MarkSafe takes the energised mark away: zero current was measured and the
// contactors are open.
func (r *Recorder) MarkSafe() error { return errPending }

// Trip appends the trip's line and makes it durable at once together with the
// bench's latch (INV-05).
func (r *Recorder) Trip(seq uint64, at drivers.Instant, line, reason string) error {
	return errPending
}

// Finish seals what is left and ends the run. It is durable on return.
func (r *Recorder) Finish(outcome machine.Outcome, reason string, at drivers.Instant) error {
	return errPending
}
