package host

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// service answers the driver protocol's commands.
type service struct {
	driverv1.UnimplementedDriverServiceServer
	c       *Config
	k       *keeper
	pipe    *pipe
	hub     *hub
	sampler *sampler
	devices []*driverv1.Device
	slots   [roles]*slot
	proofs  *proofs
	proving chan struct{} // one proof at a time
}

func newService(c *Config, k *keeper, p *pipe, h *hub, s *sampler, devices []*driverv1.Device, proofs *proofs) *service {
	v := &service{c: c, k: k, pipe: p, hub: h, sampler: s, devices: devices, proofs: proofs, proving: make(chan struct{}, 1)}
	for _, r := range [...]Role{RoleSupply, RoleLoad, RoleBox, RoleMonitor} {
		v.slots[r] = newSlot()
	}
	return v
}

// do calls a device under the limit, at most, in its turn. A driver that hangs
// beyond it keeps the turn, and later commands for it fail; the caller goes on.
func (s *service) do(ctx context.Context, role Role, t ticket, limit drivers.Span, call func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, duration(limit))
	one := s.slots[role]
	if err := one.take(ctx, t); err != nil {
		cancel()
		return fmt.Errorf("%s: %w", role, err)
	}
	err := within(ctx, cancel, call, one.free)
	if err == drivers.ErrNoAnswer { // nobody has said more
		err = fmt.Errorf("not done within %v: too slow an instrument or line, or %w", duration(limit), err)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", role, err)
	}
	return nil
}

// order is a command that energises.
type order struct {
	role  Role
	place ticket
	// records are the lease records that were sent before it.
	records, epoch uint64
	halter         *halter
	// first, where given, is called in the device's turn; check, where given,
	// under the keeper's lock. Either may refuse.
	first func(context.Context) error
	check func() error
	call  func(context.Context) error
}

// energise carries out an order in its turn, unless a newer command for the
// same device came meanwhile.
func (s *service) energise(ctx context.Context, o order) error {
	if err := s.after(ctx, o.records); err != nil {
		return err
	}
	check := func() error {
		if err := o.place.check(); err != nil || o.check == nil {
			return err
		}
		return o.check()
	}
	return s.do(ctx, o.role, o.place, s.c.CallTimeout, func(ctx context.Context) error {
		if o.first != nil {
			if err := o.first(ctx); err != nil {
				return err
			}
		}
		return s.k.command(ctx, o.epoch, o.halter, check, func() error { return o.call(ctx) })
	})
}

// off waits for what de-energises, which needs neither lease nor turn: the
// halter goes past commands that hang. It supersedes those that wait.
func (s *service) off(ctx context.Context, role Role, wait func(context.Context) error) error {
	s.slots[role].enter()
	ctx, cancel := context.WithTimeout(ctx, duration(s.c.CallTimeout))
	defer cancel()
	return wait(ctx)
}

// after waits for the lease records that were sent before a command.
func (s *service) after(ctx context.Context, records uint64) error {
	if records == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, duration(s.c.CallTimeout))
	defer cancel()
	if err := s.pipe.done.await(ctx, records); err != nil {
		return fmt.Errorf("%d lease records came of the %d sent before: %w", s.pipe.done.load(), records, drivers.ErrNoAnswer)
	}
	return nil
}

func (s *service) Describe(context.Context, *driverv1.DescribeRequest) (*driverv1.DescribeResponse, error) {
	d := describe(s.c, s.devices)
	d.CallUs, d.LostAfter, d.Proofs = int64(s.c.CallTimeout), int32(s.c.LostAfter), s.proofs.toWire(s.c.Now())
	return d, nil
}

func (s *service) Arm(ctx context.Context, r *driverv1.ArmRequest) (*driverv1.ArmResponse, error) {
	a, err := s.arm(ctx, r)
	return a, toStatus(err)
}

func (s *service) arm(ctx context.Context, r *driverv1.ArmRequest) (*driverv1.ArmResponse, error) {
	limits, err := tripwireFromWire(r.Tripwire)
	if err != nil {
		return nil, err
	}
	if err := s.after(ctx, r.AfterRecords); err != nil {
		return nil, err
	}
	if err := s.k.mayArm(r.Epoch); err != nil {
		return nil, err
	}
	if err := s.allowed(ctx); err != nil {
		return nil, err
	}
	answer, err := s.armBoth(ctx, r)
	if err != nil {
		return nil, err
	}
	if r.Prove && s.c.Sample == nil {
		proved, err := s.proveBoth(ctx, answer)
		if err != nil {
			return nil, err
		}
		if proved { // which took away what was armed
			if answer, err = s.armBoth(ctx, r); err != nil {
				return nil, err
			}
		}
	}
	wire, err := NewTripwire(s.c.layout, limits, s.c.Now())
	if err != nil {
		return nil, err
	}
	install := func() {
		s.sampler.wire.Store(wire)
		s.k.armed[sideSupply] = s.k.armed[sideSupply] || answer.Supply != nil
		s.k.armed[sideLoad] = s.k.armed[sideLoad] || answer.Load != nil
	}
	if err := s.k.arm(r.Epoch, install); err != nil {
		return nil, err
	}
	answer.Proofs = s.proofs.toWire(s.c.Now())
	return answer, nil
}

// allowed asks whatever else must hold before a bench is armed (INV-08).
func (s *service) allowed(ctx context.Context) error {
	if s.c.Allow == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, duration(AllowTime))
	defer cancel()
	if err := s.c.Allow(ctx); err != nil {
		return fmt.Errorf("%w: %w", drivers.ErrRefused, err)
	}
	return nil
}

// armBoth arms supply and load and returns what they read back: at the same
// time, unless a program holds one of them, whose arming begins a lease of its
// own and must not be overtaken by the other's.
func (s *service) armBoth(ctx context.Context, r *driverv1.ArmRequest) (*driverv1.ArmResponse, error) {
	answer := &driverv1.ArmResponse{}
	var sErr, lErr error
	supply := func() { answer.Supply, sErr = s.armOne(ctx, RoleSupply, r.Supply) }
	load := func() { answer.Load, lErr = s.armOne(ctx, RoleLoad, r.Load) }
	if _, remote := s.c.Set.Supply.(Prover); remote {
		supply()
		load()
	} else {
		var both sync.WaitGroup
		both.Go(supply)
		both.Go(load)
		both.Wait()
	}
	return answer, errors.Join(sErr, lErr)
}

// power returns a supply's or load's device and its halter; the device is nil
// where the bench has none.
func (s *service) power(role Role) (drivers.Power, *drivers.PowerSpec, *halter) {
	if role == RoleSupply {
		return s.c.Set.Supply, &s.c.Bench.Supply, s.k.supply
	}
	return s.c.Set.Load, &s.c.Bench.Load, s.k.load
}

// armOne arms an instrument, or leaves it alone where nothing is asked.
func (s *service) armOne(ctx context.Context, role Role, w *driverv1.Protection) (*driverv1.Protection, error) {
	if w == nil {
		return nil, nil
	}
	p, err := protectionFromWire(w, role.String())
	if err != nil {
		return nil, err
	}
	device, _, _ := s.power(role)
	if device == nil {
		return nil, fmt.Errorf("%s: %w", role, ErrAbsent)
	}
	back := make(chan drivers.Protection, 1) // a late answer must not race with the next
	err = s.do(ctx, role, ticket{}, s.c.CallTimeout, func(ctx context.Context) error {
		// Halts asked for before come first: behind a plugin a halt of either
		// output begins an epoch, in which an arming that it overtook is refused.
		for _, h := range s.k.outputs() {
			if h == nil {
				continue
			}
			if err := h.wait(ctx, h.asked.Load()); err != nil {
				back <- drivers.Protection{}
				return err
			}
		}
		b, err := device.Arm(ctx, p)
		if err == nil {
			s.k.setUp(sideOf(role))
		}
		back <- b
		return err
	})
	if err != nil {
		return nil, err
	}
	return protectionToWire(<-back), nil
}

func (s *service) Set(ctx context.Context, r *driverv1.SetRequest) (*driverv1.SetResponse, error) {
	return &driverv1.SetResponse{}, toStatus(s.set(ctx, r))
}

func (s *service) set(ctx context.Context, r *driverv1.SetRequest) error {
	charging, p, err := setpointFromWire(r)
	if err != nil {
		return err
	}
	role := RoleLoad
	if charging {
		role = RoleSupply
	}
	device, _, halter := s.power(role)
	if device == nil {
		return fmt.Errorf("%s: %w", role, ErrAbsent)
	}
	side := sideOf(role)
	if !p.On {
		return s.off(ctx, role, func(ctx context.Context) error { return s.k.switchOff(ctx, side) })
	}
	return s.energise(ctx, order{
		role: role, place: s.slots[role].enter(), records: r.AfterRecords, epoch: r.Epoch, halter: halter,
		first: func(ctx context.Context) error { return s.k.otherTold(ctx, side) },
		check: func() error { return s.k.mayTurnOn(side) },
		call:  func(ctx context.Context) error { return device.Set(ctx, p) },
	})
}

func (s *service) Switch(ctx context.Context, r *driverv1.SwitchRequest) (*driverv1.SwitchResponse, error) {
	return &driverv1.SwitchResponse{}, toStatus(s.switchTo(ctx, r))
}

func (s *service) switchTo(ctx context.Context, r *driverv1.SwitchRequest) error {
	closed, err := contactorsFromWire(r.Closed)
	if err != nil {
		return err
	}
	if s.c.Set.Box == nil {
		return fmt.Errorf("%s: %w", RoleBox, ErrAbsent)
	}
	if closed == 0 {
		return s.off(ctx, RoleBox, func(ctx context.Context) error { return s.k.box.wait(ctx, s.k.box.ask()) })
	}
	return s.energise(ctx, order{
		role: RoleBox, place: s.slots[RoleBox].enter(), records: r.AfterRecords, epoch: r.Epoch, halter: s.k.box,
		call: func(ctx context.Context) error { return s.c.Set.Box.Switch(ctx, closed) },
	})
}

func (s *service) Bleed(ctx context.Context, r *driverv1.BleedRequest) (*driverv1.BleedResponse, error) {
	return &driverv1.BleedResponse{}, toStatus(s.bleed(ctx, r))
}

func (s *service) bleed(ctx context.Context, r *driverv1.BleedRequest) error {
	if s.c.Set.Monitor == nil {
		return fmt.Errorf("%s: %w", RoleMonitor, ErrAbsent)
	}
	if err := wordsCheck(r.Words, s.c.Bench.Monitor.Cells); err != nil {
		return err
	}
	var any int32
	for _, w := range r.Words {
		any |= w
	}
	if any == 0 {
		return s.off(ctx, RoleMonitor, func(ctx context.Context) error { return s.k.monitor.wait(ctx, s.k.monitor.ask()) })
	}
	return s.energise(ctx, order{
		role: RoleMonitor, place: s.slots[RoleMonitor].enter(), records: r.AfterRecords, epoch: r.Epoch, halter: s.k.monitor,
		call: func(ctx context.Context) error { return s.c.Set.Monitor.Bleed(ctx, r.Words) },
	})
}

func (s *service) Fast(_ context.Context, r *driverv1.FastRequest) (*driverv1.FastResponse, error) {
	var err error
	on := need(r.On, "on", &err)
	if err != nil {
		return nil, toStatus(err)
	}
	s.sampler.setFast(on)
	return &driverv1.FastResponse{}, nil
}

// recordWait is how long a repeated halt waits for its record before it halts
// by itself.
const recordWait = 20 * drivers.Millisecond

func (s *service) Halt(ctx context.Context, r *driverv1.HaltRequest) (*driverv1.HaltResponse, error) {
	asked, obeyed := [2]uint64{}, false
	if r.Record != 0 {
		wait, cancel := context.WithTimeout(ctx, duration(recordWait))
		obeyed = s.pipe.done.await(wait, r.Record) == nil
		cancel()
	}
	if obeyed {
		asked = s.k.latestHalt()
	} else {
		asked = s.k.haltOutputs(r.Epoch)
	}
	ctx, cancel := context.WithTimeout(ctx, duration(s.c.CallTimeout))
	defer cancel()
	var failed []error
	for i, h := range s.k.outputs() {
		if h != nil {
			if err := h.wait(ctx, asked[i]); err != nil {
				failed = append(failed, err)
			}
		}
	}
	return &driverv1.HaltResponse{}, toStatus(errors.Join(failed...))
}

func (s *service) Frames(_ *driverv1.FramesRequest, stream grpc.ServerStreamingServer[driverv1.FramesResponse]) error {
	queue := s.hub.subscribe()
	if queue == nil {
		return status.Errorf(codes.ResourceExhausted, "%d streams are open already", subscribersMax)
	}
	defer s.hub.unsubscribe(queue)
	if err := stream.SendHeader(metadata.MD{}); err != nil { // tells that no later frame is missed
		return err
	}
	for {
		select {
		case r := <-queue:
			if err := stream.Send(r); err != nil {
				return err
			}
		case <-stream.Context().Done():
			return stream.Context().Err()
		}
	}
}
