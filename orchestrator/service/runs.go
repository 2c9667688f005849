package service

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

type runService struct {
	rigwardenv1.UnimplementedRunsServer
	s *Server
}

func (r runService) List(_ context.Context, q *rigwardenv1.ListRunsRequest) (*rigwardenv1.ListRunsResponse, error) {
	st, err := r.s.reading()
	if err != nil {
		return nil, err
	}
	limit, err := page(q.GetLimit(), runsDefault)
	if err != nil {
		return nil, err
	}
	all, err := st.Runs(store.RunFilter{Bench: q.GetBench(), Module: q.GetModule()})
	if err != nil {
		return nil, err
	}
	slices.Reverse(all)
	if q.GetBefore() != "" {
		// Identities sort by the order of beginning.
		i, _ := slices.BinarySearchFunc(all, q.GetBefore(), func(r store.RunInfo, id string) int {
			if r.ID >= id {
				return -1
			}
			return 1
		})
		all = all[i:]
	}
	out := &rigwardenv1.ListRunsResponse{More: len(all) > limit}
	for _, info := range all[:min(limit, len(all))] {
		out.Runs = append(out.Runs, runToProto(info))
	}
	return out, nil
}

func (r runService) Get(_ context.Context, q *rigwardenv1.GetRunRequest) (*rigwardenv1.GetRunResponse, error) {
	st, err := r.s.reading()
	if err != nil {
		return nil, err
	}
	info, err := r.s.run(q.GetRun())
	if err != nil {
		return nil, err
	}
	out := &rigwardenv1.GetRunResponse{Run: runToProto(info)}
	if out.Plan, err = st.Plan(info.ID); err != nil {
		return nil, err
	}
	if out.Criteria, err = st.Criteria(info.ID); err != nil {
		return nil, err
	}
	f, err := st.Figures(info.ID)
	switch {
	case errors.Is(err, store.ErrNotFound): // not judged yet
	case err != nil:
		return nil, err
	default:
		out.Figures, out.Reasons, out.Digest = f.Figures, f.Reasons, f.Digest
	}
	return out, nil
}

// run finds a stored run.
func (s *Server) run(id string) (store.RunInfo, error) {
	st, err := s.reading()
	if err != nil {
		return store.RunInfo{}, err
	}
	if id == "" {
		return store.RunInfo{}, &Error{Kind: KindInvalid, What: "no run given", Want: "rigwarden run list tells the runs"}
	}
	info, err := st.Run(id)
	return info, unknown(err, "run", id, "rigwarden run list tells the runs")
}

var outcomes = map[machine.Outcome]rigwardenv1.Outcome{
	"":                         rigwardenv1.Outcome_OUTCOME_RUNNING,
	machine.OutcomeDone:        rigwardenv1.Outcome_OUTCOME_DONE,
	machine.OutcomeFailed:      rigwardenv1.Outcome_OUTCOME_FAILED,
	machine.OutcomeStopped:     rigwardenv1.Outcome_OUTCOME_STOPPED,
	machine.OutcomeTripped:     rigwardenv1.Outcome_OUTCOME_TRIPPED,
	machine.OutcomeInterrupted: rigwardenv1.Outcome_OUTCOME_INTERRUPTED,
	machine.OutcomeRefused:     rigwardenv1.Outcome_OUTCOME_REFUSED,
}

// verdicts gives the stored word of each verdict.
var verdicts = map[rigwardenv1.Verdict]string{
	rigwardenv1.Verdict_VERDICT_UNPROVEN:         store.Unproven,
	rigwardenv1.Verdict_VERDICT_PASS:             "pass",
	rigwardenv1.Verdict_VERDICT_CONDITIONAL_PASS: "conditional pass",
	rigwardenv1.Verdict_VERDICT_CONDITIONAL_FAIL: "conditional fail",
	rigwardenv1.Verdict_VERDICT_FAIL:             "fail",
}

// VerdictToProto gives a verdict's word its place on the wire; a word that is
// none is unproven.
func VerdictToProto(word string) rigwardenv1.Verdict {
	for v, w := range verdicts {
		if w == word {
			return v
		}
	}
	return rigwardenv1.Verdict_VERDICT_UNPROVEN
}

func runToProto(r store.RunInfo) *rigwardenv1.Run {
	return &rigwardenv1.Run{
		Id: r.ID, Bench: r.Bench, Module: r.Module, Profile: r.Profile, Plan: r.PlanDigest, Who: r.Who,
		Virtual: r.Virtual, StartedUs: int64(r.Start), EndedUs: int64(r.End),
		Outcome: outcomes[r.Outcome], Reason: r.Reason,
		Frames: r.Frames, LastFrameUs: int64(r.LastFrame),
		Verdict: VerdictToProto(r.Verdict), Head: r.Head,
	}
}

// PutFigures takes a verdict from the machine itself: it signs a module off, once
// and for good, and lets a queue go on.
func (r runService) PutFigures(ctx context.Context, q *rigwardenv1.PutFiguresRequest) (*rigwardenv1.PutFiguresResponse, error) {
	st, err := r.s.writing()
	if err != nil {
		return nil, err
	}
	if network, local := isLocal(ctx); !local {
		return nil, &Error{
			Kind: KindRefused, What: "a verdict is stored at the machine itself, not over " + network,
			Want: "there, as the orchestrator's user, with its own socket: rigwarden run judge " + q.GetRun(),
		}
	}
	word, ok := verdicts[q.GetVerdict()]
	if !ok {
		return nil, &Error{Kind: KindInvalid, What: "no verdict given", Want: "pass, conditional pass, conditional fail, fail or unproven"}
	}
	if _, err := r.s.run(q.GetRun()); err != nil {
		return nil, err
	}
	if err := st.PutFigures(store.Figures{
		Run: q.GetRun(), Verdict: word, Figures: q.GetFigures(), Reasons: q.GetReasons(), Digest: q.GetDigest(), At: r.s.now(),
	}); err != nil {
		return nil, err
	}
	r.s.queueHears(queueNews{run: q.GetRun(), verdict: word})
	if r.s.Judged != nil {
		info, err := r.s.run(q.GetRun())
		if err != nil {
			return nil, err
		}
		r.s.Judged(info)
	}
	return &rigwardenv1.PutFiguresResponse{}, nil
}

var verbs = map[rigwardenv1.Verb]machine.Verb{
	rigwardenv1.Verb_VERB_PAUSE:       machine.VerbPause,
	rigwardenv1.Verb_VERB_RESUME:      machine.VerbResume,
	rigwardenv1.Verb_VERB_STOP:        machine.VerbStop,
	rigwardenv1.Verb_VERB_CONFIRM:     machine.VerbConfirm,
	rigwardenv1.Verb_VERB_ACKNOWLEDGE: machine.VerbAcknowledge,
}

// commandTimeout bounds how long a bench may take to accept a command.
const commandTimeout = 10 * time.Second

func (r runService) Command(ctx context.Context, q *rigwardenv1.CommandRunRequest) (*rigwardenv1.CommandRunResponse, error) {
	verb, ok := verbs[q.GetVerb()]
	if !ok {
		return nil, &Error{Kind: KindInvalid, What: "no command given", Want: "pause, resume, stop, confirm or acknowledge"}
	}
	if verb == machine.VerbAcknowledge && (strings.TrimSpace(q.GetWho()) == "" || strings.TrimSpace(q.GetReason()) == "") {
		return nil, Classify(bench.ErrNoReason)
	}
	info, err := r.s.run(q.GetRun())
	if err != nil {
		return nil, err
	}
	if r.s.ReadOnly {
		_, err := r.s.writing()
		return nil, err
	}
	served, err := r.s.bench(info.Bench)
	if err != nil {
		return nil, err
	}
	// A latch outlives its run; every other command needs the run under way.
	over := info.Outcome != "" || served.Bench.Status().View.Run != info.ID
	if over && verb != machine.VerbAcknowledge {
		return nil, &Error{
			Kind: KindNotRunning, What: fmt.Sprintf("run %s is not under way", info.ID), Where: fmt.Sprintf("it ended %s", endWord(info)),
			Want: "rigwarden bench list tells which runs are",
		}
	}
	if verb == machine.VerbAcknowledge {
		if err := r.latchedBy(info); err != nil {
			return nil, err
		}
	}
	back := func(error) {}
	if what, needs := needsEnable[verb]; needs {
		if back, err = r.s.enabled(ctx, info.Bench, what); err != nil {
			return nil, err
		}
	}
	// The command is carried out even if the client goes away: a stop that was
	// sent is a stop (INV-13).
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), commandTimeout)
	defer cancel()
	err = served.Bench.Command(ctx, verb, q.GetWho(), q.GetReason())
	back(err)
	return &rigwardenv1.CommandRunResponse{}, err
}

// needsEnable are the commands after which current may flow.
var needsEnable = map[machine.Verb]string{
	machine.VerbResume: "resuming a run", machine.VerbConfirm: "answering a question", machine.VerbAcknowledge: "acknowledging a trip",
}

// latchedBy refuses a reason that is given for another run than the one that
// latched the bench: it would clear what nobody has looked at.
func (r runService) latchedBy(info store.RunInfo) error {
	latch, found, err := r.s.Store.Latch(info.Bench)
	if err != nil {
		return err
	}
	if found && latch.Run != "" && latch.Run != info.ID {
		return &Error{
			Kind: KindRefused, What: fmt.Sprintf("bench %s is latched by run %s, not by %s", info.Bench, latch.Run, info.ID),
			Where: latch.Reason, Want: fmt.Sprintf("make the bench safe, then: rigwarden run acknowledge %s --reason TEXT", latch.Run),
		}
	}
	return nil
}

func endWord(r store.RunInfo) string {
	if r.Outcome == "" {
		return "without a record of its end"
	}
	if r.Reason == "" {
		return string(r.Outcome)
	}
	return string(r.Outcome) + ": " + r.Reason
}
