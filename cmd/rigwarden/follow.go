package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// follower shows a run as it goes: a line for every step from the record, so
// that a pipe gets the same lines every time, and on a terminal the latest
// status below them.
type follower struct {
	a     *app
	s     *session
	run   *rigwardenv1.Run
	plan  *machine.Plan
	story *story
	p     *progress
	done  []int // passes of each step
}

// follow shows the run to its end.
func (a *app) follow(ctx context.Context, s *session, id string) (*story, error) {
	got, err := s.runs.Get(ctx, &rigwardenv1.GetRunRequest{Run: id})
	if err != nil {
		return nil, err
	}
	f := &follower{a: a, s: s, run: got.GetRun(), p: a.newProgress(), story: &story{}}
	if f.plan, err = profiles.Decode(got.GetPlan()); err != nil {
		return nil, fmt.Errorf("plan stored with run %s: %w", id, err)
	}
	f.story.layout = &f.plan.Layout
	f.done = make([]int, len(f.plan.Steps))
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	events, err := s.runs.Events(ctx, &rigwardenv1.RunEventsRequest{Run: id, Follow: true})
	if err != nil {
		return nil, err
	}
	if !a.json {
		f.head()
	}
	return f.story, f.loop(ctx, events)
}

// loop draws from one goroutine; two others only receive.
func (f *follower) loop(ctx context.Context, events rigwardenv1.Runs_EventsClient) error {
	lines := make(chan []*rigwardenv1.EventLine)
	ended := make(chan error, 1)
	go func() {
		for {
			r, err := events.Recv()
			if err != nil {
				ended <- err
				return
			}
			select {
			case lines <- r.GetLines():
			case <-ctx.Done():
				ended <- ctx.Err()
				return
			}
		}
	}()
	var statuses <-chan *rigwardenv1.BenchStatus
	if f.p.live && !f.a.json {
		statuses = f.watch(ctx)
	}
	defer f.p.done()
	for {
		select {
		case ls := <-lines:
			for _, l := range ls {
				if err := f.line(ctx, l); err != nil {
					return err
				}
			}
		case st := <-statuses:
			f.p.status(st)
		case err := <-ended:
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
	}
}

// watch receives the bench's latest status; it simply ends where there is none,
// as with a store file.
func (f *follower) watch(ctx context.Context) <-chan *rigwardenv1.BenchStatus {
	out := make(chan *rigwardenv1.BenchStatus)
	go func() {
		st, err := f.s.benches.Watch(ctx, &rigwardenv1.WatchBenchRequest{Bench: f.run.GetBench(), PeriodUs: (100 * time.Millisecond).Microseconds()})
		for err == nil {
			var r *rigwardenv1.WatchBenchResponse
			if r, err = st.Recv(); err == nil {
				select {
				case out <- r.GetStatus():
				case <-ctx.Done():
					return
				}
			}
		}
	}()
	return out
}

const stepLine = "%8s  %-19s %8s %9s %8s %7s %8s  %-9s %-9s %s"

func (f *follower) head() {
	f.p.say(fmt.Sprintf(stepLine, "rig time", "step", "in step", "left", "Ah", "V", "mean A", "high cell", "low cell", "degC"))
}

// line takes in one recorded line and shows what a person wants to see of it.
func (f *follower) line(ctx context.Context, l *rigwardenv1.EventLine) error {
	r, ok := f.story.add(l)
	b, looked := f.story.balance(l)
	if f.a.json {
		return nil
	}
	at := clockSpan(l.GetAtUs() - f.run.GetStartedUs())
	if looked {
		f.looked(at, &b)
	}
	if !ok || r.Kind == machine.RecordNote && strings.HasPrefix(r.Text, "imbalance ") {
		return nil // the latter was shown with the look it sums up
	}
	switch r.Kind {
	case machine.RecordEnd:
		return f.stepEnded(ctx, at, l.GetAtUs(), r)
	case machine.RecordPause, machine.RecordResume, machine.RecordNote, machine.RecordAlarm, machine.RecordClear, machine.RecordAck, machine.RecordWatch:
		f.say(at, string(r.Kind)+": "+r.Text)
	case machine.RecordTrip:
		f.say(at, "TRIP: "+r.Text)
	}
	return nil
}

// looked shows a look at the balance and, under it, each cell.
func (f *follower) looked(at string, b *balanceTold) {
	f.say(at, b.sum())
	for _, line := range b.lines() {
		f.p.say(strings.Repeat(" ", 10) + line)
	}
}

// say shows a sentence, wrapped.
func (f *follower) say(at, text string) {
	for _, l := range wrap(text, screen-10) {
		f.p.say(fmt.Sprintf("%8s  %s", at, l))
		at = ""
	}
}

// stepEnded shows a step's last frame beside its counts.
func (f *follower) stepEnded(ctx context.Context, at string, instant int64, r machine.Record) error {
	if r.Step < 0 || r.Step >= len(f.plan.Steps) {
		return fmt.Errorf("run %s: step %d where the plan has %d", f.run.GetId(), r.Step, len(f.plan.Steps))
	}
	f.done[r.Step]++
	frame, err := f.frameBefore(ctx, instant)
	if err != nil {
		return err
	}
	l := &f.plan.Layout
	high, low, temps := "-", "-", "-"
	if frame != nil {
		high, low = extremeCells(l, frame)
		temps = hottest(l, frame)
	}
	f.p.say(fmt.Sprintf(stepLine, at, clip(r.Label, 19), clockSpan(int64(r.Span)), clockSpan(int64(f.left(r.Step))),
		fmt.Sprintf("%+.3f", float64(r.Charge)/float64(drivers.AmpereHour)),
		channel(l, frame, drivers.ModuleVoltage), meanAmps(r), high, low, temps))
	return nil
}

// left is what the compiler predicts for everything still to come after the
// step: later steps, and further passes of the block that the step belongs to.
func (f *follower) left(step int) drivers.Span {
	var sum drivers.Span
	block, _, _ := strings.Cut(f.plan.Steps[step].Label, "/")
	for i, s := range f.plan.Steps {
		if own, _, _ := strings.Cut(s.Label, "/"); i > step || own == block {
			sum += s.Predicted * drivers.Span(max(0, s.Repeat-f.done[i]))
		}
	}
	return sum
}

// meanAmps is the step's mean current.
func meanAmps(r machine.Record) string {
	if r.Span <= 0 {
		return "-"
	}
	return fmt.Sprintf("%+.3f", float64(r.Charge)/float64(r.Span)/1e3)
}

// frameBefore fetches the last recorded frame at or before the instant, nil
// where none was stored.
func (f *follower) frameBefore(ctx context.Context, at int64) (*drivers.Frame, error) {
	st, err := f.s.runs.Frames(ctx, &rigwardenv1.RunFramesRequest{Run: f.run.GetId(), FromUs: at - int64(2*drivers.Second), ToUs: at + 1})
	if err != nil {
		return nil, err
	}
	var dec block.Decoder
	var cols block.Columns
	var last *drivers.Frame
	for {
		r, err := st.Recv()
		if errors.Is(err, io.EOF) {
			return last, nil
		}
		if err != nil {
			return nil, err
		}
		if err := dec.Decode(r.GetBlock(), &cols); err != nil {
			return nil, fmt.Errorf("frames of run %s: %w", f.run.GetId(), err)
		}
		if len(cols.Counts) != len(f.plan.Layout.Channels) {
			continue
		}
		for i := cols.Len() - 1; i >= 0; i-- {
			if int64(cols.At[i]) <= at {
				last = &drivers.Frame{}
				cols.Frame(i, last)
				break
			}
		}
	}
}

func channel(l *drivers.Layout, f *drivers.Frame, k drivers.Kind) string {
	i := l.Find(k)
	if f == nil || i < 0 || f.Counts[i] == drivers.NoReading {
		return "-"
	}
	return fmt.Sprintf("%.3f", float64(l.Channels[i].Scale.Value(f.Counts[i]))/1e6)
}

// extremeCells names the highest and the lowest cell with its voltage.
func extremeCells(l *drivers.Layout, f *drivers.Frame) (high, low string) {
	hi, lo := -1, -1
	for i := range l.Cells() {
		n := f.Counts[l.Cell(i)]
		if n == drivers.NoReading {
			continue
		}
		if hi < 0 || n > f.Counts[l.Cell(hi)] {
			hi = i
		}
		if lo < 0 || n < f.Counts[l.Cell(lo)] {
			lo = i
		}
	}
	name := func(i int) string {
		if i < 0 {
			return "-"
		}
		return fmt.Sprintf("%.3f #%d", float64(l.Channels[i].Scale.Value(f.Counts[i]))/1e6, i+1)
	}
	return name(hi), name(lo)
}

func hottest(l *drivers.Layout, f *drivers.Frame) string {
	best, ok := int64(0), false
	for i := range l.Temps() {
		p := l.Temp(i)
		if f.Counts[p] == drivers.NoReading {
			continue
		}
		if v := l.Channels[p].Scale.Value(f.Counts[p]); !ok || v > best {
			best, ok = v, true
		}
	}
	if !ok {
		return "-"
	}
	return fmt.Sprintf("%.1f", float64(best-int64(drivers.ZeroC))/1e3)
}

// verdictWait bounds how long a watching client waits for the judge.
const verdictWait = 2 * time.Minute

// watchRun follows a run and tells how it ended.
func (a *app) watchRun(ctx context.Context, s *session, id string) error {
	if _, err := a.follow(ctx, s, id); err != nil {
		if ctx.Err() != nil {
			fmt.Fprintf(a.err, "no longer watching; %s goes on\n", id)
			return ending{exitUnwatched}
		}
		return err
	}
	r, err := a.awaitVerdict(ctx, s, id)
	if err != nil {
		return err
	}
	if a.json {
		if err := a.printJSON(r); err != nil {
			return err
		}
		return r.exit()
	}
	fmt.Fprintln(a.out)
	a.printReport(r)
	return r.exit()
}

// awaitVerdict waits for the judge of a run that was carried out to its end.
func (a *app) awaitVerdict(ctx context.Context, s *session, id string) (*report, error) {
	deadline := time.Now().Add(verdictWait)
	for {
		r, err := a.read(ctx, s, id)
		if err != nil {
			return nil, err
		}
		if r.Figures != nil || r.run.GetOutcome() != rigwardenv1.Outcome_OUTCOME_DONE || a.store != "" || time.Now().After(deadline) {
			return r, nil
		}
		t := time.NewTimer(200 * time.Millisecond)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return nil, service.Classify(ctx.Err())
		}
	}
}
