package virtual

import (
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
)

// Realtime is a Bench that follows a clock and may be used from any goroutine:
// every access first moves the plant to the present. Between accesses the
// output goes on flowing, as a real instrument's does, and what the instruments
// do by themselves (communication timeouts, heartbeats) is made up for with its
// true instants at the next access.
type Realtime struct {
	mu    sync.Mutex
	bench *Bench
	now   func() drivers.Instant
}

// NewRealtime takes the bench over. now must never go back by itself: take a
// monotonic clock. Its zero is the caller's: Config.Start should be its present.
func NewRealtime(b *Bench, now func() drivers.Instant) *Realtime {
	return &Realtime{bench: b, now: now}
}

// Do runs f alone on the bench, at the present.
func (r *Realtime) Do(f func(*Bench)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.bench.Advance(r.now())
	f(r.bench)
}

// Set returns the instruments, safe for concurrent use. A hung driver's call
// returns when its context is done, as a real one's does.
func (r *Realtime) Set() drivers.Set {
	s := r.bench.Set()
	return drivers.Set{
		Supply:  livePower{r, s.Supply},
		Load:    livePower{r, s.Load},
		Box:     liveBox{r, s.Box},
		Monitor: liveMonitor{r, s.Monitor},
		Meter:   liveMeter{r, s.Meter},
	}
}

// Next is the instant of the next frame.
func (r *Realtime) Next() (t drivers.Instant) {
	r.Do(func(b *Bench) { t = b.Next() })
	return t
}

// Frame fills f with the youngest frame made since the last call.
func (r *Realtime) Frame(f *drivers.Frame) (ok bool) {
	r.Do(func(b *Bench) { ok = b.Frame(f) })
	return ok
}

// Fast is Bench.Fast.
func (r *Realtime) Fast(on bool) { r.Do(func(b *Bench) { b.Fast(on) }) }
