package service

import (
	"context"
	"errors"
	"io/fs"

	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/store"
)

const (
	wantAck    = "make the bench safe, then: rigwarden run acknowledge RUN --reason TEXT"
	wantReason = "give both: --who NAME --reason TEXT"
)

// sentinels gives the errors of the packages below their kind and, where the
// error cannot know it, what would be right.
var sentinels = []struct {
	err  error
	kind Kind
	want string
}{
	{bench.ErrBusy, KindBusy, "wait for the run under way or stop it: rigwarden run stop RUN"},
	{bench.ErrLatched, KindLatched, wantAck},
	{bench.ErrNotRunning, KindNotRunning, "rigwarden bench list tells what each bench does"},
	{bench.ErrNoReason, KindInvalid, wantReason},
	{bench.ErrClosed, KindUnreachable, "the orchestrator is shutting down; start it again"},
	{store.ErrHeld, KindLocked, ""},
	{store.ErrSchema, KindNewer, ""},
	{store.ErrForeign, KindUnreadable, "name a file that rigwarden serve or demo made"},
	{store.ErrDamaged, KindUnreadable, "keep the file as it is and work on a copy"},
	{store.ErrChain, KindUnreadable, "keep the file as it is; rigwarden verify RUN tells what does not fit"},
	{store.ErrFull, KindFull, "make room or raise the quota; what is stored stays readable"},
	{store.ErrNotFound, KindNotFound, ""},
	{store.ErrExists, KindRefused, "what is stored is never overwritten"},
	{store.ErrReadOnly, KindReadOnly, "ask the orchestrator that owns it: --server ADDRESS"},
	{store.ErrEnded, KindNotRunning, ""},
	{store.ErrRunning, KindBusy, "wait until the run has ended"},
	{store.ErrLatched, KindLatched, wantAck},
	{store.ErrNotLatched, KindNotRunning, ""},
	{store.ErrNoReason, KindInvalid, wantReason},
	{store.ErrBadValue, KindInvalid, ""},
	{fs.ErrNotExist, KindUnreadable, "name a file that exists"},
	{fs.ErrPermission, KindUnreadable, "name a file that you may read"},
	{context.Canceled, KindCanceled, ""},
	{context.DeadlineExceeded, KindUnreachable, ""},
}

// Classify gives any error its kind.
func Classify(err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	for _, s := range sentinels {
		if errors.Is(err, s.err) {
			return &Error{Kind: s.kind, What: err.Error(), Want: s.want, err: err}
		}
	}
	return &Error{Kind: KindInternal, What: err.Error(), err: err}
}
