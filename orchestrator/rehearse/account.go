package rehearse

import (
	"errors"
	"fmt"
	"iter"
	"math"
	"path/filepath"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
)

// lossMost is what may be lost to a kill, and how long a bench may stay energised
// without its frames being stored (INV-07, INV-14).
const lossMost = drivers.Second

// foundRun is a run as it is read back.
type foundRun struct {
	info   store.RunInfo
	frames []givenFrame
	lines  []store.Event
}

// find reads a run back from a store.
func find(st *store.Store, run string) (*foundRun, error) {
	f := &foundRun{}
	var err error
	if f.info, err = st.Run(run); err != nil {
		return nil, err
	}
	f.frames = make([]givenFrame, 0, f.info.Frames)
	err = st.Frames(run, 0, 0, func(g *drivers.Frame) error {
		f.frames = append(f.frames, givenFrame{at: g.At, seq: g.Seq, sum: sumFrom(g.Counts)})
		return nil
	})
	if err != nil {
		return nil, err
	}
	err = st.Events(run, 0, func(e store.Event) error {
		f.lines = append(f.lines, e)
		return nil
	})
	return f, err
}

// judgeLife holds what a killed process left against the ledger, as the next one
// finds it.
func (x *rehearsal) judgeLife(at drivers.Instant) {
	w, st := x.w, x.shelf.st
	for _, l := range x.shelf.runs {
		if l.judged {
			continue
		}
		l.killed, l.closed = at, true
		x.judgeRun(st, l)
		recovered := slices.ContainsFunc(st.Recovered(), func(r store.Recovery) bool { return r.Run == l.run })
		if !recovered && l.ending == nil && x.r.Campaign.Kill.Again == 0 {
			w.violate(6, "run %s was cut off, and the next process does not say so", l.run)
		}
	}
	if err := st.Check(); err != nil {
		w.violate(14, "the file that the killed process left: %v", err)
	}
}

// judgeRecords holds the file of the whole campaign against the ledgers, through
// a reader of its own.
func (x *rehearsal) judgeRecords() error {
	if err := x.leave(); err != nil {
		return err
	}
	st, err := store.Open(filepath.Join(x.shelf.dir, "rig.db"), store.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer st.Close()
	for _, l := range x.shelf.runs {
		if !l.judged {
			x.judgeRun(st, l)
		}
	}
	x.judgeTrail(st)
	if x.r.Next == machine.OutcomeDone {
		x.secondRun(st)
	}
	if err := st.Check(); err != nil {
		x.w.violate(14, "the campaign's file: %v", err)
	}
	return nil
}

// judgeRun holds one run as it is found against its ledger.
func (x *rehearsal) judgeRun(st *store.Store, l *ledger) {
	l.judged = true
	f, err := find(st, l.run)
	if err != nil {
		x.w.violate(14, "run %s cannot be read back: %v", l.run, err)
		return
	}
	x.judgeFrames(l, f)
	x.judgeLines(l, f)
	x.judgeInfo(l, f)
}

// judgeFrames: what was said to be durable is there and nothing else is, in
// order; little is lost to a kill, and nothing where the record was completed.
func (x *rehearsal) judgeFrames(l *ledger, f *foundRun) {
	w, n := x.w, 0
	for i := range l.frames {
		g := &l.frames[i]
		if n < len(f.frames) && g.handed && g.seq == f.frames[n].seq && g.at == f.frames[n].at && g.sum == f.frames[n].sum {
			n++
			continue
		}
		if i < l.storedFrames {
			w.violate(14, "run %s: frame %d was said to be durable and is lost", l.run, i+1)
		}
		x.judgeLost(l, i)
		break
	}
	if n < len(f.frames) {
		w.violate(14, "run %s: frame %d as read back is none that the bench was given there", l.run, n+1)
	}
	if last := len(l.frames); l.finished && n < last {
		w.violate(7, "run %s: %d frames were given to the bench, %d are in its completed record", l.run, last, n)
	}
}

// judgeLost looks at the first frame that is lost, and at what went on after it.
func (x *rehearsal) judgeLost(l *ledger, first int) {
	period := x.c.plan.Bench.Monitor.Period
	lost := l.frames[first].now
	for _, g := range l.frames[first:] {
		if g.on && g.now.Sub(lost) > lossMost+2*period {
			x.w.violate(7, "run %s: energised %s after a frame that is not in the record", l.run, seconds(g.now.Sub(lost)))
			break
		}
	}
	if l.killed == 0 {
		return
	}
	gone := l.killed.Sub(lost)
	x.r.Lost = max(x.r.Lost, gone)
	if x.r.Campaign.Store.Kind == StoreGood && gone > lossMost {
		x.w.violate(14, "run %s: the kill took the last %s of the record", l.run, seconds(gone))
	}
}

// judgeLines: the lines that were said to be durable are there, and no others
// than were given.
func (x *rehearsal) judgeLines(l *ledger, f *foundRun) {
	type key struct {
		seq  uint64
		at   drivers.Instant
		text string
	}
	found := map[key]int{}
	for _, e := range f.lines {
		found[key{e.Seq, e.At, e.Line}]++
	}
	for i, g := range l.lines {
		k := key{g.seq, g.at, g.text}
		if found[k] > 0 {
			found[k]--
			continue
		}
		if g.sure || !g.may && (i < l.storedLines || l.finished) {
			x.w.violate(14, "run %s: a line that was said to be durable is lost: %s", l.run, g.text)
		}
	}
	for _, e := range f.lines {
		if found[key{e.Seq, e.At, e.Line}] > 0 {
			x.w.violate(14, "run %s: the record has a line that nobody gave it: %s", l.run, e.Line)
		}
	}
}

// judgeInfo: the run's entry says how it ended and how far it reaches.
func (x *rehearsal) judgeInfo(l *ledger, f *foundRun) {
	w, i := x.w, &f.info
	asEnded := l.ending != nil && i.Outcome == l.ending.Outcome && i.Reason == l.ending.Reason && i.End == l.ending.At
	switch {
	case l.finished && !asEnded:
		w.violate(14, "run %s ended %+v; its record says %s: %s", l.run, *l.ending, i.Outcome, i.Reason)
	case l.killed != 0 && !asEnded && i.Outcome != machine.OutcomeInterrupted:
		w.violate(6, "run %s was cut off; its record says %q", l.run, i.Outcome)
	}
	last := drivers.Instant(0)
	for _, g := range f.frames {
		last = max(last, g.at)
	}
	if i.Frames != uint64(len(f.frames)) || i.LastFrame != last {
		w.violate(14, "run %s has %d frames until %s; its record says %d until %s", l.run,
			len(f.frames), seconds(last.Sub(began)), i.Frames, seconds(i.LastFrame.Sub(began)))
	}
}

// judgeTrail: beginnings, trips and acknowledgements stand in the audit trail,
// whose chain holds (INV-05).
func (x *rehearsal) judgeTrail(st *store.Store) {
	seen := map[string]int{}
	err := st.Audit(func(a store.Audit) error {
		seen[a.What+" "+a.Run+" "+a.Text]++
		if a.What == "acknowledge" {
			seen["acknowledge by "+a.Who+": "+a.Text]++
		}
		return nil
	})
	if err != nil {
		x.w.violate(14, "the audit trail: %v", err)
	}
	want := func(format string, args ...any) {
		text := fmt.Sprintf(format, args...)
		if seen[text]--; seen[text] < 0 {
			x.w.violate(5, "the audit trail lacks %q", text)
		}
	}
	for _, l := range x.shelf.runs {
		for _, reason := range l.trips {
			want("latch %s %s", l.run, reason)
		}
		if l.finished {
			want("finish %s %s %s", l.run, l.ending.Outcome, l.ending.Reason)
		}
	}
	for _, a := range x.shelf.acks {
		want("acknowledge by %s: %s", a.who, a.reason)
	}
}

// verdictEvery is of how many seeds one has its verdict worked out, which takes
// longer than all the rest of a campaign.
const verdictEvery = 50

// judgeInputs: a verdict's inputs can be read from the run's record alone, and
// the machine, given them again, does what it did.
func (x *rehearsal) judgeInputs(st *store.Store, run string) error {
	text, err := st.Plan(run)
	if err != nil {
		return err
	}
	plan, err := profiles.Decode(text)
	if err != nil {
		return err
	}
	rules, err := st.Criteria(run)
	if err != nil {
		return err
	}
	criteria, problems := profiles.ParseCriteria(run, []byte(rules))
	if err := profiles.Error(problems); err != nil {
		return err
	}
	lines, err := storedLines(st, run)
	if err != nil {
		return err
	}
	figures := qualify.New(plan, qualify.Agreed(criteria))
	report, err := bench.Replay(plan, sequence(lines), measuring(figures, lines, storedFrames(st, run)))
	if err != nil {
		return err
	}
	if x.c.Seed%verdictEvery == 0 {
		if v := qualify.Judge(criteria, figures.Finish()); v.Decision == "" {
			return errors.New("no verdict comes of it")
		}
	}
	if report.Differing > 0 || report.Open {
		return fmt.Errorf("a replay differs %d times, first in %+v", report.Differing, report.Differences)
	}
	return nil
}

func storedLines(st *store.Store, run string) (lines []bench.StoredLine, err error) {
	err = st.Events(run, 0, func(e store.Event) error {
		lines = append(lines, bench.StoredLine{Seq: e.Seq, At: e.At, Line: e.Line})
		return nil
	})
	return lines, err
}

// storedFrames yields a run's frames as they are read back, each valid until the
// next one.
func storedFrames(st *store.Store, run string) iter.Seq2[*drivers.Frame, error] {
	enough := errors.New("enough")
	return func(yield func(*drivers.Frame, error) bool) {
		err := st.Frames(run, 0, 0, func(f *drivers.Frame) error {
			if !yield(f, nil) {
				return enough
			}
			return nil
		})
		if err != nil && !errors.Is(err, enough) {
			yield(nil, err)
		}
	}
}

// measuring hands frames on and has the figures of the run computed on the way:
// of each frame, after the records that stand before it.
func measuring(a *qualify.Analyser, lines []bench.StoredLine, frames iter.Seq2[*drivers.Frame, error]) iter.Seq2[*drivers.Frame, error] {
	return func(yield func(*drivers.Frame, error) bool) {
		rest := lines
		records := func(before uint64) {
			for ; len(rest) > 0 && rest[0].Seq < before; rest = rest[1:] {
				if act, err := machine.ParseAction(rest[0].Line); err == nil {
					if r, ok := act.(machine.Record); ok {
						a.Record(rest[0].At, r)
					}
				}
			}
		}
		for f, err := range frames {
			if err == nil {
				records(f.Seq)
				a.Frame(f)
			}
			if !yield(f, err) {
				return
			}
		}
		records(math.MaxUint64)
	}
}

// sequence yields a list as a reader that cannot fail.
func sequence[T any](list []T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for _, v := range list {
			if !yield(v, nil) {
				return
			}
		}
	}
}
