package bench

import (
	"context"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// door is how other goroutines reach a loop: they hand it a function and wait
// for the answer. Everything inside runs on the loop's own goroutine.
type door struct {
	commands chan call
	done     chan struct{} // closed when the loop has ended
	// clock is the bench's present, read on the loop's goroutine.
	clock func() drivers.Instant
}

// call is a function to run on the loop's goroutine.
type call struct {
	fn    func() error
	reply chan error
}

func newDoor(clock func() drivers.Instant) door {
	return door{commands: make(chan call), done: make(chan struct{}), clock: clock}
}

func (d *door) do(ctx context.Context, fn func() error) error {
	c := call{fn: fn, reply: make(chan error, 1)}
	select {
	case d.commands <- c:
		return <-c.reply
	case <-d.done:
		return ErrClosed
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Name is the bench's name.
func (c *core) Name() string { return c.name }

// Status is the latest that is known of the bench.
func (c *core) Status() Status { return c.hub.status() }

// Subscribe returns a channel with the latest status and a function to end it.
func (c *core) Subscribe() (<-chan Status, func()) { return c.hub.subscribe() }

// Start begins a run.
func (c *core) Start(ctx context.Context, r StartRequest) error {
	return c.do(ctx, func() error { return c.begin(c.clock(), r) })
}

// Command carries out a person's command.
func (c *core) Command(ctx context.Context, verb machine.Verb, who, reason string) error {
	return c.do(ctx, func() error { return c.command(c.clock(), verb, who, reason) })
}
