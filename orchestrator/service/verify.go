package service

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Chained is what a reader found of a run's hash chain.
type Chained struct {
	Chunks int    `json:"chunks"`
	Frames uint64 `json:"frames"`
	Lines  uint64 `json:"lines"`
	// Head is the last link that follows from the beginning.
	Head string `json:"head"`
	// Problem says where the chain breaks; empty where it is whole.
	Problem string `json:"problem,omitempty"`
}

// FollowChain follows a run's hash chain from its client's side: the texts that
// were fixed when it began, then every sealed chunk, decoded, up to its head. A
// broken chain is a finding, not an error.
func FollowChain(ctx context.Context, evidence rigwardenv1.EvidenceClient, id string) (*Chained, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := evidence.Chain(ctx, &rigwardenv1.ChainRequest{Run: id})
	if err != nil {
		return nil, err
	}
	out := &Chained{}
	var f *store.Follower
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		switch {
		case m.GetProblem() != "":
			out.Problem = m.GetProblem()
		case m.GetStart() != nil:
			f = store.Follow(startFromProto(m.GetStart()))
			out.Problem = textsFit(m.GetStart())
		case f == nil:
			return nil, fmt.Errorf("chain of run %s: a chunk before its beginning", id)
		default:
			err := f.Add(store.Sealed{Frames: m.GetChunk().GetFrames(), Lines: m.GetChunk().GetLines()})
			if err != nil {
				out.Problem = err.Error()
			}
		}
		if out.Problem != "" {
			break
		}
	}
	if f == nil {
		return out, nil
	}
	out.Chunks, out.Frames, out.Lines, out.Head = f.Chunks(), f.Frames(), f.Lines(), f.Head()
	if err := f.End(); out.Problem == "" && err != nil {
		out.Problem = err.Error()
	}
	return out, nil
}

// textsFit says which text is not the one that its digest names.
func textsFit(s *rigwardenv1.ChainStart) string {
	for _, t := range []struct {
		what, digest string
		text         []byte
	}{
		{"plan", s.GetPlanSha256(), s.GetPlan()},
		{"layout", s.GetLayoutSha256(), s.GetLayout()},
		{"criteria", s.GetCriteriaSha256(), s.GetCriteria()},
	} {
		sum := sha256.Sum256(t.text)
		if hex.EncodeToString(sum[:]) != t.digest {
			return fmt.Sprintf("run %s: its %s is not the text of the stored digest %.12s", s.GetRun(), t.what, t.digest)
		}
	}
	return ""
}

// Audited is what a reader found of the audit trail.
type Audited struct {
	Entries uint64 `json:"entries"`
	Hash    string `json:"hash"` // of the last entry that follows
	Problem string `json:"problem,omitempty"`
	// Judged is the entry about the judgement of the run that was asked for;
	// Verdict, Digest and Sum are what it says: the verdict's word, the digest of
	// the data that were judged, that of the figures and the verdict (empty in an
	// entry of an earlier program).
	Judged  uint64 `json:"judged_by_entry,omitempty"`
	Verdict string `json:"verdict,omitempty"`
	Digest  string `json:"digest,omitempty"`
	Sum     string `json:"figures_sha256,omitempty"`
}

// FollowAudit follows the audit trail from its client's side. A broken trail is
// a finding, not an error.
func FollowAudit(ctx context.Context, evidence rigwardenv1.EvidenceClient, run string) (*Audited, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := evidence.Audit(ctx, &rigwardenv1.AuditRequest{})
	if err != nil {
		return nil, err
	}
	out := &Audited{}
	var last store.Audit
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		for _, p := range m.GetEntries() {
			a := auditFromProto(p)
			if err := a.Follows(&last); err != nil {
				out.Problem = err.Error()
				return out, nil
			}
			last = a
			out.Entries, out.Hash = a.Number, a.Hash
			if a.Run == run && a.What == "judge" {
				out.judged(&a)
			}
		}
	}
}

// judged reads the entry that PutFigures wrote: a verdict of one or two words,
// then one or two digests.
func (d *Audited) judged(a *store.Audit) {
	words := strings.Fields(a.Text)
	var sums []string
	for len(words) > 0 && len(words[len(words)-1]) == hex.EncodedLen(sha256.Size) {
		sums = append([]string{words[len(words)-1]}, sums...)
		words = words[:len(words)-1]
	}
	d.Judged, d.Verdict = a.Number, strings.Join(words, " ")
	if len(sums) > 0 {
		d.Digest = sums[0]
	}
	if len(sums) > 1 {
		d.Sum = sums[1]
	}
}

// FiguresSum is the digest that the audit trail keeps of a run's figures and
// verdict.
func FiguresSum(got *rigwardenv1.GetRunResponse) string {
	f := store.Figures{Figures: got.GetFigures(), Reasons: got.GetReasons()}
	return f.Sum()
}
