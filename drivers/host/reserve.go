package host

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// reserve keeps the bench for a device that is to be left alone, until release:
// no command energises meanwhile, and it refuses unless both outputs and the
// device have taken every halt and nothing is on (INV-01); with idle set, also
// while there is a lease, which is a run's. It returns how often the device had
// been asked to halt: more often means that a halt came in between.
func (k *keeper) reserve(ctx context.Context, h *halter, idle bool) (before uint64, err error) {
	for _, o := range append([]*halter{h}, k.supply, k.load) {
		if o != nil {
			if err := k.settled(ctx, o); err != nil {
				return 0, err
			}
		}
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	before = h.asked.Load()
	switch _, live := k.lease.Until(); {
	case k.ended || k.unheld:
		return 0, fmt.Errorf("nobody holds this host any more: %w", drivers.ErrLease)
	case h.told.load() < before:
		return 0, errHalted
	case idle && live:
		return 0, fmt.Errorf("a lease is alive, so a run may be under way: %w", drivers.ErrRefused)
	}
	for side, o := range k.outputs() {
		if o != nil && (k.on[side] || o.pending()) {
			return 0, fmt.Errorf("the %s is not off yet, halt it first: %w", o.role, drivers.ErrRefused)
		}
	}
	k.alone = true
	k.admitted.Add(1) // a halt that crosses asks again
	return before, nil
}

func (k *keeper) release() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.alone = false
}

// suspend ends a lease with nothing energised: it would run out, and halt what
// is being proven, before anybody could renew it. What is proven must be armed
// anew, and nothing is on until then.
func (k *keeper) suspend(role Role) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.lease.Suspend()
	k.armed = [2]bool{}
	if side := sideOf(role); side >= 0 {
		k.bare[side] = true
	}
	k.noteUntil()
}

// sideOf is the place of a supply or load in pairs, -1 of anything else.
func sideOf(role Role) int {
	switch role {
	case RoleSupply:
		return sideSupply
	case RoleLoad:
		return sideLoad
	}
	return -1
}

// setUp notes that a supply or load was armed.
func (k *keeper) setUp(side int) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.bare[side] = false
}

// lost notes that a device no longer answers: no renewal counts until it is
// back, and a supply or load must be armed anew then.
func (k *keeper) lost(role Role) {
	k.silent.Or(1 << role)
	if side := sideOf(role); side >= 0 {
		k.mu.Lock()
		defer k.mu.Unlock()
		k.bare[side] = true
	}
}

// back notes that a device answers again. An output is told to be off, since
// nobody knows what the instrument makes of a setting from before.
func (k *keeper) back(role Role) {
	k.silent.And(^uint32(1 << role))
	if side := sideOf(role); side >= 0 {
		k.outputs()[side].ask()
	}
}
