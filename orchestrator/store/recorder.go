package store

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Recorder writes one run. Frame, Line and Pending never touch the disk in a
// live run; Commit, Urgent, MarkEnergised, Trip and Finish do, and return once
// what they say is durable. All may be called from any goroutine, Frame and
// Line from one at a time.
type Recorder struct {
	s       *Store
	no      uint32
	start   RunInfo
	virtual bool
	width   int // channels
	room    int // frames of a chunk

	// encode is held while chunks are packed and until what was packed is
	// durable; it comes before mu.
	encode  sync.Mutex
	encoder *block.Encoder
	binner  binner
	head    sum

	mu     sync.Mutex
	active *chunk
	full   *chunk // complete, waits to be sealed
	spare  *chunk
	sealed []*sealed // packed, not yet durable
	// Sizes so far, in the run.
	frames, lines uint64
	chunks        uint32
	sealedBytes   int
	committed     time.Time // of a virtual run's latest commit
	ended         bool
}

const (
	// sealedMost bounds what waits in memory for a disk that takes nothing.
	sealedMost = 64 << 20
	// A virtual run commits by itself after so many bytes or so much real time.
	virtualBytes = 4 << 20
	virtualEvery = 500 * time.Millisecond
)

func newRecorder(s *Store, no uint32, info RunInfo, l *drivers.Layout) *Recorder {
	width := len(l.Channels)
	room := roomFor(width)
	if n := s.options.chunkFrames; n > 0 {
		room = n
	}
	return &Recorder{
		s: s, no: no, start: info, virtual: info.Virtual, width: width, room: room,
		encoder: block.NewEncoder(l.Find(drivers.ModuleCurrent)),
		head:    genesis(&info),
		active:  newChunk(width, room), chunks: 1, committed: time.Now(),
	}
}

// ID is the run's identity.
func (r *Recorder) ID() string { return r.start.ID }

// Frame appends a frame; it copies what it keeps. In a virtual run it also seals
// and commits when that is due.
func (r *Recorder) Frame(f *drivers.Frame) error {
	due := false
	r.mu.Lock()
	err := r.writable()
	if err == nil && r.active.full(f.At, r.virtual) {
		err = r.turn()
		due = r.virtual
	}
	if err == nil {
		err = r.active.frames.Append(f)
	}
	if err == nil {
		r.frames++
	}
	r.mu.Unlock()
	if err != nil {
		return fmt.Errorf("run %s: frame %d: %w", r.ID(), f.Seq, err)
	}
	if due {
		return r.sealAndCommit()
	}
	return nil
}

// Line appends a line. It must not contain a line break.
func (r *Recorder) Line(seq uint64, at drivers.Instant, line string) error {
	_, err := r.line(seq, at, line)
	return err
}

func (r *Recorder) line(seq uint64, at drivers.Instant, line string) (number uint64, err error) {
	if strings.IndexByte(line, '\n') >= 0 {
		return 0, fmt.Errorf("run %s: line %d: %w: it contains a line break", r.ID(), seq, ErrBadValue)
	}
	due := false
	r.mu.Lock()
	err = r.writable()
	if err == nil && len(r.active.text) >= textLong {
		err = r.turn()
		due = r.virtual
	}
	if err == nil {
		r.active.line(seq, at, line)
		number = r.lines
		r.lines++
	}
	r.mu.Unlock()
	if err != nil {
		return 0, fmt.Errorf("run %s: line %d: %w", r.ID(), seq, err)
	}
	if due {
		err = r.sealAndCommit()
	}
	return number, err
}

func (r *Recorder) writable() error {
	if r.ended {
		return ErrEnded
	}
	return nil
}

// turn puts the active chunk aside for sealing and goes on with a fresh one.
func (r *Recorder) turn() error {
	if r.full != nil || r.sealedBytes > sealedMost {
		return ErrBehind
	}
	r.full = r.active
	r.active, r.spare = r.spare, nil
	if r.active == nil {
		r.active = newChunk(r.width, r.room)
	}
	r.active.reset(r.chunks, r.width, r.frames, r.lines)
	r.chunks++
	return nil
}

// sealAndCommit is a virtual run's own housekeeping.
func (r *Recorder) sealAndCommit() error {
	r.encode.Lock()
	err := r.sealFull()
	r.encode.Unlock()
	if err != nil {
		return err
	}
	r.mu.Lock()
	due := r.sealedBytes >= virtualBytes || time.Since(r.committed) >= virtualEvery
	r.mu.Unlock()
	if !due {
		return nil
	}
	return r.Commit()
}

// Commit makes everything appended so far durable, together with what the other
// live recorders have, at most twice a second in all.
func (r *Recorder) Commit() error {
	r.mu.Lock()
	idle := r.full == nil && len(r.sealed) == 0 && r.active.settled()
	r.committed = time.Now()
	r.mu.Unlock()
	if idle {
		return nil
	}
	if err := r.s.commits.submit(&request{recorder: r, now: r.virtual}); err != nil {
		return fmt.Errorf("run %s: %w", r.ID(), err)
	}
	return nil
}

// Pending is the instant of the oldest frame not yet durable, 0 for none.
func (r *Recorder) Pending() drivers.Instant {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.sealed {
		if s.oldest != 0 {
			return s.oldest
		}
	}
	if at := r.full.oldest(); at != 0 {
		return at
	}
	return r.active.oldest()
}

// Finish seals what is left and ends the run. It is durable on return. On a full
// store the end is recorded from the reserve and ErrFull tells that the last
// frames are not.
func (r *Recorder) Finish(outcome machine.Outcome, reason string, at drivers.Instant) error {
	r.mu.Lock()
	ended := r.ended
	r.ended = true
	r.mu.Unlock()
	if ended {
		return fmt.Errorf("run %s: %w", r.ID(), ErrEnded)
	}
	end := &ending{outcome: outcome, reason: reason, at: at}
	if err := r.s.commits.submit(&request{recorder: r, now: true, end: end}); err != nil {
		return fmt.Errorf("finish run %s: %w", r.ID(), err)
	}
	return nil
}

// ending is how a run ended.
type ending struct {
	outcome machine.Outcome
	reason  string
	at      drivers.Instant
}
