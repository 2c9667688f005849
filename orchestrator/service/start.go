package service

import (
	"context"
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Start compiles, records and starts, in this order: a run that the bench then
// refuses stands in the record as refused, and none runs unrecorded (INV-07).
func (r runService) Start(ctx context.Context, q *rigwardenv1.StartRunRequest) (*rigwardenv1.StartRunResponse, error) {
	st, err := r.s.writing()
	if err != nil {
		return nil, err
	}
	served, err := r.s.bench(q.GetBench())
	if err != nil {
		return nil, err
	}
	back, err := r.s.enabled(ctx, q.GetBench(), "starting a run")
	if err != nil {
		return nil, err
	}
	out, err := r.manual(ctx, st, served, q)
	back(err)
	return out, err
}

// manual starts a run beside the queue, which then knows what is connected.
func (r runService) manual(ctx context.Context, st *store.Store, served Served, q *rigwardenv1.StartRunRequest) (*rigwardenv1.StartRunResponse, error) {
	if err := r.s.goesBy(q.GetBench()); err != nil {
		return nil, err
	}
	out, err := r.s.start(ctx, st, served, q, nil)
	if err == nil {
		r.s.queueHears(queueNews{run: out.GetRun().GetId(), module: q.GetModule(), manual: true})
	}
	return out, err
}

// start is Start once everybody who has a say has had it. begun, where given, is
// told between record and bench, and may refuse.
func (s *Server) start(ctx context.Context, st *store.Store, served Served, q *rigwardenv1.StartRunRequest, begun func(run string, plan *machine.Plan) error) (*rigwardenv1.StartRunResponse, error) {
	job, err := s.prepare(q, served)
	if err != nil {
		return nil, err
	}
	s.starting.Lock()
	defer s.starting.Unlock()
	if err := free(served.Bench.Status()); err != nil {
		return nil, err
	}
	rec, err := st.Begin(job.record)
	if err != nil {
		return nil, err
	}
	if job.looked != "" {
		err = st.Note(store.Audit{At: s.now(), Who: q.GetWho(), Bench: q.GetBench(), Run: rec.ID(), What: "checked", Text: job.looked})
	}
	if err == nil && begun != nil {
		err = begun(rec.ID(), job.plan)
	}
	if err == nil {
		err = served.Bench.Start(context.WithoutCancel(ctx), bench.StartRequest{
			Run: rec.ID(), Plan: job.plan, PlanDigest: job.record.PlanDigest,
			Journal: rec, Planner: job.planner, Who: q.GetWho(),
			Finished: func(e bench.Ending) { s.finished(rec, e) },
		})
	}
	if err != nil {
		return nil, errors.Join(err, rec.Finish(machine.OutcomeRefused, err.Error(), job.record.Start))
	}
	info, err := st.Run(rec.ID())
	return &rigwardenv1.StartRunResponse{Run: runToProto(info), Preview: job.preview}, err
}

// free says why a bench cannot take a run now.
func free(st bench.Status) error {
	if st.Latched != "" {
		return fmt.Errorf("%w: %s", bench.ErrLatched, st.Latched)
	}
	switch st.View.Phase {
	case "", machine.PhaseIdle, machine.PhaseWatching:
		return nil // a bench watches for an hour after each run, and may start anew
	}
	return &Error{
		Kind: KindBusy, What: fmt.Sprintf("bench %s is busy", st.Bench), Where: fmt.Sprintf("run %s is %s", st.View.Run, st.View.Phase),
		Want: "wait for it, or stop it: rigwarden run stop " + st.View.Run, err: bench.ErrBusy,
	}
}

// finished is called from the bench's goroutine once a run is over.
func (s *Server) finished(rec *store.Recorder, e bench.Ending) {
	// A failure here is not lost: a run without a recorded end is found and
	// marked interrupted when the store is opened next.
	if err := rec.Finish(e.Outcome, e.Reason, e.At); err != nil && !errors.Is(err, store.ErrEnded) {
		return
	}
	s.queueHears(queueNews{run: rec.ID(), ended: true, outcome: e.Outcome, reason: e.Reason})
	if s.Ended != nil {
		s.Ended(rec.ID())
	}
}

// job is a run made ready to begin.
type job struct {
	ready
	looked  string // what the record says of the safety checklist
	planner bench.Planner
	record  store.Run
	preview *rigwardenv1.Preview
}

// ready is a request whose files were read and compiled without a mistake.
type ready struct {
	kept       store.Module
	prof, crit source
	plan       *machine.Plan
	parsed     *profiles.Module
}

// readied reads every file of a request and compiles the plan.
func (s *Server) readied(q *rigwardenv1.StartRunRequest, served Served) (ready, error) {
	r, err := ready{}, error(nil)
	if r.kept, err = s.Store.Module(q.GetModule()); err != nil {
		return r, unknown(err, "registered module", q.GetModule(), "register it first: rigwarden module add FILE")
	}
	if r.prof, err = s.source(q.GetProfile(), rigwardenv1.Library_LIBRARY_PROFILE, DefaultProfile); err != nil {
		return r, err
	}
	if r.crit, err = s.source(q.GetCriteria(), rigwardenv1.Library_LIBRARY_CRITERIA, DefaultCriteria); err != nil {
		return r, err
	}
	if _, ps := profiles.ParseCriteria(r.crit.name, r.crit.text); len(ps) > 0 {
		return r, mistakes(r.crit.name, ps)
	}
	mod := source{name: r.kept.Serial + ".yaml", text: []byte(r.kept.Source)}
	plan, ps := compile(r.prof, mod, served.source())
	if len(ps) > 0 {
		return r, mistakes(r.prof.name+" for "+r.kept.Serial+" on "+served.Bench.Name(), ps)
	}
	r.plan = plan
	if r.parsed, ps = profiles.ParseModule(mod.name, mod.text); len(ps) > 0 {
		return r, mistakes(mod.name, ps)
	}
	return r, nil
}

// prepare makes a request ready, and holds it against first checks and proofs.
func (s *Server) prepare(q *rigwardenv1.StartRunRequest, served Served) (*job, error) {
	r, err := s.readied(q, served)
	if err != nil {
		return nil, err
	}
	start := s.now()
	if at := served.Bench.Status().View.At; served.Virtual && at > 0 {
		start = at
	}
	looked, err := s.checkedFirst(r.plan, r.parsed, r.prof, served, start, q.GetChecked())
	if err != nil {
		return nil, err
	}
	planner, err := s.Planner(r.plan, r.parsed)
	if err != nil {
		return nil, err
	}
	canonical, digest, err := profiles.Canonical(r.plan)
	if err != nil {
		return nil, err
	}
	view, err := preview(r.plan)
	if err != nil {
		return nil, err
	}
	return &job{ready: r, looked: looked, planner: planner, preview: view, record: store.Run{
		Bench: served.Bench.Name(), Module: r.kept.Serial, Profile: r.plan.Profile,
		Layout: &r.plan.Layout, Plan: canonical, PlanDigest: digest,
		Criteria: string(r.crit.text), Start: start, Who: q.GetWho(), Virtual: served.Virtual,
	}}, nil
}

// checkedFirst holds the module's first checks and the bench's proof against what
// the files demand, and the safety checklist.
func (s *Server) checkedFirst(plan *machine.Plan, mod *profiles.Module, prof source, served Served, start drivers.Instant, checked []string) (looked string, err error) {
	p, ps := profiles.ParseProfile(prof.name, prof.text)
	if len(ps) > 0 {
		return "", mistakes(prof.name, ps)
	}
	b, ps := profiles.ParseBench(served.File, served.Text)
	if len(ps) > 0 {
		return "", mistakes(served.File, ps)
	}
	// Nothing stands in for an insulation monitor in virtual time.
	if err := s.trusted(plan, mod, p.Attended, b.Insulation != nil && !served.Virtual); err != nil {
		return "", err
	}
	if err := s.proved(plan, p, b, start); err != nil {
		return "", err
	}
	return lookedAt(plan, p, b, mod, checked)
}
