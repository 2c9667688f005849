package host

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// halter does nothing but halt one device. Asking it never waits: not for the
// device, not for another device, not for a lock (INV-03). A device that does
// not take its halt is told again until it does.
type halter struct {
	role    Role
	device  drivers.Halter
	timeout time.Duration
	failed  func(Role, error) // told of each refusal's first time

	asked atomic.Uint64
	kick  chan struct{}

	told  counter                // the latest request that the device took
	fault atomic.Pointer[string] // why the latest attempt failed; nil: it did not
	// hanging counts attempts that have not returned.
	hanging atomic.Int32
}

// hangMax bounds the attempts that hang in a device's driver.
const hangMax = 8

// retryPause is how long a halter waits before it tells a device again that
// refused at once.
const retryPause = 10 * time.Millisecond

func newHalter(role Role, device drivers.Halter, timeout drivers.Span, failed func(Role, error)) *halter {
	return &halter{role: role, device: device, timeout: duration(timeout), failed: failed,
		kick: make(chan struct{}, 1)}
}

// ask asks for a halt and returns its number for wait.
func (h *halter) ask() uint64 {
	n := h.asked.Add(1)
	select {
	case h.kick <- struct{}{}:
	default: // already asked, and asked is read after the kick is taken
	}
	return n
}

// run serves requests until ctx is over.
func (h *halter) run(ctx context.Context) {
	for {
		select {
		case <-h.kick:
		case <-ctx.Done():
			return
		}
		for first := true; !h.once(ctx, first); first = false {
			select {
			case <-h.kick:
			case <-time.After(retryPause):
			case <-ctx.Done():
				return
			}
		}
	}
}

// once makes one attempt and says whether the device took it.
func (h *halter) once(ctx context.Context, first bool) bool {
	n := h.asked.Load()
	err := h.attempt(ctx)
	if err == nil {
		h.fault.Store(nil)
		h.told.raise(n)
		return true
	}
	text := err.Error()
	h.fault.Store(&text)
	if first {
		h.failed(h.role, err)
	}
	return false
}

// attempt calls the device in a goroutine of its own, since a driver may hang
// beyond its deadline.
func (h *halter) attempt(ctx context.Context) error {
	if h.hanging.Load() >= hangMax {
		return fmt.Errorf("%d earlier halts still hang in its driver: %w", hangMax, drivers.ErrNoAnswer)
	}
	ctx, cancel := context.WithTimeout(ctx, h.timeout)
	done := make(chan error, 1)
	h.hanging.Add(1)
	go func() {
		defer cancel()
		err := h.device.Halt(ctx)
		h.hanging.Add(-1)
		done <- err
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	select { // both may be ready; what the device said counts
	case err := <-done:
		return err
	default:
		return fmt.Errorf("halt not taken within %v: %w", h.timeout, drivers.ErrNoAnswer)
	}
}

// pending says that a halt was asked for which the device has not taken.
func (h *halter) pending() bool { return h.told.load() < h.asked.Load() }

// wait waits until the device took request n, at most until ctx is over.
func (h *halter) wait(ctx context.Context, n uint64) error {
	if h.told.await(ctx, n) == nil {
		return nil
	}
	if why := h.fault.Load(); why != nil {
		return fmt.Errorf("%s: %s: %w", h.role, *why, drivers.ErrNoAnswer)
	}
	return fmt.Errorf("%s: halt not taken in time: %w", h.role, drivers.ErrNoAnswer)
}
