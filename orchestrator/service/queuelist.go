package service

import (
	"context"
	"slices"

	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func (q queueService) List(_ context.Context, r *rigwardenv1.ListQueuesRequest) (*rigwardenv1.ListQueuesResponse, error) {
	st, err := q.s.reading()
	if err != nil {
		return nil, err
	}
	names, err := st.QueueBenches()
	if err != nil {
		return nil, err
	}
	for name := range q.s.lines {
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	if b := r.GetBench(); b != "" {
		if !slices.Contains(names, b) {
			if _, err := q.s.bench(b); err != nil {
				return nil, err
			}
		}
		names = []string{b}
	}
	out := &rigwardenv1.ListQueuesResponse{}
	for _, name := range names {
		if l, ok := q.s.lines[name]; ok {
			l.mu.Lock()
			out.Queues = append(out.Queues, queueToProto(&l.q, l.unsafe))
			l.mu.Unlock()
			continue
		}
		kept, err := st.Queue(name) // of a bench that nobody serves here
		if err != nil {
			return nil, err
		}
		kept.Connected, kept.Unstored = "", false // nobody has looked since
		out.Queues = append(out.Queues, queueToProto(&kept, ""))
	}
	return out, nil
}

var queueStates = map[string]rigwardenv1.QueueState{
	queueWaiting: rigwardenv1.QueueState_QUEUE_STATE_WAITING, queueAsking: rigwardenv1.QueueState_QUEUE_STATE_ASKING,
	queueRunning: rigwardenv1.QueueState_QUEUE_STATE_RUNNING, queueJudging: rigwardenv1.QueueState_QUEUE_STATE_JUDGING,
}

func queueToProto(q *store.Queue, unsafe string) *rigwardenv1.Queue {
	m := &rigwardenv1.Queue{Bench: q.Bench, Held: q.Held, HeldUs: int64(q.HeldAt), Connected: q.Connected, Unstored: q.Unstored}
	for i, e := range q.Entries {
		p := &rigwardenv1.QueueEntry{
			Id: e.ID, Module: e.Module, Profile: e.Profile, Criteria: e.Criteria, Ask: e.Ask, State: queueStates[e.State],
			Question: e.Question, Run: e.Run, Who: e.Who, AddedUs: int64(e.Added), Automatic: e.Automatic,
		}
		if i == 0 && unsafe != "" {
			p.State, p.Unsafe = rigwardenv1.QueueState_QUEUE_STATE_MAKING_SAFE, unsafe
		}
		m.Entries = append(m.Entries, p)
	}
	return m
}
