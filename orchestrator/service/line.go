package service

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// States of a queue's entries, as they are stored.
const (
	queueWaiting = "waiting"
	queueAsking  = "asking"
	queueRunning = "running"
	queueJudging = "judging" // the run is done, its verdict is waited for
)

// line is one bench's queue in the process that works it. What lets something
// begin is stored first; a hold counts first and is stored after.
type line struct {
	s      *Server
	served Served

	mu sync.Mutex
	q  store.Queue
	// unsafe is what making the bench safe to touch still waits for.
	unsafe string
	// who let the queue go on last.
	who string
	// checked are the points of the safety checklist that were looked at then.
	checked []string

	kick  chan struct{}
	inbox sync.Mutex
	news  []queueNews
}

// queueNews is what happened to a run, from goroutines that must not wait.
type queueNews struct {
	run, module string
	ended       bool
	outcome     machine.Outcome
	reason      string
	verdict     string
	manual      bool // a person started it beside the queue
}

// unjudged stands for the verdict that will not come.
const unjudged = "unjudged"

// tell hands news over; it never waits for the queue.
func (l *line) tell(n queueNews) {
	l.inbox.Lock()
	l.news = append(l.news, n)
	l.inbox.Unlock()
	l.wake()
}

func (l *line) wake() {
	select {
	case l.kick <- struct{}{}:
	default:
	}
}

// Queues works the queues of all benches until ctx ends.
func (s *Server) Queues(ctx context.Context) {
	var work sync.WaitGroup
	for _, l := range s.lines {
		work.Go(func() { l.work(ctx) })
	}
	work.Wait()
}

func (l *line) work(ctx context.Context) {
	updates, end := l.served.Bench.Subscribe()
	defer end()
	for {
		select {
		case <-ctx.Done():
			return
		case _, open := <-updates:
			if !open {
				updates = nil
				continue
			}
			l.mu.Lock()
			waits := l.unsafe != ""
			l.mu.Unlock()
			if !waits {
				continue
			}
		case <-l.kick:
		}
		l.mu.Lock()
		l.advance(ctx)
		l.mu.Unlock()
	}
}

// advance takes in what happened and does what can be done now; l.mu is held.
func (l *line) advance(ctx context.Context) {
	l.inbox.Lock()
	news := l.news
	l.news = nil
	l.inbox.Unlock()
	for _, n := range news {
		l.heard(n)
	}
	for l.q.Held == "" && len(l.q.Entries) > 0 && l.step(ctx) {
	}
}

// step does one thing for the first entry, and says whether another may follow.
func (l *line) step(ctx context.Context) bool {
	e := &l.q.Entries[0]
	if e.State != queueWaiting {
		return false
	}
	if e.Ask == "" && e.Module == l.q.Connected {
		if err := l.begin(ctx, *e); err != nil {
			l.hold(fmt.Sprintf("%s (%s for %s) could not begin: %s", e.ID, e.Profile, e.Module, whole(err)))
		}
		return false
	}
	l.unsafe = l.untouchable()
	if l.unsafe != "" && l.unsafe != machine.NothingMeasured {
		return false
	}
	byHand := l.unsafe != ""
	l.unsafe = ""
	text := l.question(e, byHand)
	if err := l.change("ask", e.ID+": "+text, func(q *store.Queue) {
		q.Entries[0].State, q.Entries[0].Question = queueAsking, text
	}); err != nil {
		l.hold("the queue cannot be stored: " + err.Error())
		return false
	}
	l.s.queueTold(QueueNotice{Bench: l.q.Bench, Module: e.Module, Text: text, Asks: true})
	return false
}

// whole is an error with all its problems, in a line.
func whole(err error) string {
	e := Classify(err)
	text := e.Error()
	for _, p := range e.Problems {
		text += "; " + p.String()
	}
	return text
}

// change stores the queue as fn makes it, and only then takes it over.
func (l *line) change(what, text string, fn func(*store.Queue), texts ...[]byte) error {
	q := l.q
	q.Entries = slices.Clone(q.Entries)
	fn(&q)
	a := store.Audit{At: l.s.now(), Who: l.who, What: "queue " + what, Text: text}
	if len(q.Entries) > 0 {
		a.Run = q.Entries[0].Run
	}
	if err := l.s.Store.PutQueue(q, a, texts...); err != nil {
		return err
	}
	l.q = q
	return nil
}

// hold lets nothing more begin. It counts even where it cannot be stored: a queue
// that is found at start is held anyway.
func (l *line) hold(why string) {
	at := l.s.now()
	held := func(q *store.Queue) {
		q.Held, q.HeldAt = why, at
		if len(q.Entries) > 0 && q.Entries[0].State == queueAsking {
			q.Entries[0].State, q.Entries[0].Question = queueWaiting, ""
		}
	}
	l.unsafe = ""
	if err := l.change("hold", why, held); err != nil {
		l.q.Entries = slices.Clone(l.q.Entries)
		held(&l.q)
	}
	n := QueueNotice{Bench: l.q.Bench, Module: l.q.Connected, Text: "the queue is held: " + why}
	if len(l.q.Entries) > 0 {
		n.Run = l.q.Entries[0].Run
	}
	l.s.queueTold(n)
}

// begin starts the first entry's run. That it begins is in the queue's record
// before anything energises: what is found there after a crash has begun.
func (l *line) begin(ctx context.Context, e store.QueueEntry) error {
	q := &rigwardenv1.StartRunRequest{Bench: l.q.Bench, Module: e.Module, Who: l.who, Checked: l.checked}
	prof, err := l.s.Store.QueueText(e.ProfileSum)
	if err != nil {
		return err
	}
	crit, err := l.s.Store.QueueText(e.CriteriaSum)
	if err != nil {
		return err
	}
	q.Profile, q.Criteria = fileOf(e.Profile, prof), fileOf(e.Criteria, crit)
	_, err = l.s.start(ctx, l.s.Store, l.served, q, func(run string, plan *machine.Plan) error {
		return l.change("begin", e.ID+": run "+run, func(q *store.Queue) {
			q.Entries[0].State, q.Entries[0].Run = queueRunning, run
			q.Unstored = q.Unstored || energises(plan)
		})
	})
	if err != nil && l.q.Entries[0].State == queueRunning {
		// The bench refused what was recorded as begun.
		return errors.Join(err, l.change("refused", e.ID, func(q *store.Queue) {
			q.Entries[0].State, q.Entries[0].Run = queueWaiting, ""
		}))
	}
	return err
}

func fileOf(name string, text []byte) *rigwardenv1.Source {
	return &rigwardenv1.Source{Source: &rigwardenv1.Source_File{File: &rigwardenv1.SourceFile{Name: name, Content: text}}}
}

// heard takes in one piece of news.
func (l *line) heard(n queueNews) {
	if n.manual {
		l.q.Connected, l.q.Unstored = n.module, true // forgotten at the end of the process anyway
		return
	}
	if len(l.q.Entries) == 0 || l.q.Entries[0].Run != n.run || n.run == "" {
		return
	}
	e := l.q.Entries[0]
	switch {
	case n.ended && n.outcome == machine.OutcomeDone:
		stored := l.endsStored(e)
		if err := l.change("done", e.ID+": run "+e.Run, func(q *store.Queue) {
			q.Entries[0].State = queueJudging
			q.Unstored = q.Unstored && !stored
		}); err != nil {
			l.hold("the queue cannot be stored: " + err.Error())
		}
	case n.ended:
		l.leave(e, fmt.Sprintf("run %s (%s for %s) ended %s", e.Run, e.Profile, e.Module, n.outcome), n.reason, qualify.SetAside(e.Module, n.outcome, ""))
	case n.verdict == unjudged:
		l.leave(e, fmt.Sprintf("nobody could judge run %s of %s", e.Run, e.Module), "look at it: rigwarden run show "+e.Run, "")
	default:
		why := ""
		if n.verdict == "fail" || n.verdict == "conditional fail" {
			why = fmt.Sprintf("module %s: %s by run %s", e.Module, n.verdict, e.Run)
		}
		l.leave(e, why, "", qualify.SetAside(e.Module, "", qualify.Decision(n.verdict)))
	}
}

// leave takes a finished entry out; why, where given, holds the queue. A module
// that is to be exchanged, or the last one, is first brought to storage level,
// where its last run did not leave it there.
func (l *line) leave(e store.QueueEntry, why, more, todo string) {
	var auto *store.QueueEntry
	var texts [][]byte
	if why == "" && l.q.Unstored && l.q.Connected == e.Module && !l.returns(e.Module) {
		a, t, err := l.storage(e.Module)
		if err != nil {
			why = "module " + e.Module + " cannot be brought to its storage level: " + whole(err)
		} else {
			auto, texts = &a, t
		}
	}
	err := l.change("leave", e.ID, func(q *store.Queue) {
		q.Entries = q.Entries[1:]
		if auto != nil {
			q.Last++
			auto.ID = entryID(q.Last)
			q.Entries = slices.Insert(q.Entries, 0, *auto)
		}
	}, texts...)
	if err != nil && why == "" {
		why = "the queue cannot be stored: " + err.Error()
	}
	if why == "" {
		return
	}
	if more != "" {
		why += ": " + more
	}
	if todo != "" {
		why += "\n" + todo
	}
	l.hold(why)
}

// returns says that the next run behind the first entry is of the same module.
func (l *line) returns(module string) bool {
	for _, e := range l.q.Entries[1:] {
		if e.Ask == "" {
			return e.Module == module
		}
	}
	return false
}

// storageProfile is the shipped profile that ends at the storage level.
const storageProfile = "storage"

func (l *line) storage(module string) (e store.QueueEntry, texts [][]byte, err error) {
	e = store.QueueEntry{Module: module, Automatic: true, State: queueWaiting, Who: l.who, Added: l.s.now()}
	prof, err := shipped(rigwardenv1.Library_LIBRARY_PROFILE, storageProfile)
	if err != nil {
		return e, nil, err
	}
	crit, err := shipped(rigwardenv1.Library_LIBRARY_CRITERIA, DefaultCriteria)
	if err != nil {
		return e, nil, err
	}
	e.Profile, e.ProfileSum = prof.name, store.TextSum(prof.text)
	e.Criteria, e.CriteriaSum = crit.name, store.TextSum(crit.text)
	return e, [][]byte{prof.text, crit.text}, nil
}

func (l *line) endsStored(e store.QueueEntry) bool {
	text, err := l.s.Store.QueueText(e.ProfileSum)
	if err != nil {
		return false
	}
	p, ps := profiles.ParseProfile(e.Profile, text)
	return len(ps) == 0 && p.EndsStored()
}

func entryID(n uint32) string { return fmt.Sprintf("q%04d", n) }

// oldMost is how old a real bench's frame may be when a person is told that the
// bench is safe to touch (INV-02).
const oldMost = 2 * drivers.Second

// untouchable says what stands against working at the bench's terminals now.
func (l *line) untouchable() string {
	st := l.served.Bench.Status()
	if st.Layout == nil {
		return machine.NothingMeasured
	}
	if age := l.s.now().Sub(st.Frame.At); !l.served.Virtual && age > oldMost {
		return fmt.Sprintf("the latest frame is %d s old", age/drivers.Second)
	}
	return st.View.Unsafe
}

// question is what a person is told to do, once the bench is safe to touch.
func (l *line) question(e *store.QueueEntry, byHand bool) string {
	safe := "Outputs read off and the contactors open"
	if byHand {
		safe = "Every output and contactor was told to go off, and nothing was measured since: measure the link with a meter before anybody touches it, under 60 V d.c. would be right"
	} else if v, ok := l.reads(drivers.LinkVoltage); ok {
		safe += fmt.Sprintf("; the link reads %s", tenth(v))
	}
	live := "Any module is live and cannot be switched off"
	if v, ok := l.reads(drivers.ModuleVoltage); ok && l.q.Connected != "" && !byHand {
		live = fmt.Sprintf("Module %s itself stays live: %s d.c. at its terminals, and it cannot be switched off", l.q.Connected, tenth(v))
	}
	do, answer := e.Ask, "rigwarden queue answer "+l.q.Bench
	if e.Ask == "" {
		do = "connect module " + e.Module
		if l.q.Connected != "" {
			do = "disconnect module " + l.q.Connected + ", cover its terminals, and " + do
		}
		answer += " --module " + e.Module
	}
	if byHand {
		answer += ` --link "... V"`
	}
	return fmt.Sprintf("%s. %s. With insulated tools: %s. Then: %s", safe, live, do, answer)
}

// tenth is a voltage as people need it who work near it.
func tenth(v drivers.Microvolts) string { return fmt.Sprintf("%.1f V", float64(v)/1e6) }

func (l *line) reads(q drivers.Kind) (drivers.Microvolts, bool) {
	st := l.served.Bench.Status()
	if st.Layout == nil || len(st.Frame.Counts) != len(st.Layout.Channels) {
		return 0, false
	}
	i := st.Layout.Find(q)
	if i < 0 || st.Frame.Counts[i] == drivers.NoReading {
		return 0, false
	}
	return drivers.Microvolts(st.Layout.Channels[i].Scale.Value(st.Frame.Counts[i])), true
}
