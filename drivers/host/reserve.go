package host

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// reserve keeps the bench for a device that is to be left alone, until release:
// no command energises meanwhile. With idle set it refuses while there is a
// lease, which is a run's; else it ends that lease and halts everything first,
// since it would run out in the middle. It refuses unless both outputs and the
// device have taken every halt and nothing is on (INV-01). It returns how often
// the device had been asked to halt: more often means that a halt came between.
func (k *keeper) reserve(ctx context.Context, h *halter, idle bool) (before uint64, err error) {
	if err := k.calm(h.role, idle); err != nil {
		return 0, err
	}
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
	if h.told.load() < before {
		return 0, errHalted
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

// calm ends a lease that is alive, with everything halted. What is to be left
// alone must be armed anew afterwards.
func (k *keeper) calm(role Role, idle bool) error {
	k.mu.Lock()
	_, live := k.lease.Until()
	switch {
	case k.ended || k.unheld:
		k.mu.Unlock()
		return fmt.Errorf("nobody holds this host any more: %w", drivers.ErrLease)
	case idle && live:
		k.mu.Unlock()
		return fmt.Errorf("a lease is alive, so a run may be under way: %w", drivers.ErrRefused)
	}
	k.lease.Suspend()
	k.noteUntil()
	k.on, k.armed = [2]bool{}, [2]bool{}
	if side := sideOf(role); side >= 0 {
		k.bare[side] = true
	}
	k.mu.Unlock()
	if live {
		k.askAll()
	}
	return nil
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
