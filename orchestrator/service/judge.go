package service

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Judged is what a judge found in one run.
type Judged struct {
	Figures *qualify.Figures
	Verdict *qualify.Verdict
	// Digest covers everything that was read: plan, criteria, every line and
	// every count, in the run's order.
	Digest string
}

// Judge reads one finished run from its client's side and judges it by the
// criteria that were stored with it. It writes nothing; see HandBack.
func Judge(ctx context.Context, runs rigwardenv1.RunsClient, id string) (*Judged, error) {
	r, err := Open(ctx, runs, id)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	if r.Run.GetRun().GetOutcome() == rigwardenv1.Outcome_OUTCOME_RUNNING {
		return nil, &Error{Kind: KindBusy, What: fmt.Sprintf("run %s is still under way", id), Want: "judge it when it has ended"}
	}
	criteria, ps := profiles.ParseCriteria("criteria", []byte(r.Run.GetCriteria()))
	if len(ps) > 0 {
		return nil, mistakes(fmt.Sprintf("the criteria stored with run %s", id), ps)
	}
	sum := &tally{h: sha256.New()}
	sum.text(r.Run.GetPlan())
	sum.text([]byte(r.Run.GetCriteria()))
	a := qualify.New(r.Plan, qualify.Agreed(criteria))
	for {
		it, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if it.Frame != nil {
			sum.frame(it.Frame)
			a.Frame(it.Frame)
			continue
		}
		sum.text([]byte(it.Line))
		if act, err := machine.ParseAction(it.Line); err == nil {
			if rec, ok := act.(machine.Record); ok {
				a.Record(it.At, rec)
			}
		}
	}
	figures := a.Finish()
	return &Judged{Figures: figures, Verdict: qualify.Judge(criteria, figures), Digest: sum.String()}, nil
}

// HandBack gives a judgement to the orchestrator, which keeps it once.
func (j *Judged) HandBack(ctx context.Context, runs rigwardenv1.RunsClient, id string) error {
	figures, err := json.Marshal(j.Figures)
	if err != nil {
		return fmt.Errorf("figures of run %s: %w", id, err)
	}
	reasons, err := json.Marshal(j.Verdict)
	if err != nil {
		return fmt.Errorf("verdict of run %s: %w", id, err)
	}
	_, err = runs.PutFigures(ctx, &rigwardenv1.PutFiguresRequest{
		Run: id, Verdict: VerdictToProto(string(j.Verdict.Decision)), Figures: figures, Reasons: reasons, Digest: j.Digest,
	})
	return err
}

// tally is the digest over what was read.
type tally struct {
	h   hash.Hash
	buf []byte
}

func (t *tally) text(b []byte) {
	t.buf = binary.LittleEndian.AppendUint64(t.buf[:0], uint64(len(b)))
	t.h.Write(t.buf)
	t.h.Write(b)
}

func (t *tally) frame(f *drivers.Frame) {
	t.buf = binary.LittleEndian.AppendUint64(t.buf[:0], uint64(f.At))
	t.buf = binary.LittleEndian.AppendUint64(t.buf, f.Seq)
	for _, n := range f.Counts {
		t.buf = binary.LittleEndian.AppendUint32(t.buf, uint32(n))
	}
	t.h.Write(t.buf)
}

func (t *tally) String() string { return hex.EncodeToString(t.h.Sum(nil)) }
