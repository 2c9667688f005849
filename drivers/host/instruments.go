package host

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync/atomic"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// instruments is what a client's bench looks like to whoever drives single
// devices: a host that has a plugin behind it, the conformance suite.
type instruments struct {
	c     *Client
	wire  TripwireLimits
	set   drivers.Set
	epoch atomic.Uint64
	alive func() bool

	latest atomic.Pointer[drivers.Frame]
	seen   counter // the latest frame's number
}

// Instruments returns the devices behind the client, each as the role it has;
// roles that nobody told of are nil. It begins a lease under the given limits,
// if alive says so, and renews it from every fresh frame as long as alive does;
// it asks once per frame, and must not be made to wait. Another lease is begun
// by an Arm, and, while alive says so, by the next Switch or Bleed, whose roles
// have no Arm; supply and load then still want theirs. It takes over the
// client's frames, and the epochs: nobody else may command or halt through the
// client from then on.
//
// A reading is the latest frame's. Halting the supply halts the load too,
// and the other way round.
func (c *Client) Instruments(ctx context.Context, wire TripwireLimits, alive func() bool) (drivers.Set, error) {
	n := &instruments{c: c, wire: wire, alive: alive}
	n.epoch.Store(c.base)
	for role := range c.describe.Identities {
		switch role {
		case RoleSupply:
			n.set.Supply = &remotePower{remote{n, RoleSupply}, sideSupply}
		case RoleLoad:
			n.set.Load = &remotePower{remote{n, RoleLoad}, sideLoad}
		case RoleBox:
			n.set.Box = &remoteBox{remote{n, RoleBox}}
		case RoleMonitor:
			n.set.Monitor = &remoteMonitor{remote{n, RoleMonitor}}
		case RoleMeter:
			n.set.Meter = &remoteMeter{remote{n, RoleMeter}}
		}
	}
	if alive() {
		if _, err := n.arm(ctx, nil, nil); err != nil {
			return drivers.Set{}, err
		}
	}
	c.work.Go(n.follow)
	return n.set, nil
}

// follow takes the frames and keeps the lease.
func (n *instruments) follow() {
	for {
		select {
		case f := <-n.c.frames:
			n.latest.Store(f)
			n.seen.raise(f.Echo)
			// A frame that is held up renews for as much less; one that is late by
			// half a lease is a sign of worse.
			if n.alive() && n.c.now().Sub(f.At) <= n.c.describe.Lease/2 {
				// What cannot be sent is not renewed; the lease runs out.
				_ = n.c.Renew(n.epoch.Load(), f.Echo, n.c.describe.Lease)
			}
		case <-n.c.ended:
			n.seen.raise(math.MaxUint64) // nobody waits for a frame any more
			return
		}
	}
}

// newsPeriods is for how many of its periods a frame is news. So long the last
// one of a plugin that died still looks like an answer; the printed paths count it.
const newsPeriods = 2

// isFresh says whether a frame is young enough to be news.
func (n *instruments) isFresh(f *drivers.Frame) bool {
	return n.c.now().Sub(f.At) <= newsPeriods*n.c.describe.Period
}

// leased carries out a command of a device that has no arming of its own. Where
// the lease was lost and the caller's is alive, it begins another.
func (n *instruments) leased(ctx context.Context, do func(epoch uint64) error) error {
	err := do(n.epoch.Load())
	if !errors.Is(err, drivers.ErrLease) || !n.alive() {
		return err
	}
	if _, err := n.arm(ctx, nil, nil); err != nil {
		return err
	}
	return do(n.epoch.Load())
}

// arm begins a new epoch.
func (n *instruments) arm(ctx context.Context, supply, load *driverv1.Protection) (*driverv1.ArmResponse, error) {
	r := &driverv1.ArmRequest{Epoch: n.epoch.Add(1), AfterRecords: n.c.pipe.sent.Load(), Supply: supply, Load: load, Tripwire: tripwireToWire(n.wire)}
	answer, err := n.c.rpc.Arm(ctx, r)
	return answer, fromStatus(err)
}

// remote is one device of them.
type remote struct {
	n    *instruments
	role Role
}

// Identify returns what the device said when its host started.
func (r *remote) Identify(ctx context.Context) (drivers.Identity, error) {
	return r.n.c.describe.Identities[r.role], ctx.Err()
}

// haltOutputs halts supply and load by both ways.
func (r *remote) haltOutputs(ctx context.Context) error {
	epoch := r.n.epoch.Add(1)
	quick := r.n.c.Halt(epoch)
	if err := r.n.c.Halted(ctx, epoch); err != nil {
		return errors.Join(quick, err)
	}
	return nil
}

// fresh returns the latest frame, or the next one where that is over two
// periods old: an old frame is never handed out as if it were news.
func (r *remote) fresh(ctx context.Context) (*drivers.Frame, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	last := r.n.seen.load()
	if last == math.MaxUint64 {
		return nil, fmt.Errorf("%s: its driver is gone: %w", r.role, drivers.ErrNoAnswer)
	}
	if f := r.n.latest.Load(); f != nil && r.n.isFresh(f) {
		return f, nil
	}
	if err := r.n.seen.await(ctx, last+1); err != nil {
		return nil, fmt.Errorf("%s: no frame: %w: %w", r.role, drivers.ErrNoAnswer, err)
	}
	if f := r.n.latest.Load(); f != nil && r.n.isFresh(f) {
		return f, nil
	}
	return nil, fmt.Errorf("%s: its frames come late, or its driver is gone: %w", r.role, drivers.ErrNoAnswer)
}

// read returns the latest counts of the given kinds; the last is one that every
// answer has.
func (r *remote) read(ctx context.Context, kinds ...drivers.Kind) ([]int32, error) {
	f, err := r.fresh(ctx)
	if err != nil {
		return nil, err
	}
	got := make([]int32, len(kinds))
	for i, k := range kinds {
		if got[i] = drivers.NoReading; r.n.c.layout.Find(k) >= 0 {
			got[i] = f.Counts[r.n.c.layout.Find(k)]
		}
	}
	if got[len(got)-1] == drivers.NoReading {
		return nil, fmt.Errorf("%s: %w", r.role, drivers.ErrNoAnswer)
	}
	return got, nil
}

// remotePower is a supply or load.
type remotePower struct {
	remote
	side int
}

func (p *remotePower) Halt(ctx context.Context) error { return p.haltOutputs(ctx) }

func (p *remotePower) Arm(ctx context.Context, l drivers.Protection) (drivers.Protection, error) {
	if p.side == sideSupply {
		answer, err := p.n.arm(ctx, protectionToWire(l), nil)
		if err != nil {
			return drivers.Protection{}, err
		}
		return protectionFromWire(answer.Supply, "supply")
	}
	answer, err := p.n.arm(ctx, nil, protectionToWire(l))
	if err != nil {
		return drivers.Protection{}, err
	}
	return protectionFromWire(answer.Load, "load")
}

// ProveSilence lets the program that holds the instrument prove its timeout.
func (p *remotePower) ProveSilence(ctx context.Context, l drivers.Protection) (drivers.Span, error) {
	proof, err := p.n.c.Prove(ctx, p.role, l, true)
	return proof.Took, err
}

func (p *remotePower) Set(ctx context.Context, s drivers.Setpoint) error {
	return p.n.c.Set(ctx, p.n.epoch.Load(), p.side == sideSupply, s)
}

func (p *remotePower) Read(ctx context.Context) (drivers.Reading, error) {
	kinds := []drivers.Kind{drivers.SupplyVoltage, drivers.SupplyCurrent, drivers.SupplyBeat, drivers.SupplyState}
	if p.side == sideLoad {
		kinds = []drivers.Kind{drivers.LoadVoltage, drivers.LoadCurrent, drivers.LoadBeat, drivers.LoadState}
	}
	got, err := p.read(ctx, kinds...)
	if err != nil {
		return drivers.Reading{}, err
	}
	return drivers.Reading{Voltage: got[0], Current: got[1], Beat: got[2], State: got[3]}, nil
}

type remoteBox struct{ remote }

func (b *remoteBox) Halt(ctx context.Context) error { return b.n.c.Switch(ctx, 0, 0) }

func (b *remoteBox) Switch(ctx context.Context, closed drivers.Contactors) error {
	return b.n.leased(ctx, func(epoch uint64) error { return b.n.c.Switch(ctx, epoch, closed) })
}

func (b *remoteBox) Read(ctx context.Context) (drivers.BoxReading, error) {
	got, err := b.read(ctx, drivers.LinkVoltage, drivers.BoxCurrent, drivers.BoxBeat, drivers.BoxState)
	if err != nil {
		return drivers.BoxReading{}, err
	}
	return drivers.BoxReading{Link: got[0], Current: got[1], Beat: got[2], State: got[3]}, nil
}

type remoteMonitor struct{ remote }

func (m *remoteMonitor) Halt(ctx context.Context) error { return m.n.c.Bleed(ctx, 0, nil) }

func (m *remoteMonitor) Bleed(ctx context.Context, words []int32) error {
	return m.n.leased(ctx, func(epoch uint64) error { return m.n.c.Bleed(ctx, epoch, words) })
}

func (m *remoteMonitor) Read(ctx context.Context, r *drivers.MonitorReading) error {
	f, err := m.fresh(ctx)
	if err != nil {
		return err
	}
	l := m.n.c.layout
	bleed, words := l.Find(drivers.BleedState), (l.Cells()+15)/16
	if f.Counts[bleed] == drivers.NoReading {
		return fmt.Errorf("%s: %w", m.role, drivers.ErrNoAnswer)
	}
	r.Cells = append(r.Cells[:0], f.Counts[:l.Cells()]...)
	r.Temps = append(r.Temps[:0], f.Counts[l.Cells():l.Cells()+l.Temps()]...)
	r.Bleeding = append(r.Bleeding[:0], f.Counts[bleed:bleed+words]...)
	r.Current, r.Beat = f.Counts[l.Find(drivers.ModuleCurrent)], f.Counts[l.Find(drivers.MonitorBeat)]
	return nil
}

type remoteMeter struct{ remote }

func (m *remoteMeter) Read(ctx context.Context) (drivers.Reading, error) {
	got, err := m.read(ctx, drivers.MeterBeat, drivers.ModuleVoltage)
	if err != nil {
		return drivers.Reading{}, err
	}
	return drivers.Reading{Voltage: got[1], Current: drivers.NoReading, Beat: got[0]}, nil
}
