package canbus

import (
	"context"
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
)

// Options says where a monitor answers and how it speaks.
type Options struct {
	// Address is can:INTERFACE, unix:PATH, tcp:HOST:PORT or log:FILE.
	Address string
	Map     *Map
	// Expect is what the monitor must say of itself.
	Expect drivers.Identity
	// Now is the clock for ages; nil: the real one.
	Now func() drivers.Instant
	// Notice is told what a person should know and no reading shows; nil:
	// nobody. It must not call the monitor.
	Notice func(text string)
}

// Monitor is a cell monitor on a CAN bus.
type Monitor struct{}

var _ drivers.Monitor = (*Monitor)(nil)

var errNotBuilt = errors.New("canbus: not built yet")

// New begins to listen. Nothing is sent before the first Bleed, Halt or
// Identify.
func New(o Options, spec drivers.MonitorSpec) (*Monitor, error) { return nil, errNotBuilt }

// Close ends listening and sending.
func (m *Monitor) Close() error { return errNotBuilt }

// Halt stops bleeding.
func (m *Monitor) Halt(ctx context.Context) error { return errNotBuilt }

// Identify returns what the monitor says of itself.
func (m *Monitor) Identify(ctx context.Context) (drivers.Identity, error) {
	return drivers.Identity{}, errNotBuilt
}

// Bleed bleeds exactly the given cells.
func (m *Monitor) Bleed(ctx context.Context, words []int32) error { return errNotBuilt }

// Read fills r with the latest complete sweep.
func (m *Monitor) Read(ctx context.Context, r *drivers.MonitorReading) error { return errNotBuilt }
