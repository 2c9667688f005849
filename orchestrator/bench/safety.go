package bench

import (
	"context"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
)

// Safety tells what takes a bench's energy off, and how fast.
type Safety struct {
	// Lease is how long the bench stays energised without a renewal.
	Lease, Period, Scheduling drivers.Span
	Paths                     []host.Path
	Proofs                    []host.Proof
}

// Teller is a host that tells of itself. *host.Client is one.
type Teller interface {
	Describe() host.Description
	// Proofs tells which silence limits it has seen to work.
	Proofs(ctx context.Context) ([]host.Proof, error)
}

// Safety asks the bench's host, which has the time of a call. It may be called
// from any goroutine; ok is false where there is no host just now.
func (v *Live) Safety(ctx context.Context) (s Safety, ok bool, err error) {
	t := v.teller.Load()
	if t == nil {
		return s, false, nil
	}
	d := (*t).Describe()
	timing := host.Timing{Scheduling: d.Scheduling, Call: d.Call, LostAfter: d.LostAfter, Silence: staleFrames * v.spec.Monitor.Period}
	s = Safety{Lease: d.Lease, Period: d.Period, Scheduling: d.Scheduling, Paths: host.Paths(&v.spec, timing)}
	ctx, cancel := context.WithTimeout(ctx, wait(callTimeout))
	defer cancel()
	s.Proofs, err = (*t).Proofs(ctx)
	return s, true, err
}

// staleFrames is how many frame periods the tripwire lets pass without a fresh
// reading, as plans have it.
const staleFrames = 5

// tell notes the host that can tell of itself, or that there is none.
func (v *Live) tell(h Host) {
	if t, ok := h.(Teller); ok {
		v.teller.Store(&t)
		return
	}
	v.teller.Store(nil)
}
