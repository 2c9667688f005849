package service

import (
	"github.com/rigwarden/rigwarden/drivers"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Frames sends the stored blocks as they are: decoding is the reader's work.
func (r runService) Frames(q *rigwardenv1.RunFramesRequest, out rigwardenv1.Runs_FramesServer) error {
	st, err := r.s.reading()
	if err != nil {
		return err
	}
	info, err := r.s.run(q.GetRun())
	if err != nil {
		return err
	}
	return st.Blocks(info.ID, drivers.Instant(q.GetFromUs()), drivers.Instant(q.GetToUs()), func(b []byte) error {
		if err := out.Context().Err(); err != nil {
			return err
		}
		return out.Send(&rigwardenv1.RunFramesResponse{Block: b})
	})
}
