package service

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func (q queueService) Go(ctx context.Context, r *rigwardenv1.GoQueueRequest) (*rigwardenv1.QueueResponse, error) {
	l, err := q.line(r.GetBench())
	if err != nil {
		return nil, err
	}
	if err := mustName(r.GetWho()); err != nil {
		return nil, err
	}
	back, err := q.s.enabled(ctx, r.GetBench(), "going on with the queue")
	if err != nil {
		return nil, err
	}
	out, err := l.letGo(ctx, r)
	back(err)
	return out, err
}

func (l *line) letGo(ctx context.Context, r *rigwardenv1.GoQueueRequest) (*rigwardenv1.QueueResponse, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case len(l.q.Entries) == 0:
		return nil, &Error{Kind: KindNotRunning, What: fmt.Sprintf("the queue of %s is empty", l.q.Bench), Want: "rigwarden queue add"}
	case l.q.Held == "":
		return nil, &Error{Kind: KindNotRunning, What: fmt.Sprintf("the queue of %s is not held", l.q.Bench), Want: "rigwarden queue list tells what it waits for"}
	}
	if c := r.GetConnected(); c != "" {
		if _, err := l.s.Store.Module(c); err != nil {
			return nil, unknown(err, "registered module", c, "register it first: rigwarden module add FILE")
		}
	}
	if st := l.served.Bench.Status(); st.Latched != "" {
		return nil, free(st)
	}
	l.who, l.checked = r.GetWho(), r.GetChecked()
	if err := l.change("go", r.GetConnected(), func(q *store.Queue) {
		q.Held, q.HeldAt = "", 0
		if c := r.GetConnected(); c != "" && c != q.Connected {
			q.Connected, q.Unstored = c, false
		}
	}); err != nil {
		return nil, err
	}
	return l.went(ctx)
}

// went goes on in a person's call, who then hears what stands against it.
func (l *line) went(ctx context.Context) (*rigwardenv1.QueueResponse, error) {
	l.advance(context.WithoutCancel(ctx))
	if l.q.Held != "" {
		return nil, &Error{Kind: KindRefused, What: "the queue is held again", Where: l.q.Held, Want: "put it right, then: rigwarden queue go " + l.q.Bench}
	}
	return l.answered(nil)
}

func (q queueService) Answer(ctx context.Context, r *rigwardenv1.AnswerQueueRequest) (*rigwardenv1.QueueResponse, error) {
	l, err := q.line(r.GetBench())
	if err != nil {
		return nil, err
	}
	if err := mustName(r.GetWho()); err != nil {
		return nil, err
	}
	back, err := q.s.enabled(ctx, r.GetBench(), "answering the queue")
	if err != nil {
		return nil, err
	}
	out, err := l.answer(ctx, r)
	back(err)
	return out, err
}

func (l *line) answer(ctx context.Context, r *rigwardenv1.AnswerQueueRequest) (*rigwardenv1.QueueResponse, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.q.Entries) == 0 || l.q.Entries[0].State != queueAsking {
		return nil, &Error{Kind: KindNotRunning, What: fmt.Sprintf("the queue of %s asks nobody", l.q.Bench), Want: "rigwarden queue list tells what it waits for"}
	}
	e := l.q.Entries[0]
	if r.GetModule() != e.Module {
		return nil, &Error{
			Kind: KindRefused, What: fmt.Sprintf("%s asks for module %q, and %q is said to be connected", e.ID, e.Module, r.GetModule()),
			Want: "read the serial off the nameplate; the module that is asked for would be right",
		}
	}
	if err := l.stillSafe(r); err != nil {
		return nil, err
	}
	l.who, l.checked = r.GetWho(), r.GetChecked()
	if err := l.change("answer", e.ID+" "+r.GetModule(), func(q *store.Queue) {
		if e.Ask != "" {
			q.Entries = q.Entries[1:]
			return
		}
		q.Entries[0].State, q.Entries[0].Question = queueWaiting, ""
		q.Connected, q.Unstored = e.Module, false
	}); err != nil {
		return nil, err
	}
	return l.went(ctx)
}

// linkMost is what a hand meter may read at a link that somebody works on.
const linkMost = 60 * drivers.Volt

// stillSafe wants the bench as it was when the question was put: measured so, or
// read by a meter where the bench itself has no reading (INV-02).
func (l *line) stillSafe(r *rigwardenv1.AnswerQueueRequest) error {
	why := l.untouchable()
	switch {
	case why == "":
		return nil
	case why != machine.NothingMeasured:
		return &Error{Kind: KindRefused, What: "the bench is not safe to touch: " + why, Want: "keep away, and see why: rigwarden bench show " + l.q.Bench}
	case r.LinkUv == nil:
		return &Error{Kind: KindRefused, What: "nothing was measured since the orchestrator started", Want: `what a hand meter reads at the link: --link "... V"`}
	case r.GetLinkUv() >= int64(linkMost) || r.GetLinkUv() <= -int64(linkMost):
		return &Error{Kind: KindRefused, What: fmt.Sprintf("the link has %v", drivers.Microvolts(r.GetLinkUv())), Want: fmt.Sprintf("under %v; keep away and find out what feeds it", linkMost)}
	}
	return nil
}
