package service

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// entriesMost bounds a queue; askMost what a step for a person may say.
const (
	entriesMost = 64
	askMost     = 400
)

// QueueNotice is what people who are away are told of a queue.
type QueueNotice struct {
	Bench, Run, Module, Text string
	Asks                     bool // a person is asked; else the queue is held
}

func (s *Server) queueTold(n QueueNotice) {
	if s.QueueTold != nil {
		s.QueueTold(n)
	}
}

// Unjudged says that no verdict on a run will come.
func (s *Server) Unjudged(run string) { s.queueHears(queueNews{run: run, verdict: unjudged}) }

// queueHears passes news of a run to the queue of its bench.
func (s *Server) queueHears(n queueNews) {
	info, err := s.Store.Run(n.run)
	if err != nil {
		return // a run that cannot be read is in no queue
	}
	if l, ok := s.lines[info.Bench]; ok {
		l.tell(n)
	}
}

// startedAnew is why a queue that is found at start is held.
const startedAnew = "the orchestrator was started anew; nothing energises by itself (INV-06)"

// openLines takes the queues of the benches out of the store, each held.
func (s *Server) openLines() {
	s.lines = map[string]*line{}
	if s.Store == nil || s.ReadOnly {
		return
	}
	for name, b := range s.benches {
		l := &line{s: s, served: b, kick: make(chan struct{}, 1)}
		l.q = store.Queue{Bench: name}
		q, err := s.Store.Queue(name)
		if err != nil {
			l.q.Held = err.Error()
		} else {
			l.found(q)
		}
		s.lines[name] = l
	}
}

// found makes a stored queue one that is held. What was connected may not be any
// more; a run that was under way is over.
func (l *line) found(q store.Queue) {
	l.q = q
	l.q.Connected, l.q.Unstored = "", false
	if len(q.Entries) == 0 {
		l.q.Held = ""
		return
	}
	why := startedAnew
	if q.Held != "" && !strings.Contains(q.Held, startedAnew) {
		why = q.Held + "\nand " + startedAnew
	}
	first := &l.q.Entries[0]
	if first.Run != "" {
		why = fmt.Sprintf("run %s (%s for %s) was under way or just over then: see rigwarden run show %s; %s", first.Run, first.Profile, first.Module, first.Run, why)
		l.q.Entries = l.q.Entries[1:]
	} else {
		first.State, first.Question = queueWaiting, ""
	}
	l.q.Held, l.q.HeldAt = why, l.s.now()
}

// goesBy refuses a start beside a queue that goes.
func (s *Server) goesBy(bench string) error {
	l, ok := s.lines[bench]
	if !ok {
		return nil
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.q.Held != "" || len(l.q.Entries) == 0 {
		return nil
	}
	return &Error{
		Kind: KindBusy, What: fmt.Sprintf("the queue of bench %s is going", bench), Where: fmt.Sprintf("at %s", l.q.Entries[0].ID),
		Want: "add the run to it, or hold it first: rigwarden queue hold " + bench,
	}
}

type queueService struct {
	rigwardenv1.UnimplementedQueuesServer
	s *Server
}

func (q queueService) line(bench string) (*line, error) {
	if _, err := q.s.writing(); err != nil {
		return nil, err
	}
	if _, err := q.s.bench(bench); err != nil {
		return nil, err
	}
	return q.s.lines[bench], nil
}

// mustName wants a person's name behind what moves a queue.
func mustName(who string) error {
	if strings.TrimSpace(who) == "" {
		return &Error{Kind: KindInvalid, What: "no name given", Want: "--who NAME"}
	}
	return nil
}

func (q queueService) Add(ctx context.Context, r *rigwardenv1.AddQueueRequest) (*rigwardenv1.QueueResponse, error) {
	l, err := q.line(r.GetBench())
	if err != nil {
		return nil, err
	}
	e := store.QueueEntry{State: queueWaiting, Who: r.GetWho(), Added: q.s.now()}
	var texts [][]byte
	if r.GetAsk() != "" {
		if r.GetModule() != "" || r.GetProfile() != nil || r.GetCriteria() != nil || len(r.GetAsk()) > askMost {
			return nil, &Error{Kind: KindInvalid, What: "a step for a person has a text alone", Want: fmt.Sprintf("no module, profile or criteria, and at most %d bytes", askMost)}
		}
		e.Ask = strings.Join(strings.Fields(r.GetAsk()), " ")
	} else {
		job, err := q.s.readied(&rigwardenv1.StartRunRequest{Bench: r.GetBench(), Module: r.GetModule(), Profile: r.GetProfile(), Criteria: r.GetCriteria(), Who: r.GetWho()}, l.served)
		if err != nil {
			return nil, err
		}
		e.Module = job.kept.Serial
		e.Profile, e.ProfileSum = job.prof.name, store.TextSum(job.prof.text)
		e.Criteria, e.CriteriaSum = job.crit.name, store.TextSum(job.crit.text)
		texts = [][]byte{job.prof.text, job.crit.text}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.mayChange(ctx); err != nil {
		return nil, err
	}
	if len(l.q.Entries) >= entriesMost {
		return nil, &Error{Kind: KindRefused, What: fmt.Sprintf("the queue of %s has %d entries", l.q.Bench, entriesMost), Want: "add more once some are done"}
	}
	return l.answered(l.changeBy(r.GetWho(), "add", cmp.Or(e.Ask, e.Profile+" for "+e.Module), func(q *store.Queue) {
		q.Last++
		e.ID = entryID(q.Last)
		if len(q.Entries) == 0 && q.Held == "" {
			q.Held, q.HeldAt = "nobody has let it go yet", e.Added
		}
		q.Entries = append(q.Entries, e)
	}, texts...))
}

// mayChange wants a local enable for changes to a queue that goes: what is put in,
// or comes first by what is taken out, begins by itself. A held one is looked at by
// whoever lets it go.
func (l *line) mayChange(ctx context.Context) error {
	if l.q.Held != "" || len(l.q.Entries) == 0 {
		return nil
	}
	_, err := l.s.enabled(ctx, l.q.Bench, "changing a queue that goes")
	return err
}

// changeBy is change by a person who does not thereby let anything go.
func (l *line) changeBy(who, what, text string, fn func(*store.Queue), texts ...[]byte) error {
	was := l.who
	defer func() { l.who = was }()
	l.who = who
	return l.change(what, text, fn, texts...)
}

func (l *line) answered(err error) (*rigwardenv1.QueueResponse, error) {
	if err != nil {
		return nil, err
	}
	l.wake()
	return &rigwardenv1.QueueResponse{Queue: queueToProto(&l.q, l.unsafe)}, nil
}

// at finds an entry that has not begun.
func (l *line) at(id string) (int, error) {
	i := slices.IndexFunc(l.q.Entries, func(e store.QueueEntry) bool { return e.ID == id })
	switch {
	case i < 0:
		return 0, &Error{Kind: KindNotFound, What: fmt.Sprintf("no entry %q in the queue of %s", id, l.q.Bench), Want: "rigwarden queue list tells the entries"}
	case l.q.Entries[i].Run != "":
		return 0, &Error{Kind: KindBusy, What: fmt.Sprintf("%s has begun as run %s", id, l.q.Entries[i].Run), Want: "rigwarden run stop " + l.q.Entries[i].Run}
	}
	return i, nil
}

func (q queueService) Remove(ctx context.Context, r *rigwardenv1.RemoveQueueRequest) (*rigwardenv1.QueueResponse, error) {
	l, err := q.line(r.GetBench())
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.mayChange(ctx); err != nil {
		return nil, err
	}
	i, err := l.at(r.GetId())
	if err != nil {
		return nil, err
	}
	return l.answered(l.changeBy(r.GetWho(), "remove", r.GetId(), func(q *store.Queue) { q.Entries = slices.Delete(q.Entries, i, i+1) }))
}

func (q queueService) Move(ctx context.Context, r *rigwardenv1.MoveQueueRequest) (*rigwardenv1.QueueResponse, error) {
	l, err := q.line(r.GetBench())
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.mayChange(ctx); err != nil {
		return nil, err
	}
	i, err := l.at(r.GetId())
	if err != nil {
		return nil, err
	}
	begun := 0
	if l.q.Entries[0].Run != "" {
		begun = 1
	}
	to := begun + int(r.GetPlace()) - 1
	if r.GetPlace() == 0 || to >= len(l.q.Entries) {
		return nil, &Error{Kind: KindInvalid, What: fmt.Sprintf("there is no place %d", r.GetPlace()), Want: fmt.Sprintf("1 to %d", len(l.q.Entries)-begun)}
	}
	return l.answered(l.changeBy(r.GetWho(), "move", fmt.Sprintf("%s to place %d", r.GetId(), r.GetPlace()), func(q *store.Queue) {
		e := q.Entries[i]
		q.Entries = slices.Insert(slices.Delete(q.Entries, i, i+1), to, e)
		for k := range q.Entries { // whoever was asked is asked anew, of what is first now
			if q.Entries[k].State == queueAsking {
				q.Entries[k].State, q.Entries[k].Question = queueWaiting, ""
			}
		}
	}))
}

func (q queueService) Hold(_ context.Context, r *rigwardenv1.HoldQueueRequest) (*rigwardenv1.QueueResponse, error) {
	l, err := q.line(r.GetBench())
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	why := "by " + cmp.Or(r.GetWho(), "somebody")
	if r.GetReason() != "" {
		why += ": " + r.GetReason()
	}
	if l.q.Held == "" {
		l.hold(why)
	}
	return l.answered(nil)
}
