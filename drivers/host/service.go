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

	supply, load, box, monitor slot
}

// slot lets one command at a time through to a device.
type slot chan struct{}

func newService(c *Config, k *keeper, p *pipe, h *hub, s *sampler, devices []*driverv1.Device) *service {
	one := func() slot { return make(slot, 1) }
	return &service{c: c, k: k, pipe: p, hub: h, sampler: s, devices: devices,
		supply: one(), load: one(), box: one(), monitor: one()}
}

// do calls a device under the call timeout. A driver that hangs beyond it
// keeps its slot, and later commands for it fail; the caller goes on.
func (s *service) do(ctx context.Context, role Role, one slot, call func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, duration(s.c.CallTimeout))
	select {
	case one <- struct{}{}:
	case <-ctx.Done():
		cancel()
		return fmt.Errorf("%s: an earlier command still hangs: %w", role, drivers.ErrNoAnswer)
	}
	done := make(chan error, 1)
	go func() {
		defer cancel()
		err := call(ctx)
		<-one
		done <- err
	}()
	var err error
	select {
	case err = <-done:
	case <-ctx.Done():
		select {
		case err = <-done:
		default:
			err = fmt.Errorf("within %v: %w", duration(s.c.CallTimeout), drivers.ErrNoAnswer)
		}
	}
	if err != nil {
		return fmt.Errorf("%s: %w", role, err)
	}
	return nil
}

// off waits for what de-energises, which needs neither lease nor turn: the
// halter goes past commands that hang.
func (s *service) off(ctx context.Context, wait func(context.Context) error) error {
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
	return describe(s.c, s.devices), nil
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
	answer, err := s.armBoth(ctx, r)
	if err != nil {
		return nil, err
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
	return answer, nil
}

// armBoth arms supply and load at the same time and returns what they read back.
func (s *service) armBoth(ctx context.Context, r *driverv1.ArmRequest) (*driverv1.ArmResponse, error) {
	answer := &driverv1.ArmResponse{}
	var both sync.WaitGroup
	var sErr, lErr error
	both.Go(func() { answer.Supply, sErr = s.armOne(ctx, RoleSupply, s.supply, s.c.Set.Supply, r.Supply) })
	both.Go(func() { answer.Load, lErr = s.armOne(ctx, RoleLoad, s.load, s.c.Set.Load, r.Load) })
	both.Wait()
	return answer, errors.Join(sErr, lErr)
}

// armOne arms an instrument, or leaves it alone where nothing is asked.
func (s *service) armOne(ctx context.Context, role Role, one slot, device drivers.Power, w *driverv1.Protection) (*driverv1.Protection, error) {
	if w == nil {
		return nil, nil
	}
	p, err := protectionFromWire(w, role.String())
	if err != nil {
		return nil, err
	}
	if device == nil {
		return nil, fmt.Errorf("%s: %w", role, ErrAbsent)
	}
	back := make(chan drivers.Protection, 1) // a late answer must not race with the next
	err = s.do(ctx, role, one, func(ctx context.Context) error {
		b, err := device.Arm(ctx, p)
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
	role, one, device, side, off := RoleSupply, s.supply, s.c.Set.Supply, sideSupply, s.k.supply
	if !charging {
		role, one, device, side, off = RoleLoad, s.load, s.c.Set.Load, sideLoad, s.k.load
	}
	if device == nil {
		return fmt.Errorf("%s: %w", role, ErrAbsent)
	}
	if !p.On {
		return s.off(ctx, func(ctx context.Context) error { return s.k.switchOff(ctx, side) })
	}
	if err := s.after(ctx, r.AfterRecords); err != nil {
		return err
	}
	return s.do(ctx, role, one, func(ctx context.Context) error {
		if err := s.k.otherTold(ctx, side); err != nil {
			return err
		}
		return s.k.command(ctx, r.Epoch, off, func() error { return s.k.otherOff(side) }, func() error { return device.Set(ctx, p) })
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
		return s.off(ctx, func(ctx context.Context) error { return s.k.box.wait(ctx, s.k.box.ask()) })
	}
	if err := s.after(ctx, r.AfterRecords); err != nil {
		return err
	}
	return s.do(ctx, RoleBox, s.box, func(ctx context.Context) error {
		return s.k.command(ctx, r.Epoch, s.k.box, nil, func() error { return s.c.Set.Box.Switch(ctx, closed) })
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
		return s.off(ctx, func(ctx context.Context) error { return s.k.monitor.wait(ctx, s.k.monitor.ask()) })
	}
	if err := s.after(ctx, r.AfterRecords); err != nil {
		return err
	}
	return s.do(ctx, RoleMonitor, s.monitor, func(ctx context.Context) error {
		return s.k.command(ctx, r.Epoch, s.k.monitor, nil, func() error { return s.c.Set.Monitor.Bleed(ctx, r.Words) })
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
