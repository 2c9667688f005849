package service

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/proof"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
)

// proved refuses a run with nobody beside it where bench or profile demand a proof
// of protections that is no older than they say, or the article is a real one, and
// the store has none for this bench file and this module file.
func (s *Server) proved(plan *machine.Plan, prof *profiles.Profile, b *profiles.Bench, start drivers.Instant) error {
	within := proofWithin(plan, prof, b)
	if within == 0 || prof.Attended || !energises(plan) {
		return nil
	}
	d := proof.Demand{BenchDigest: b.Digest, ModuleDigest: plan.ModuleDigest, Maps: proof.MapsOf(&plan.Bench), Within: within, Now: start}
	lacks, err := s.proofFor(d, b.Name, plan.Module)
	if err != nil || lacks == "" {
		return err
	}
	return &Error{
		Kind: KindRefused, What: fmt.Sprintf("bench %s with module %s is not to run with nobody beside it: no proof of its protections holds", b.Name, plan.Module),
		Where: lacks, Want: fmt.Sprintf("prove them: rigwarden prove --bench %s --module %s", b.Name, plan.Module),
	}
}

// proofFor looks for a proof that a demand is content with, the latest first, and
// returns empty, or why the latest is none. Only runs of profiles that prove
// something are read.
func (s *Server) proofFor(d proof.Demand, bench, module string) (string, error) {
	runs, err := s.Store.Runs(store.RunFilter{Bench: bench, Module: module})
	if err != nil {
		return "", err
	}
	for i := len(runs) - 1; i >= 0; i-- {
		r, err := ProofOf(s.Store, runs[i])
		if err != nil {
			return "", err
		}
		if r == nil {
			continue
		}
		// The latest decides: what has failed since is not proved by an older one.
		return d.Lacks(r), nil
	}
	return "none was made", nil
}

// ProofOf reads the proof out of a stored run; nil where its plan proves nothing.
func ProofOf(st *store.Store, info store.RunInfo) (*proof.Report, error) {
	text, err := st.Plan(info.ID)
	if err != nil {
		return nil, err
	}
	plan, err := profiles.Decode(text)
	if err != nil {
		return nil, fmt.Errorf("run %s: %w", info.ID, err)
	}
	if !proof.Plans(plan) {
		return nil, nil
	}
	r := proof.NewReader(plan)
	if err := st.Events(info.ID, 0, func(e store.Event) error {
		r.Line(e.Line)
		return nil
	}); err != nil {
		return nil, err
	}
	return r.Report(proof.Run{
		ID: info.ID, Bench: info.Bench, Module: info.Module, Profile: info.Profile, PlanDigest: info.PlanDigest, Who: info.Who,
		Start: info.Start, Outcome: info.Outcome, Reason: info.Reason, Virtual: info.Virtual,
	}), nil
}
