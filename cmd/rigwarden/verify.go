package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/record"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// verified is what verify found of one run.
type verified struct {
	Run string `json:"run"`
	// Follows says that the record follows from the data, and that neither was
	// changed since.
	Follows bool                `json:"follows"`
	Chain   *service.Chained    `json:"chain"`
	Audit   *service.Audited    `json:"audit"`
	Stored  string              `json:"stored_verdict"`
	Now     string              `json:"recomputed_verdict"`
	Digest  string              `json:"digest"`
	Compare []record.Difference `json:"differences"`
	// Intact says that data and record are as they were when the run was judged;
	// what differs then was computed by another version of rigwarden.
	Intact bool `json:"intact"`
	// Problems say in words what does not fit.
	Problems []string `json:"problems"`

	judged *service.Judged
	got    *rigwardenv1.GetRunResponse
}

func (a *app) verifyCmd() *cobra.Command {
	var digest string
	c := &cobra.Command{
		Use:   "verify RUN",
		Short: "Say whether a run's record still follows from its data",
		Long: `Follow the run's hash chain over its sealed blocks and the audit trail, compute
every figure and the verdict anew from the stored frames and events by the plan,
limits and criteria that are stored with the run, and compare with what was handed
back when the run was judged: which figure differs, and by how much. --digest takes
the digest of the data from a printed record and compares it too.

Exit code 0: the record follows from its data. 3: it does not, or there is none, or
nothing was changed and this version of rigwarden computes something otherwise.`,
		Example: "  rigwarden verify r000001\n  rigwarden verify r000001 --store rig.db --json\n  rigwarden verify r000001 --digest 5f0c3a91",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			v, err := verify(cmd.Context(), s, args[0])
			if err != nil {
				return err
			}
			v.compareDigest(digest)
			if a.json {
				err = a.printJSON(v)
			} else {
				a.printVerified(v)
			}
			if err == nil && !v.Follows {
				err = ending{exitNotPassed}
			}
			return err
		}),
	}
	c.ValidArgsFunction = a.offerRuns
	c.Flags().StringVar(&digest, "digest", "", "digest of the data as a printed record has it, at least its first 8 digits")
	a.addWhere(c)
	return c
}

// verify reads a run and everything that vouches for it.
func verify(ctx context.Context, s *session, id string) (*verified, error) {
	got, err := s.runs.Get(ctx, &rigwardenv1.GetRunRequest{Run: id})
	unreadable := err
	if err != nil && service.FromStatus(err).Kind != service.KindUnreadable {
		return nil, err
	}
	if unreadable == nil && got.GetRun().GetOutcome() == rigwardenv1.Outcome_OUTCOME_RUNNING {
		return nil, &service.Error{Kind: service.KindBusy, What: fmt.Sprintf("run %s is still under way", id), Want: "verify it when it has ended"}
	}
	v := &verified{Run: id, got: got, Intact: true, Follows: true, Compare: []record.Difference{}, Problems: []string{}}
	if v.Chain, err = service.FollowChain(ctx, s.evidence, id); err != nil {
		return nil, err
	}
	if v.Audit, err = service.FollowAudit(ctx, s.evidence, id); err != nil {
		return nil, err
	}
	if unreadable != nil {
		v.problem(true, "the run cannot be read: %s", service.FromStatus(unreadable).What)
	}
	v.problem(v.Chain.Problem != "", "the hash chain is broken: %s", v.Chain.Problem)
	v.problem(unreadable == nil && got.GetRun().GetHead() == "", "the run has no sealed end: the chain cannot say whether anything is missing behind its last block")
	v.problem(v.Audit.Problem != "", "the audit trail is broken: %s", v.Audit.Problem)
	if unreadable != nil {
		return v, nil
	}
	return v, v.judge(ctx, s)
}

// problem notes what stands against the record, where it is so.
func (v *verified) problem(is bool, format string, args ...any) {
	if is {
		v.Problems = append(v.Problems, fmt.Sprintf(format, args...))
		v.Follows, v.Intact = false, false
	}
}

// judge computes figures and verdict anew and compares.
func (v *verified) judge(ctx context.Context, s *session) error {
	j, err := service.Judge(ctx, s.runs, v.Run)
	if err != nil {
		if ctx.Err() != nil || v.Chain.Problem == "" {
			return err
		}
		// What the chain has named already cannot be computed with either.
		v.problem(true, "the figures cannot be computed: %s", service.FromStatus(err).What)
		return nil
	}
	v.judged, v.Digest, v.Now = j, j.Digest, string(j.Verdict.Decision)
	if len(v.got.GetFigures()) == 0 {
		v.problem(true, "no figures were handed back for this run; rigwarden run judge %s does", v.Run)
		return nil
	}
	var figures *qualify.Figures
	var verdict *qualify.Verdict
	if err := json.Unmarshal(v.got.GetFigures(), &figures); err != nil {
		v.problem(true, "the stored figures cannot be read: %v", err)
		return nil
	}
	if err := json.Unmarshal(v.got.GetReasons(), &verdict); err != nil || verdict == nil {
		v.problem(true, "the stored verdict cannot be read: %v", err)
		return nil
	}
	v.Stored = string(verdict.Decision)
	diff, err := record.Differences(figures, j.Figures, verdict, j.Verdict)
	if err != nil {
		return err
	}
	if diff != nil {
		v.Compare = diff
	}
	v.problem(service.VerdictToProto(v.Stored) != v.got.GetRun().GetVerdict(),
		"the run is marked %s, its stored verdict says %s", word(v.got.GetRun().GetVerdict()), v.Stored)
	v.compareJudgement()
	return nil
}

// compareJudgement says whether data or figures are those of the judgement.
func (v *verified) compareJudgement() {
	d := v.Audit
	changed := d.Sum != "" && d.Sum != service.FiguresSum(v.got)
	v.problem(v.got.GetDigest() != v.Digest, "the data are not those that were judged: digest %.12s, judged was %.12s", v.Digest, v.got.GetDigest())
	if d.Problem == "" {
		v.problem(d.Judged == 0, "the audit trail knows of no judgement of this run")
		v.problem(d.Judged > 0 && d.Digest != v.got.GetDigest(), "the audit trail says that data with the digest %.12s were judged, the record says %.12s", d.Digest, v.got.GetDigest())
		v.problem(d.Judged > 0 && d.Verdict != v.Stored, "the audit trail says that the verdict was %s, the record says %s", d.Verdict, v.Stored)
		v.problem(changed, "figures or verdict were changed after they were handed back (audit entry %d)", d.Judged)
	}
	v.compareFigures(d.Judged > 0 && d.Sum != "")
}

// compareFigures tells of differences. Where the audit trail vouches for the
// figures and everything else fits, they come from another version of this
// program and the record stays what it was; a changed verdict is told all the
// same.
func (v *verified) compareFigures(vouched bool) {
	n := len(v.Compare)
	if n == 0 {
		return
	}
	what := numbered(n, "difference") + " between the record and what follows from the data"
	if !v.Intact || !vouched {
		v.problem(true, "%s", what)
		return
	}
	v.Follows = false
	v.Problems = append(v.Problems, what+"; data and record are as they were handed back, so another version of rigwarden computed them")
	v.problem(v.Stored != v.Now, "by this version the verdict is %s, not %s", v.Now, v.Stored)
}

// digestLeast is how much of a digest a person has to type.
const digestLeast = 8

func (v *verified) compareDigest(typed string) {
	typed = strings.ToLower(strings.Join(strings.Fields(typed), ""))
	if typed == "" {
		return
	}
	v.problem(len(typed) < digestLeast || !strings.HasPrefix(v.Digest, typed),
		"the printed record's digest %s is not that of these data, %.12s", typed, v.Digest)
}

// differencesShown bounds the list on a screen; --json has them all.
const differencesShown = 40

// numbered is a number with its word.
func numbered(n int, word string) string {
	if n != 1 {
		word += "s"
	}
	return fmt.Sprintf("%d %s", n, word)
}

func (a *app) printVerified(v *verified) {
	chain := fmt.Sprintf("whole: %s, %d frames, %d lines, head %.16s", numbered(v.Chain.Chunks, "block"), v.Chain.Frames, v.Chain.Lines, v.Chain.Head)
	if v.Chain.Problem != "" {
		chain = "BROKEN after " + numbered(v.Chain.Chunks, "block")
	}
	audit := fmt.Sprintf("whole: %d entries", v.Audit.Entries)
	if v.Audit.Problem != "" {
		audit = fmt.Sprintf("BROKEN after %d entries", v.Audit.Entries)
	}
	kv := []string{"run", v.Run, "hash chain", chain, "audit trail", audit}
	if v.judged != nil {
		kv = append(kv, "digest of the data", v.Digest, "verdict", "stored "+dash(v.Stored)+", from the data "+v.Now,
			"figures", fmt.Sprintf("%d computed anew from %d frames, %s", len(v.judged.Figures.Figures), v.judged.Figures.Frames, numbered(len(v.Compare), "difference")))
	}
	pairs(a.out, kv...)
	for i, d := range v.Compare {
		if i == differencesShown {
			fmt.Fprintf(a.out, "  and %d more; --json has them all\n", len(v.Compare)-i)
			break
		}
		for k, l := range wrap(d.String(), screen-4) {
			fmt.Fprintf(a.out, "%s%s\n", []string{"  ", "    "}[min(k, 1)], l)
		}
	}
	if v.Follows {
		fmt.Fprintln(a.out, a.paint(green, "The record follows from its data."))
		return
	}
	if v.Intact {
		fmt.Fprintln(a.out, "The record is as it was made, but this version computes it otherwise.")
	} else {
		fmt.Fprintln(a.out, a.paint(red, "THE RECORD DOES NOT FOLLOW FROM ITS DATA."))
	}
	for _, p := range v.Problems {
		for k, l := range wrap(p, screen-4) {
			fmt.Fprintf(a.out, "%s%s\n", []string{"  - ", "    "}[min(k, 1)], l)
		}
	}
}
