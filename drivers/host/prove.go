package host

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// A communication timeout is proven by doing what it is there for: the output
// is switched on at 0 A and the least voltage, behind contactors that are
// measured open, so that nothing can flow; then nobody speaks to the instrument
// until it must have switched off. One instrument is proven at a time (INV-01).
//
// Everything else goes on meanwhile: the other devices are read, and a halt goes
// through at once and ends the proof. Nothing energises until it is over. Should
// this process die in the middle, an output stays on at 0 A behind open
// contactors until its own timeout or the next start of a host (INV-06), which
// is as safe as a bench gets.

// proofReads is how often an instrument is asked after the silence. One that
// closes its connection when its timeout runs out fails the first call, which
// then has reached nobody.
const proofReads = 3

// ArmTime is the longest that Arm takes on a bench: two calls to each instrument
// and, where communication timeouts are declared, the silence that proves each.
// Whoever arms must wait that long.
func ArmTime(b *drivers.Bench) drivers.Span {
	return AllowTime + 4*callDefault + proofTime(b, &b.Supply, callDefault) + proofTime(b, &b.Load, callDefault)
}

// AllowTime is how long Config.Allow may take.
const AllowTime = drivers.Second

// proofTime bounds one instrument's proof.
func proofTime(b *drivers.Bench, spec *drivers.PowerSpec, call drivers.Span) drivers.Span {
	if spec.CommTimeout == 0 {
		return 0
	}
	period := b.Monitor.Period
	if plugged(spec.Wire) { // whose plugin looks for itself, behind the host
		own := *spec
		own.Wire = drivers.Wire{}
		return 2 * proofTime(b, &own, call)
	}
	return 2*call + // halts before it taken, commands under way over
		settleTime(b, call) + // contactors measured open
		2*period + // its reader rests
		call + onTime(spec.Delay, period, call) + // on, and seen to be
		spec.CommTimeout + spec.Delay + b.SilenceMargin(spec.CommTimeout) +
		proofReads*call + call // read, and halted
}

// settleTime is how long contactors have to be measured open.
func settleTime(b *drivers.Bench, call drivers.Span) drivers.Span {
	return b.Box.SwitchTime + 4*b.Monitor.Period + call
}

// onTime is how long a device has to show that it obeyed.
func onTime(delay, period, call drivers.Span) drivers.Span { return delay + 3*period + call }

// proveBoth proves what supply and load read back, where that is not known yet.
// It reports whether it had to: what was armed is then gone.
func (s *service) proveBoth(ctx context.Context, armed *driverv1.ArmResponse) (did bool, err error) {
	for _, one := range [...]struct {
		role  Role
		armed *driverv1.Protection
	}{{RoleSupply, armed.Supply}, {RoleLoad, armed.Load}} {
		if one.armed == nil {
			continue
		}
		p, err := protectionFromWire(one.armed, one.role.String())
		if err != nil {
			return did, err
		}
		_, spec, _ := s.power(one.role)
		// What is not declared nobody relies on; what reads back as none the
		// caller refuses.
		if spec.CommTimeout == 0 || p.CommTimeout == 0 || s.proofs.has(one.role, p.CommTimeout) {
			continue
		}
		did = true
		if err := s.provePower(ctx, one.role, p, false, false); err != nil {
			return did, err
		}
	}
	return did, nil
}

// Prove proves one instrument's silence limit because somebody asked for it.
func (s *service) Prove(ctx context.Context, r *driverv1.ProveRequest) (*driverv1.ProveResponse, error) {
	proof, err := s.prove(ctx, r)
	if err != nil {
		return nil, toStatus(err)
	}
	return &driverv1.ProveResponse{Proof: proofToWire(proof, s.c.Now())}, nil
}

func (s *service) prove(ctx context.Context, r *driverv1.ProveRequest) (Proof, error) {
	role := Role(r.Role)
	if s.c.Sample != nil {
		return Proof{}, fmt.Errorf("%s: the caller owns this bench's time, nobody can leave an instrument alone in it: %w", role, drivers.ErrRefused)
	}
	switch role {
	case RoleBox:
		if err := s.proveBox(ctx); err != nil {
			return Proof{}, err
		}
	case RoleSupply, RoleLoad:
		back, err := s.armOne(ctx, role, r.Protection)
		if err != nil {
			return Proof{}, err
		}
		p, err := protectionFromWire(back, role.String())
		if err != nil {
			return Proof{}, err
		}
		if p.CommTimeout == 0 {
			return Proof{}, fmt.Errorf("%s: it has no communication timeout to prove: %w", role, drivers.ErrRefused)
		}
		// A lease belongs to a run, unless whoever asks is a host with us behind it.
		if err := s.provePower(ctx, role, p, r.ContactorsOpen, !r.ContactorsOpen); err != nil {
			return Proof{}, err
		}
	default:
		return Proof{}, fmt.Errorf("%w: proof of role %d; supply (1), load (2) or box (3) would be right", ErrImpossible, r.Role)
	}
	s.proofs.mu.Lock()
	defer s.proofs.mu.Unlock()
	return s.proofs.of[role], nil
}

// remember keeps an outcome and passes its error on.
func (s *service) remember(role Role, timeout, took drivers.Span, err error) error {
	p := Proof{Role: role, Timeout: timeout, Proven: err == nil}
	if err != nil {
		p.Why = err.Error()
		err = fmt.Errorf("%s: %w", role, err)
	} else {
		p.At, p.Took = s.c.Now(), took
	}
	s.proofs.set(p)
	return err
}

// provePower proves the communication timeout that is armed in a supply or
// load. open says that whoever asks has measured the contactors open, idle that
// there must be no lease.
func (s *service) provePower(ctx context.Context, role Role, p drivers.Protection, open, idle bool) error {
	device, spec, halter := s.power(role)
	took, err := s.alone(ctx, role, halter, open, idle, func(ctx context.Context, x *solo) (drivers.Span, error) {
		if remote, ok := device.(Prover); ok {
			ctx, cancel := context.WithTimeout(ctx, duration(proofTime(&s.c.Bench, spec, s.c.CallTimeout)))
			defer cancel()
			return remote.ProveSilence(ctx, p)
		}
		return x.power(ctx, device, spec, p.CommTimeout)
	})
	return s.remember(role, p.CommTimeout, took, err)
}

// proveBox proves the box's heartbeat: with nothing closed there would be
// nothing to see, so its negative contactor closes, alone, with supply and load
// off. That connects one pole of the article to a link that leads nowhere.
func (s *service) proveBox(ctx context.Context) error {
	spec := &s.c.Bench.Box
	switch {
	case s.c.Set.Box == nil:
		return fmt.Errorf("%s: %w", RoleBox, ErrAbsent)
	case plugged(spec.Wire):
		return fmt.Errorf("%s: a plugin holds it and keeps its heartbeat; only the plugin can leave it alone: %w", RoleBox, drivers.ErrRefused)
	case spec.Heartbeat == 0:
		return fmt.Errorf("%s: it declares no heartbeat to prove: %w", RoleBox, drivers.ErrRefused)
	}
	took, err := s.alone(ctx, RoleBox, s.k.box, false, true, func(ctx context.Context, x *solo) (drivers.Span, error) {
		return x.box(ctx, s.c.Set.Box, spec)
	})
	return s.remember(RoleBox, spec.Heartbeat, took, err)
}
