package modbus

import (
	"context"
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// line carries requests to devices and brings their replies back.
type line interface {
	// connect makes sure that there is a connection and returns its number: as
	// long as it stays the same, the same device answers.
	connect(ctx context.Context) (uint64, error)
	// exchange sends the requests in order over connection number epoch and
	// returns their replies in order. On an error it returns the replies before
	// the one that failed.
	exchange(ctx context.Context, epoch uint64, unit uint8, list []request) ([]reply, error)
	// urgent is exchange for writes that overtake whatever is in flight, over
	// whatever connection there is or can be made.
	urgent(ctx context.Context, unit uint8, list []request) ([]reply, error)
	// aside is exchange that waits for no other exchange's end.
	aside(ctx context.Context, unit uint8, list []request) ([]reply, error)
	close() error
}

// late says that a call's time ran out.
func late(ctx context.Context, what string) error {
	if ctx.Err() == context.DeadlineExceeded {
		return fmt.Errorf("%s: %w in time", what, drivers.ErrNoAnswer)
	}
	return fmt.Errorf("%s: %w: given up by the caller", what, drivers.ErrNoAnswer)
}

// errBusy says that a line carries another exchange.
var errBusy = fmt.Errorf("the line is busy: %w", drivers.ErrNoAnswer)

// errOvertaken says that a halt came first: the request was not sent, or its
// reply was not waited for.
var errOvertaken = fmt.Errorf("overtaken by a halt: %w", drivers.ErrNoAnswer)

// take takes a turn that only one may have, unless the caller's time runs out.
func take(ctx context.Context, turn chan struct{}, what string) error {
	select {
	case turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return late(ctx, "waiting for "+what)
	}
}

// impatient is how long an urgent exchange waits where its caller sets no bound.
const impatient = time.Second

// half returns a context that leaves half of the caller's time for another try.
func half(ctx context.Context) (context.Context, context.CancelFunc) {
	wait := impatient / 2
	if t, ok := ctx.Deadline(); ok {
		wait = time.Until(t) / 2
	}
	return context.WithTimeout(ctx, wait)
}
