package service

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc/peer"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Whatever lets current flow, or may (start, resume, acknowledge, an answer, going
// on with a queue), needs a local enable: whoever gives it is at the machine, as
// the user whose orchestrator this is. What comes over a unix socket of that user
// alone is given there and needs no more. What comes over a port may come through
// any number of machines, so it needs an enable that was given over the socket:
// for one bench, one command, and a short time. Stop and pause never need one
// (INV-13). Enables live in memory, and end with the process (INV-06).
const (
	enableDefault = 10 * time.Minute
	enableMost    = time.Hour
)

// enables are the local enables that wait to be used.
type enables struct {
	mu    sync.Mutex
	until map[string]time.Time // bench: one each
}

// give lets one command through until then; a later enable replaces it.
func (e *enables) give(bench string, until time.Time) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.until == nil {
		e.until = map[string]time.Time{}
	}
	e.until[bench] = until
}

// take uses up a bench's enable, and returns until when it would have held.
func (e *enables) take(bench string, now time.Time) (time.Time, bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	until, ok := e.until[bench]
	delete(e.until, bench)
	return until, ok && now.Before(until)
}

// isLocal says that a call came over this user's own socket, or from this very
// process. A transport that is not known is not local.
func isLocal(ctx context.Context) (network string, local bool) {
	p, ok := peer.FromContext(ctx)
	if !ok || p.Addr == nil {
		return "an unknown way", false
	}
	n := p.Addr.Network()
	return n, n == "unix" || n == "bufconn"
}

// enabled refuses what a client that is not at the machine may not do by itself.
// The function it returns gives an enable back that came to nothing.
func (s *Server) enabled(ctx context.Context, bench, what string) (back func(error), err error) {
	network, local := isLocal(ctx)
	if local {
		return func(error) {}, nil
	}
	if until, ok := s.enables.take(bench, s.Now()); ok {
		return func(err error) {
			if err != nil {
				s.enables.give(bench, until)
			}
		}, nil
	}
	return nil, &Error{
		Kind: KindRefused, What: fmt.Sprintf("%s on bench %s needs a local enable, which a client over %s cannot give", what, bench, network),
		Want: fmt.Sprintf("somebody at the machine gives one, as the orchestrator's user: rigwarden bench enable %s; then once more within its time", bench),
	}
}

// Enable gives a local enable; who is not at the machine is refused.
func (b benchService) Enable(ctx context.Context, r *rigwardenv1.EnableBenchRequest) (*rigwardenv1.EnableBenchResponse, error) {
	st, err := b.s.writing()
	if err != nil {
		return nil, err
	}
	if _, err := b.s.bench(r.GetBench()); err != nil {
		return nil, err
	}
	network, local := isLocal(ctx)
	if !local {
		return nil, &Error{
			Kind: KindRefused, What: "an enable is given at the machine itself, not over " + network,
			Want: "there, as the orchestrator's user, with its own socket: rigwarden bench enable " + r.GetBench(),
		}
	}
	if strings.TrimSpace(r.GetWho()) == "" {
		return nil, &Error{Kind: KindInvalid, What: "an enable needs the name of who gives it", Want: "--who NAME"}
	}
	span := time.Duration(r.GetForUs()) * time.Microsecond
	switch {
	case r.GetForUs() == 0:
		span = enableDefault
	case r.GetForUs() < 0 || r.GetForUs() > enableMost.Microseconds():
		return nil, &Error{Kind: KindInvalid, What: fmt.Sprintf("an enable for %v", span), Want: fmt.Sprintf("more than nothing and at most %v", enableMost)}
	}
	now := b.s.Now()
	until := now.Add(span)
	// Recorded first: what lets current flow has a name in the trail.
	if err := st.Note(store.Audit{
		At: drivers.Instant(now.UnixMicro()), Who: r.GetWho(), Bench: r.GetBench(), What: "enable",
		Text: fmt.Sprintf("one command from elsewhere, until %s UTC", until.UTC().Format("15:04:05")),
	}); err != nil {
		return nil, err
	}
	b.s.enables.give(r.GetBench(), until)
	return &rigwardenv1.EnableBenchResponse{UntilUs: until.UnixMicro()}, nil
}
