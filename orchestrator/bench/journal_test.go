package bench_test

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"hash"
	"iter"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// errFull is what a tape says once it takes nothing more.
var errFull = errors.New("no space left on the device")

// tape is a journal in memory. It is called on the loop's goroutine, and read
// by a test once the bench is closed.
type tape struct {
	layout *drivers.Layout
	digest hash.Hash
	buf    []byte

	lines  []bench.StoredLine
	frames []*drivers.Frame // kept only where keepFrames is set
	count  int              // frames
	first  drivers.Instant
	last   drivers.Instant

	marked, safe, commits int
	tripped               string
	// failAfter is how many calls the tape takes before each fails; 0: all.
	failAfter, calls int
	failed           drivers.Instant // the first refusal

	keepFrames bool
	figures    *qualify.Analyser
	// onFrame and onRecord look at the bench while its time stands still.
	onFrame  func(f *drivers.Frame)
	onRecord func(at drivers.Instant, r machine.Record)
}

func newTape() *tape { return &tape{digest: sha256.New()} }

// take counts a call and says whether the tape still works.
func (j *tape) take(at drivers.Instant) error {
	if j.calls++; j.failAfter > 0 && j.calls > j.failAfter {
		if j.failed == 0 {
			j.failed = at
		}
		return errFull
	}
	return nil
}

func (j *tape) Frame(f *drivers.Frame) error {
	if err := j.take(f.At); err != nil {
		return err
	}
	j.buf = binary.LittleEndian.AppendUint64(j.buf[:0], f.Seq)
	j.buf = binary.LittleEndian.AppendUint64(j.buf, uint64(f.At))
	for _, c := range f.Counts {
		j.buf = binary.LittleEndian.AppendUint32(j.buf, uint32(c))
	}
	j.digest.Write(j.buf)
	if j.count++; j.first == 0 {
		j.first = f.At
	}
	j.last = f.At
	if j.keepFrames {
		j.frames = append(j.frames, f.Clone())
	}
	if j.figures != nil {
		j.figures.Frame(f)
	}
	if j.onFrame != nil {
		j.onFrame(f)
	}
	return nil
}

func (j *tape) Line(seq uint64, at drivers.Instant, line string) error {
	if err := j.take(at); err != nil {
		return err
	}
	j.buf = binary.LittleEndian.AppendUint64(j.buf[:0], seq)
	j.buf = binary.LittleEndian.AppendUint64(j.buf, uint64(at))
	j.buf = append(append(j.buf, line...), '\n')
	j.digest.Write(j.buf)
	j.lines = append(j.lines, bench.StoredLine{Seq: seq, At: at, Line: line})
	if !strings.HasPrefix(line, "record ") || j.figures == nil && j.onRecord == nil {
		return nil
	}
	a, err := machine.ParseAction(line)
	if err != nil {
		return err
	}
	r := a.(machine.Record)
	if j.figures != nil {
		j.figures.Record(at, r)
	}
	if j.onRecord != nil {
		j.onRecord(at, r)
	}
	return nil
}

func (j *tape) Commit() error {
	// Commits come by real time: they may fail, but must not be counted.
	j.commits++
	if j.failed != 0 {
		return errFull
	}
	return nil
}

func (j *tape) Pending() drivers.Instant { return 0 }

func (j *tape) MarkEnergised(seq uint64, at drivers.Instant, _ uint64, line string) error {
	j.marked++
	return j.Line(seq, at, line)
}

func (j *tape) MarkSafe() error { j.safe++; return nil }

// Trip has reserved space: it works on a full disk too (INV-05).
func (j *tape) Trip(seq uint64, at drivers.Instant, line, reason string) error {
	j.tripped = reason
	keep := j.failAfter
	j.failAfter = 0
	defer func() { j.failAfter = keep }()
	return j.Line(seq, at, line)
}

func (j *tape) Urgent(seq uint64, at drivers.Instant, line string) error {
	return j.Line(seq, at, line)
}

// sum is the digest of everything recorded: lines and frames with their places.
func (j *tape) sum() []byte { return j.digest.Sum(nil) }

// records are the records of a kind with their instants.
func (j *tape) records(kind machine.RecordKind) (list []placed) {
	for _, l := range j.lines {
		if !strings.HasPrefix(l.Line, "record ") {
			continue
		}
		a, err := machine.ParseAction(l.Line)
		if err != nil {
			continue
		}
		if r := a.(machine.Record); r.Kind == kind {
			list = append(list, placed{l.Seq, l.At, r})
		}
	}
	return list
}

type placed struct {
	seq uint64
	at  drivers.Instant
	machine.Record
}

// has says whether a line with the text was recorded.
func (j *tape) has(text string) bool {
	for _, l := range j.lines {
		if strings.Contains(l.Line, text) {
			return true
		}
	}
	return false
}

func (j *tape) allLines() iter.Seq2[bench.StoredLine, error] {
	return func(yield func(bench.StoredLine, error) bool) {
		for _, l := range j.lines {
			if !yield(l, nil) {
				return
			}
		}
	}
}

func (j *tape) allFrames() iter.Seq2[*drivers.Frame, error] {
	return func(yield func(*drivers.Frame, error) bool) {
		for _, f := range j.frames {
			if !yield(f, nil) {
				return
			}
		}
	}
}
