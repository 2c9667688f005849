package host

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// Proof tells whether an instrument was seen to switch off by itself once nobody
// spoke to it. A setting that reads back proves nothing: what counts is an
// output that was on, was left alone, and was found off.
type Proof struct {
	// Role is the supply, the load (communication timeout) or the box (heartbeat).
	Role Role
	// Timeout is the silence that was proven or, without proof, is declared.
	Timeout drivers.Span
	Proven  bool
	// At is when, by the host's clock (Serve) or mapped to the client's; 0
	// without proof.
	At drivers.Instant
	// Took is how long the instrument had been left alone when it was found off:
	// it went off within that.
	Took drivers.Span
	// Why says what stands against it where it is not proven.
	Why string
}

func (p Proof) String() string {
	what := "communication timeout"
	if p.Role == RoleBox {
		what = "heartbeat"
	}
	if !p.Proven {
		return fmt.Sprintf("%s: %s of %v is unproven: %s", p.Role, what, duration(p.Timeout), p.Why)
	}
	return fmt.Sprintf("%s: %s of %v is proven: found off after %v of silence", p.Role, what, duration(p.Timeout), rounded(p.Took))
}

// Prover is a supply or load behind a program of its own, which alone can leave
// the instrument in peace: the host's silence would prove nothing. ProveSilence
// arms p, switches on at 0 A, leaves the instrument alone, and returns how long
// it had been alone when it was found off. The caller has measured every
// contactor open and the other output off. Whatever comes of it, the instrument
// is off and needs arming afterwards.
type Prover interface {
	ProveSilence(ctx context.Context, p drivers.Protection) (took drivers.Span, err error)
}

// proofs remembers what this process has seen. A proof holds for one connection
// and one timeout: whatever answers after a loss is another instrument until it
// is proven again.
type proofs struct {
	mu sync.Mutex
	of [roles]Proof // Role is RoleNone where nothing is declared
}

// newProofs lists what a bench declares of the instruments in the set.
func newProofs(b *drivers.Bench, set *drivers.Set) *proofs {
	p := &proofs{}
	declare := func(role Role, there bool, timeout drivers.Span, why string) {
		if there && timeout > 0 {
			p.of[role] = Proof{Role: role, Timeout: timeout, Why: why}
		}
	}
	declare(RoleSupply, set.Supply != nil, b.Supply.CommTimeout, "it was not armed yet")
	declare(RoleLoad, set.Load != nil, b.Load.CommTimeout, "it was not armed yet")
	// Only a person may ask for the box's: a contactor closes for it.
	declare(RoleBox, set.Box != nil, b.Box.Heartbeat, "nobody has asked for it yet")
	return p
}

// has says whether the timeout is proven.
func (p *proofs) has(role Role, timeout drivers.Span) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.of[role].Proven && p.of[role].Timeout == timeout
}

// set remembers an outcome.
func (p *proofs) set(proof Proof) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.of[proof.Role] = proof
}

// lose forgets a device's proof.
func (p *proofs) lose(role Role) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if one := &p.of[role]; one.Proven {
		*one = Proof{Role: role, Timeout: one.Timeout, Why: "it stopped answering since"}
	}
}

func (p *proofs) toWire(now drivers.Instant) (list []*driverv1.Proof) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, one := range p.of {
		if one.Role != RoleNone {
			list = append(list, proofToWire(one, now))
		}
	}
	return list
}

func proofToWire(p Proof, now drivers.Instant) *driverv1.Proof {
	timeout := int64(p.Timeout)
	w := &driverv1.Proof{Role: driverv1.Role(p.Role), TimeoutUs: &timeout, Proven: p.Proven, TookUs: int64(p.Took), Why: p.Why}
	if p.Proven {
		w.AgoUs = int64(now.Sub(p.At))
	}
	return w
}

func proofFromWire(w *driverv1.Proof, now drivers.Instant) (p Proof, err error) {
	if w == nil {
		return p, fmt.Errorf("%w: proof is missing", ErrImpossible)
	}
	p = Proof{Role: Role(w.Role), Timeout: drivers.Span(need(w.TimeoutUs, "proof.timeout_us", &err)),
		Proven: w.Proven, Took: drivers.Span(w.TookUs), Why: w.Why}
	switch {
	case err != nil:
	case p.Role != RoleSupply && p.Role != RoleLoad && p.Role != RoleBox:
		err = fmt.Errorf("%w: proof of role %d; supply (1), load (2) or box (3) would be right", ErrImpossible, w.Role)
	case p.Timeout <= 0 || p.Took < 0 || w.AgoUs < 0 || p.Proven && p.Took == 0:
		err = fmt.Errorf("%w: %s: proof of a timeout of %d us, found off after %d us, %d us ago", ErrImpossible, p.Role, p.Timeout, p.Took, w.AgoUs)
	case p.Proven:
		p.At = now.Add(-drivers.Span(w.AgoUs))
	}
	return p, err
}

func proofsFromWire(list []*driverv1.Proof, now drivers.Instant) (out []Proof, err error) {
	for _, w := range list {
		p, one := proofFromWire(w, now)
		out, err = append(out, p), errors.Join(err, one)
	}
	return out, err
}
