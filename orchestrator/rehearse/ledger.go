package rehearse

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
)

// ledger is the judge's own account of a run's record: what the bench was given,
// what it handed to the record, and what the store said was durable. Nothing in
// it comes from the store but those answers, so that the file can be held
// against it afterwards (INV-07, INV-14).
type ledger struct {
	run string
	// frames are those that reached the bench while the run was open, in order.
	frames []givenFrame
	lines  []givenLine
	// How far commits have been answered, in frames handed and in lines.
	storedFrames, storedLines int

	trips    []string // reasons that were stored
	closed   bool     // the bench has said that the run is over
	ending   *bench.Ending
	finished bool // and the store that its record is complete
	killed   drivers.Instant
	judged   bool
}

// givenFrame is a frame that the bench was given.
type givenFrame struct {
	now    drivers.Instant // when it came
	at     drivers.Instant // as recorded
	seq    uint64          // as recorded
	sum    uint64          // of its counts
	on     bool            // something was commanded on
	handed bool            // the bench gave it to the record, which took it
}

// givenLine is a line that the record was given.
type givenLine struct {
	seq  uint64
	at   drivers.Instant
	text string
	sure bool // durable, as the store said
	may  bool // it need not be there
}

// sumFrom is a sum of a frame's counts.
func sumFrom(counts []int32) uint64 {
	h := uint64(14695981039346656037) // FNV-1a, by words
	for _, c := range counts {
		h = (h ^ uint64(uint32(c))) * 1099511628211
	}
	return h
}

// given notes a frame before the bench sees it.
func (l *ledger) given(f *drivers.Frame, now drivers.Instant, on bool) {
	if n := len(l.frames); n == cap(l.frames) { // of a million, few copies
		l.frames = slices.Grow(l.frames, n+1024)
	}
	l.frames = append(l.frames, givenFrame{now: now, sum: sumFrom(f.Counts), on: on})
}

// recorded notes that the bench gave the latest frame to the record, and whether
// that took it.
func (l *ledger) recorded(f *drivers.Frame, kept bool) {
	if len(l.frames) == 0 {
		return // a frame that nobody sent is missed when the file is read
	}
	g := &l.frames[len(l.frames)-1]
	g.at, g.seq, g.handed = f.At, f.Seq, kept
}

// close notes that the bench has said that the run is over. A frame with a stamp
// from another time tells of a clock that jumped before it is taken in: where that
// ends the run, the frame is none of it.
func (l *ledger) close() {
	l.closed = true
	if n := len(l.frames); n > 0 && !l.frames[n-1].handed {
		l.frames = l.frames[:n-1]
	}
}

func (l *ledger) line(seq uint64, at drivers.Instant, text string) {
	l.lines = append(l.lines, givenLine{seq: seq, at: at, text: text})
}

func (l *ledger) durable(seq uint64, at drivers.Instant, text string) {
	l.lines = append(l.lines, givenLine{seq: seq, at: at, text: text, sure: true})
}

func (l *ledger) doubtful(seq uint64, at drivers.Instant, text string) {
	l.lines = append(l.lines, givenLine{seq: seq, at: at, text: text, may: true})
}

// extent is how far the record reaches now; stored says that so much is durable.
func (l *ledger) extent() (frames, lines int) { return len(l.frames), len(l.lines) }

func (l *ledger) stored(frames, lines int) {
	l.storedFrames, l.storedLines = max(l.storedFrames, frames), max(l.storedLines, lines)
}
