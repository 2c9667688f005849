package service

import (
	"context"
	"errors"

	"github.com/rigwarden/rigwarden/orchestrator/bench"
)

// sentinels gives the errors of the packages below their kind and, where the
// error cannot know it, what would be right.
var sentinels = []struct {
	err  error
	kind Kind
	want string
}{
	{bench.ErrBusy, KindBusy, "wait for the run under way or stop it: rigwarden run stop RUN"},
	{bench.ErrLatched, KindLatched, "make the bench safe, then: rigwarden run acknowledge RUN --reason TEXT"},
	{bench.ErrNotRunning, KindNotRunning, "rigwarden bench list tells which runs are under way"},
	{bench.ErrNoReason, KindInvalid, "give both: --who NAME --reason TEXT"},
	{bench.ErrClosed, KindUnreachable, "the orchestrator is shutting down; start it again"},
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
