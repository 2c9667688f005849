package service

import (
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

type evidenceService struct {
	rigwardenv1.UnimplementedEvidenceServer
	s *Server
}

// Chain sends what is stored as it is: decoding and following is the reader's
// work (FollowChain). What the store cannot read is an answer here, not an
// error: the reader is asked for exactly that.
func (e evidenceService) Chain(q *rigwardenv1.ChainRequest, out rigwardenv1.Evidence_ChainServer) error {
	st, err := e.s.reading()
	if err != nil {
		return err
	}
	info, err := e.s.run(q.GetRun())
	if err != nil {
		return err
	}
	start := startToProto(&info)
	send := func(m *rigwardenv1.ChainResponse) error { return out.Send(m) }
	problem := func(err error) error {
		if !errors.Is(err, store.ErrDamaged) && !errors.Is(err, store.ErrChain) && !errors.Is(err, store.ErrNotFound) {
			return err
		}
		return send(&rigwardenv1.ChainResponse{Part: &rigwardenv1.ChainResponse_Problem{Problem: err.Error()}})
	}
	if start.Plan, err = st.Plan(info.ID); err != nil {
		return problem(err)
	}
	if start.Layout, err = st.LayoutText(info.ID); err != nil {
		return problem(err)
	}
	criteria, err := st.Criteria(info.ID)
	if err != nil {
		return problem(err)
	}
	start.Criteria = []byte(criteria)
	if err := send(&rigwardenv1.ChainResponse{Part: &rigwardenv1.ChainResponse_Start{Start: start}}); err != nil {
		return err
	}
	var gone error
	err = st.Chain(info.ID, func(c store.Sealed) error {
		if gone = out.Context().Err(); gone == nil {
			gone = send(&rigwardenv1.ChainResponse{Part: &rigwardenv1.ChainResponse_Chunk{
				Chunk: &rigwardenv1.SealedChunk{Frames: c.Frames, Lines: c.Lines},
			}})
		}
		return gone
	})
	if err == nil || gone != nil {
		return err
	}
	return problem(err)
}

func startToProto(i *store.RunInfo) *rigwardenv1.ChainStart {
	return &rigwardenv1.ChainStart{
		Run: i.ID, Bench: i.Bench, Module: i.Module, Profile: i.Profile, Who: i.Who, StartedUs: int64(i.Start),
		PlanSha256: i.PlanSum, LayoutSha256: i.LayoutSum, CriteriaSha256: i.CriteriaSum,
		Head: i.Head, Frames: i.Frames,
	}
}

func startFromProto(p *rigwardenv1.ChainStart) store.RunInfo {
	return store.RunInfo{
		ID: p.GetRun(), Bench: p.GetBench(), Module: p.GetModule(), Profile: p.GetProfile(), Who: p.GetWho(), Start: drivers.Instant(p.GetStartedUs()),
		PlanSum: p.GetPlanSha256(), LayoutSum: p.GetLayoutSha256(), CriteriaSum: p.GetCriteriaSha256(),
		Head: p.GetHead(), Frames: p.GetFrames(),
	}
}

// entriesMax bounds the entries of one message.
const entriesMax = 256

// Audit sends the audit trail as it is stored.
func (e evidenceService) Audit(_ *rigwardenv1.AuditRequest, out rigwardenv1.Evidence_AuditServer) error {
	st, err := e.s.reading()
	if err != nil {
		return err
	}
	m := &rigwardenv1.AuditResponse{}
	flush := func() error {
		err := out.Send(m)
		m = &rigwardenv1.AuditResponse{}
		return err
	}
	err = st.Trail(func(a store.Audit) error {
		m.Entries = append(m.Entries, &rigwardenv1.AuditEntry{
			Number: a.Number, AtUs: int64(a.At), Who: a.Who, Bench: a.Bench, Run: a.Run, What: a.What, Text: a.Text, Hash: a.Hash,
		})
		if len(m.Entries) < entriesMax {
			return nil
		}
		return flush()
	})
	if err != nil {
		return err
	}
	return flush()
}

func auditFromProto(p *rigwardenv1.AuditEntry) store.Audit {
	return store.Audit{
		Number: p.GetNumber(), At: drivers.Instant(p.GetAtUs()), Who: p.GetWho(), Bench: p.GetBench(), Run: p.GetRun(),
		What: p.GetWhat(), Text: p.GetText(), Hash: p.GetHash(),
	}
}
