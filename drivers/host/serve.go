package host

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"google.golang.org/grpc"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// Serve holds a bench's wires until ctx is over or c.Stdin ends, which both
// halt everything first. It begins by driving every device safe (INV-06) and
// asking who it is, and serves only once all have answered.
//
// It returns nil after a plain end; ErrRecord if what came on Stdin were no
// lease records; and what is wrong if a device still did not take its halt.
func Serve(ctx context.Context, c Config) error {
	s, err := open(ctx, c)
	if err != nil {
		if c.Listener != nil {
			c.Listener.Close()
		}
		return err
	}
	return s.run(ctx)
}

// server is a host whose devices are safe and known.
type server struct {
	c        *Config
	k        *keeper
	halters  []*halter
	pipe     *pipe
	sampler  *sampler
	service  *service
	cancel   context.CancelFunc // ends the halters
	working  sync.WaitGroup
	identity []*driverv1.Device
}

// open builds the host, drives every device safe and asks its identity.
func open(ctx context.Context, c Config) (*server, error) {
	if err := c.prepare(); err != nil {
		return nil, err
	}
	s := &server{c: &c, k: &keeper{now: c.Now, patience: duration(c.CallTimeout) / 4, lease: NewLease(c.Bench.Lease), rearm: make(chan struct{}, 1)}}
	s.pipe = &pipe{k: s.k}
	s.k.part, s.k.unheld = c.Part, c.Stdin == nil
	hub := newHub(s.pipe.done.load)
	s.k.report = hub.event
	s.makeHalters(hub)
	s.sampler = newSampler(s.c, s.k, hub.frame)
	s.k.opener.hurry = s.sampler.hurry

	var work context.Context
	work, s.cancel = context.WithCancel(context.Background())
	for _, h := range s.halters {
		s.working.Go(func() { h.run(work) })
	}
	if err := s.safe(ctx); err != nil {
		s.close()
		return nil, err
	}
	proofs := newProofs(&s.c.Bench, &s.c.Set)
	s.sampler.absent = proofs.lose
	s.service = newService(s.c, s.k, s.pipe, hub, s.sampler, s.identity, proofs)
	if c.Alive != nil {
		c.Alive.k.Store(s.k)
	}
	return s, nil
}

func (s *server) makeHalters(hub *hub) {
	failed := func(role Role, err error) {
		hub.event(Event{Kind: EventHaltFailed, At: s.c.Now(), Role: role, Breach: Breach{Channel: -1}, Text: err.Error() + "; it is told again"})
	}
	add := func(role Role, device drivers.Halter) *halter {
		h := newHalter(role, device, s.c.CallTimeout, failed)
		s.halters = append(s.halters, h)
		return h
	}
	set := &s.c.Set
	if set.Supply != nil {
		s.k.supply = add(RoleSupply, set.Supply)
	}
	if set.Load != nil {
		s.k.load = add(RoleLoad, set.Load)
	}
	if set.Monitor != nil {
		s.k.monitor = add(RoleMonitor, set.Monitor)
	}
	if set.Box != nil {
		s.k.box = add(RoleBox, set.Box)
	}
	s.k.opener = &opener{box: s.k.box, limit: s.c.Bench.Box.OpeningCurrent, after: openingTime(&s.c.Bench.Box),
		now: s.c.Now, report: s.k.report, kick: make(chan struct{}, 1), flows: make(chan flow, 1)}
}

// startTries is how many call timeouts a device has to answer at the start.
const startTries = 5

// safe halts every device, outputs first, and then asks all who they are.
func (s *server) safe(ctx context.Context) error {
	var failed []error
	tell := func(contactors bool) {
		ctx, cancel := context.WithTimeout(ctx, startTries*duration(s.c.CallTimeout))
		defer cancel()
		for _, h := range s.halters {
			if (h == s.k.box) == contactors {
				h.ask()
			}
		}
		for _, h := range s.halters {
			if (h == s.k.box) == contactors {
				if err := h.wait(ctx, h.asked.Load()); err != nil {
					failed = append(failed, fmt.Errorf("drive safe: %w", err))
				}
			}
		}
	}
	tell(false)
	tell(true) // at once, since current is unknown, but after the outputs
	if len(failed) > 0 {
		return errors.Join(failed...)
	}
	return s.identify(ctx)
}

func (s *server) identify(ctx context.Context) error {
	set := &s.c.Set
	ctx, cancel := context.WithTimeout(ctx, startTries*duration(s.c.CallTimeout))
	defer cancel()
	var failed []error
	powers := map[Role]*drivers.PowerSpec{RoleSupply: &s.c.Bench.Supply, RoleLoad: &s.c.Bench.Load}
	ask := func(role Role, identify func(context.Context) (drivers.Identity, error)) {
		id, err := identify(ctx)
		if err != nil {
			failed = append(failed, fmt.Errorf("%s: identify: %w", role, err))
			return
		}
		s.identity = append(s.identity, deviceToWire(role, id, powers[role]))
	}
	if set.Supply != nil {
		ask(RoleSupply, set.Supply.Identify)
	}
	if set.Load != nil {
		ask(RoleLoad, set.Load.Identify)
	}
	if set.Box != nil {
		ask(RoleBox, set.Box.Identify)
	}
	if set.Monitor != nil {
		ask(RoleMonitor, set.Monitor.Identify)
	}
	if set.Meter != nil {
		ask(RoleMeter, set.Meter.Identify)
	}
	return errors.Join(failed...)
}

// run serves until ctx is over or the lease pipe ends.
func (s *server) run(ctx context.Context) error {
	defer s.close()
	s.start()
	var options []grpc.ServerOption
	if s.c.Stdin == nil {
		options = leaseKeepalive
	}
	rpc := grpc.NewServer(options...)
	driverv1.RegisterDriverServiceServer(rpc, s.service)
	ended := make(chan error, 2)
	s.working.Go(func() {
		if err := rpc.Serve(s.c.Listener); err != nil {
			ended <- fmt.Errorf("commands: %w", err)
		}
	})
	if s.c.Stdin != nil {
		// Not waited for: a read from standard input cannot be called off.
		go func() { ended <- s.pipe.run(s.c.Stdin) }()
	}

	var err error
	select {
	case err = <-ended:
	case <-ctx.Done():
	}
	s.k.end()
	err = errors.Join(err, s.settle())
	rpc.Stop()
	return err
}

// start starts what samples and watches. It all goes on until close, so that
// an opening at the end still sees the current.
func (s *server) start() {
	work, cancel := context.WithCancel(context.Background())
	halters := s.cancel
	s.cancel = func() { cancel(); halters() }
	for _, r := range s.sampler.readers {
		// Not waited for: a driver may hang in its read.
		go r.run(work, duration(s.c.Bench.Monitor.Period/readShare), s.c.Now, s.sampler.answers)
	}
	s.working.Go(func() { s.sampler.run(work) })
	s.working.Go(func() { s.k.watch(work) })
	s.working.Go(func() { s.k.opener.run(work) })
}

// settle waits until every device took its halt, the contactors last.
func (s *server) settle() error {
	ctx, cancel := context.WithTimeout(context.Background(), duration(s.c.Linger))
	defer cancel()
	o := s.k.opener
	if err := o.done.await(ctx, o.asked.Load()); err != nil {
		return fmt.Errorf("contactors were not told to open: %w", err)
	}
	var failed []error
	for _, h := range s.halters {
		if err := h.wait(ctx, h.asked.Load()); err != nil {
			failed = append(failed, fmt.Errorf("at the end: %w", err))
		}
	}
	return errors.Join(failed...)
}

func (s *server) close() {
	s.cancel()
	s.working.Wait()
}
