package bench_test

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"iter"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/profiles"
)

// errFull is what a tape says once it takes nothing more.
var errFull = errors.New("no space left on the device")

// tape is a journal in memory. It is called on the loop's goroutine, and read
// by a test once the bench is closed.
type tape struct {
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

// replayed replays what a closed trial recorded.
func (x *trial) replayed() *bench.Report {
	x.t.Helper()
	// The stored form of the plan is what a replay gets.
	canonical, _, err := profiles.Canonical(x.plan)
	require.NoError(x.t, err)
	plan, err := profiles.Decode(canonical)
	require.NoError(x.t, err)
	report, err := bench.Replay(plan, x.tape.allLines(), x.tape.allFrames())
	require.NoError(x.t, err)
	return report
}

// A recorded run answers the same today as it did then, whatever happened.
func TestReplay(t *testing.T) {
	t.Parallel()
	for _, fault := range []string{"", "tap-reads-low charging=30s", "frames-stop charging=30s", "driver-hangs charging=30s", "link-short"} {
		t.Run("with "+fault, func(t *testing.T) {
			t.Parallel()
			s := quick(t)
			if fault != "" {
				f, err := virtual.ParseFault(fault)
				require.NoError(t, err)
				s.config.Faults = []virtual.Fault{f}
			}
			x := s.open(t)
			x.tape.keepFrames = true
			x.run()
			report := x.replayed()
			assert.Zero(t, report.Differing, "%+v", report.Differences)
			assert.Equal(t, x.tape.count, report.Frames)
			assert.Positive(t, report.Actions)
			assert.False(t, report.Open)
		})
	}
}

// A record that was changed afterwards is found, where it was changed.
func TestReplayFindsChanges(t *testing.T) {
	t.Parallel()
	x := quick(t).open(t)
	x.tape.keepFrames = true
	x.run()
	first := func(word string) int {
		k := slices.IndexFunc(x.tape.lines, func(l bench.StoredLine) bool { return strings.HasPrefix(l.Line, word) })
		require.GreaterOrEqual(t, k, 0, "no line begins with %q", word)
		return k
	}
	kept := slices.Clone(x.tape.lines)
	for name, change := range map[string]func() (at int){
		"a set current": func() int {
			k := first("set ")
			a, err := machine.ParseAction(kept[k].Line)
			require.NoError(t, err)
			set := a.(machine.Set)
			set.Current += 10_000
			x.tape.lines[k].Line = set.String()
			return k
		},
		"a missing action": func() int {
			k := first("permit ")
			x.tape.lines = slices.Delete(x.tape.lines, k, k+1)
			return k
		},
		"an action too many": func() int {
			k := first("set ")
			x.tape.lines = slices.Insert(x.tape.lines, k, x.tape.lines[k])
			return k
		},
	} {
		x.tape.lines = slices.Clone(kept)
		seq := kept[change()].Seq
		report := x.replayed()
		require.Equal(t, 1, report.Differing, "%s: %+v", name, report.Differences)
		assert.Equal(t, seq, report.Differences[0].Seq, name)
		assert.NotEqual(t, report.Differences[0].Then, report.Differences[0].Now, name)
	}

	// A record that breaks off, as after a killed daemon, differs in nothing.
	x.tape.lines = slices.Clone(kept)
	half := x.tape.frames[len(x.tape.frames)/2].Seq
	x.tape.frames = x.tape.frames[:len(x.tape.frames)/2]
	x.tape.lines = slices.DeleteFunc(x.tape.lines, func(l bench.StoredLine) bool { return l.Seq >= half })
	report := x.replayed()
	assert.Zero(t, report.Differing)
	assert.True(t, report.Open)
}

// INV-07: no record, no energy. Whatever the moment from which nothing more can
// be stored, the run ends in a trip, and what says so was stored in the space
// reserved for it (INV-05).
func TestINV07_StoreFails(t *testing.T) {
	t.Parallel()
	whole := quick(t).open(t)
	require.Equal(t, machine.OutcomeDone, whole.run().Outcome)
	draw := rand.New(rand.NewPCG(7, 7))
	for range 12 {
		after := 1 + draw.IntN(whole.tape.calls-1)
		x := quick(t).open(t)
		x.tape.failAfter = after
		var zero drivers.Instant
		var flowing bool
		r := x.request()
		r.Finished = func(e bench.Ending) {
			zero, flowing = x.rig.Truth().Since, x.rig.Truth().Flowing
			x.ended <- e
		}
		require.NoError(t, x.virtual.Start(t.Context(), r))
		e := x.wait()
		require.NoError(t, x.virtual.Close())
		name := fmt.Sprintf("seed 7, from call %d of %d", after, whole.tape.calls)
		require.Equal(t, machine.OutcomeTripped, e.Outcome, "%s: %s", name, e.Reason)
		assert.True(t, strings.HasPrefix(x.tape.tripped, "store: "), "%s: %s", name, x.tape.tripped)
		assert.False(t, flowing, name)
		assert.LessOrEqual(t, zero.Sub(x.tape.failed), offWithin(x.plan), name)
		assert.Empty(t, x.rig.Excursions(), name)
		assert.Zero(t, x.tape.safe, "%s: a record that is not whole says the bench is safe", name)
	}
}
