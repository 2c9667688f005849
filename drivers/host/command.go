package host

import (
	"context"
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// Arm sets the instruments' own limits and the tripwire and begins a lease of
// one length, from which on it must be renewed. It returns what supply and load
// read back. It needs no lease and energises nothing that could flow: where an
// instrument's communication timeout is declared and armed, and this host has
// not proven it yet, it proves it by silence (Proof), which takes seconds; give
// it ArmTime. The contactors must then be measured open. An instrument that
// stays on is an error: its bench relies on what does not exist.
//
// The epoch must not be older than the one in force; after a lost lease
// (EventLeaseOut, EventBreach) it must be newer (ErrEpoch).
func (c *Client) Arm(ctx context.Context, epoch uint64, supply, load drivers.Protection, wire TripwireLimits) (s, l drivers.Protection, err error) {
	answer, err := c.rpc.Arm(ctx, &driverv1.ArmRequest{
		Epoch: epoch, AfterRecords: c.pipe.sent.Load(), Prove: true,
		Supply: protectionToWire(supply), Load: protectionToWire(load), Tripwire: tripwireToWire(wire),
	})
	if err != nil {
		return s, l, fmt.Errorf("arm: %w", fromStatus(err))
	}
	s, err = protectionFromWire(answer.Supply, "supply")
	l, lErr := protectionFromWire(answer.Load, "load")
	if err = errors.Join(err, lErr); err != nil {
		return s, l, fmt.Errorf("arm: read back: %w", err)
	}
	return s, l, nil
}

// Set commands the supply (charging) or the load, absolutely. To switch on, it
// needs a lease and an epoch that is not over, and the other of the two must be
// off (INV-01); to switch off, it needs nothing.
func (c *Client) Set(ctx context.Context, epoch uint64, charging bool, s drivers.Setpoint) error {
	r := setpointToWire(charging, s)
	r.Epoch, r.AfterRecords = epoch, c.pipe.sent.Load()
	if _, err := c.rpc.Set(ctx, r); err != nil {
		return fmt.Errorf("set: %w", fromStatus(err))
	}
	return nil
}

// Switch closes exactly the given contactors. Closing any needs a lease and an
// epoch that is not over; opening all needs nothing.
func (c *Client) Switch(ctx context.Context, epoch uint64, closed drivers.Contactors) error {
	list, err := contactorsToWire(closed)
	if err != nil {
		return fmt.Errorf("switch: %w", err)
	}
	if _, err := c.rpc.Switch(ctx, &driverv1.SwitchRequest{Epoch: epoch, AfterRecords: c.pipe.sent.Load(), Closed: list}); err != nil {
		return fmt.Errorf("switch: %w", fromStatus(err))
	}
	return nil
}

// Bleed bleeds exactly the given cells (words of 16) until the next command or
// the monitor's own timeout. Bleeding any needs a lease and an epoch that is
// not over; bleeding none needs nothing.
func (c *Client) Bleed(ctx context.Context, epoch uint64, words []int32) error {
	if err := wordsCheck(words, c.bench.Monitor.Cells); err != nil {
		return fmt.Errorf("bleed: %w", err)
	}
	if _, err := c.rpc.Bleed(ctx, &driverv1.BleedRequest{Epoch: epoch, AfterRecords: c.pipe.sent.Load(), Words: words}); err != nil {
		return fmt.Errorf("bleed: %w", fromStatus(err))
	}
	return nil
}

// Fast asks for frames at the box's link period, or no longer.
func (c *Client) Fast(ctx context.Context, on bool) error {
	if _, err := c.rpc.Fast(ctx, &driverv1.FastRequest{On: &on}); err != nil {
		return fmt.Errorf("fast frames: %w", fromStatus(err))
	}
	return nil
}

// Halted halts supply and load over gRPC and returns once both were told, or
// why not. After Halt of the same epoch it halts nothing a second time but
// waits for that one.
func (c *Client) Halted(ctx context.Context, epoch uint64) error {
	if _, err := c.rpc.Halt(ctx, &driverv1.HaltRequest{Epoch: epoch, Record: c.pipe.haltOf(epoch)}); err != nil {
		return fmt.Errorf("halt: %w", fromStatus(err))
	}
	return nil
}

// Prove proves the silence limit of one instrument: the communication timeout of
// the supply or load, which is armed with p and needs arming again afterwards,
// or the heartbeat of the box, for which p means nothing. open says that the
// caller has measured every contactor open and holds the lease, as a host does
// in front of a plugin; without it there must be a box, which the driver reads
// for itself, and no lease.
//
// The box's proof closes its negative contactor, and nothing else, with supply
// and load off: a person asks for it, no arming does it by itself.
func (c *Client) Prove(ctx context.Context, role Role, p drivers.Protection, open bool) (Proof, error) {
	r := &driverv1.ProveRequest{Role: driverv1.Role(role), ContactorsOpen: open}
	if role != RoleBox {
		r.Protection = protectionToWire(p)
	}
	answer, err := c.rpc.Prove(ctx, r)
	if err != nil {
		return Proof{}, fmt.Errorf("prove: %w", fromStatus(err))
	}
	proof, err := proofFromWire(answer.Proof, c.now())
	switch {
	case err != nil:
	case proof.Role != role || !proof.Proven:
		err = fmt.Errorf("%w: asked for the %s, it tells of %v", ErrImpossible, role, proof)
	}
	if err != nil {
		return Proof{}, fmt.Errorf("prove: %w", err)
	}
	return proof, nil
}

// Proofs tells, for each silence limit that the bench declares, whether the
// host has proven it since the instrument last answered anew.
func (c *Client) Proofs(ctx context.Context) ([]Proof, error) {
	answer, err := c.rpc.Describe(ctx, &driverv1.DescribeRequest{})
	if err != nil {
		return nil, fmt.Errorf("proofs: %w", fromStatus(err))
	}
	return proofsFromWire(answer.Proofs, c.now())
}
