package service

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/block"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Reader reads a stored run on the client's side of the wire, one pass, in the
// order of the run's sequence, in bounded memory. Whoever wants figures, an
// export or a replay uses it: this is where recorded frames are decoded.
type Reader struct {
	Run  *rigwardenv1.GetRunResponse
	Plan *machine.Plan

	events rigwardenv1.Runs_EventsClient
	lines  []*rigwardenv1.EventLine

	frames rigwardenv1.Runs_FramesClient
	layout *drivers.Layout
	dec    block.Decoder
	cols   block.Columns
	next   int
	frame  drivers.Frame
	more   bool
	cancel context.CancelFunc
}

// Open begins reading a run. Close it.
func Open(ctx context.Context, runs rigwardenv1.RunsClient, id string) (*Reader, error) {
	ctx, cancel := context.WithCancel(ctx)
	r := &Reader{cancel: cancel, more: true}
	if err := r.open(ctx, runs, id); err != nil {
		cancel()
		return nil, err
	}
	return r, nil
}

func (r *Reader) open(ctx context.Context, runs rigwardenv1.RunsClient, id string) error {
	var err error
	if r.Run, err = runs.Get(ctx, &rigwardenv1.GetRunRequest{Run: id}); err != nil {
		return err
	}
	if r.Plan, err = profiles.Decode(r.Run.GetPlan()); err != nil {
		return fmt.Errorf("plan stored with run %s: %w", id, err)
	}
	r.layout = &r.Plan.Layout
	if r.events, err = runs.Events(ctx, &rigwardenv1.RunEventsRequest{Run: id}); err != nil {
		return err
	}
	r.frames, err = runs.Frames(ctx, &rigwardenv1.RunFramesRequest{Run: id})
	return err
}

// Close ends the reading.
func (r *Reader) Close() { r.cancel() }

// Item is one entry of a run: a line or a frame.
type Item struct {
	Seq  uint64
	At   drivers.Instant
	Line string
	// Frame is nil for a line; it is valid until the next call of Next.
	Frame *drivers.Frame
}

// Next returns the next line or frame in the run's sequence, io.EOF at its end.
// A frame precedes the lines of its own number, which are its consequences.
func (r *Reader) Next() (Item, error) {
	if err := r.fillLines(); err != nil {
		return Item{}, err
	}
	if err := r.fillFrames(); err != nil {
		return Item{}, err
	}
	hasLine, hasFrame := len(r.lines) > 0, r.next < r.cols.Len()
	switch {
	case !hasLine && !hasFrame:
		return Item{}, io.EOF
	case hasLine && (!hasFrame || r.lines[0].GetSeq() < r.cols.Seq[r.next]):
		l := r.line()
		return Item{Seq: l.Seq, At: l.At, Line: l.Line}, nil
	}
	f := r.frameNow()
	return Item{Seq: f.Seq, At: f.At, Frame: f}, nil
}

func (r *Reader) line() bench.StoredLine {
	l := r.lines[0]
	r.lines = r.lines[1:]
	return bench.StoredLine{Seq: l.GetSeq(), At: drivers.Instant(l.GetAtUs()), Line: l.GetLine()}
}

func (r *Reader) frameNow() *drivers.Frame {
	r.cols.Frame(r.next, &r.frame)
	r.next++
	return &r.frame
}

// Lines yields the run's lines alone, in order.
func (r *Reader) Lines() iter.Seq2[bench.StoredLine, error] {
	return func(yield func(bench.StoredLine, error) bool) {
		for {
			if err := r.fillLines(); err != nil {
				yield(bench.StoredLine{}, err)
				return
			}
			if len(r.lines) == 0 || !yield(r.line(), nil) {
				return
			}
		}
	}
}

// Frames yields the run's frames alone, in order; each is valid until the next.
func (r *Reader) Frames() iter.Seq2[*drivers.Frame, error] {
	return func(yield func(*drivers.Frame, error) bool) {
		for {
			if err := r.fillFrames(); err != nil {
				yield(nil, err)
				return
			}
			if r.next >= r.cols.Len() || !yield(r.frameNow(), nil) {
				return
			}
		}
	}
}

func (r *Reader) fillLines() error {
	for len(r.lines) == 0 && r.events != nil {
		m, err := r.events.Recv()
		if errors.Is(err, io.EOF) {
			r.events = nil
			return nil
		}
		if err != nil {
			return err
		}
		r.lines = m.GetLines()
	}
	return nil
}

func (r *Reader) fillFrames() error {
	for r.next >= r.cols.Len() && r.more {
		m, err := r.frames.Recv()
		if errors.Is(err, io.EOF) {
			r.more = false
			return nil
		}
		if err != nil {
			return err
		}
		if err := r.dec.Decode(m.GetBlock(), &r.cols); err != nil {
			return fmt.Errorf("frames of run %s: %w", r.Run.GetRun().GetId(), err)
		}
		if n := len(r.cols.Counts); n != len(r.layout.Channels) {
			return fmt.Errorf("frames of run %s: %d channels where the layout has %d", r.Run.GetRun().GetId(), n, len(r.layout.Channels))
		}
		r.next = 0
	}
	return nil
}
