package host

import (
	"fmt"

	"google.golang.org/grpc"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// receive reads the stream until it breaks. It never waits for a reader.
func (c *Client) receive(stream grpc.ServerStreamingClient[driverv1.FramesResponse]) {
	defer c.cancel()
	var last uint64
	for {
		r, err := stream.Recv()
		if err != nil {
			c.fail(fmt.Errorf("frames from the driver ended: %w", fromStatus(err)))
			return
		}
		switch report := r.Report.(type) {
		case *driverv1.FramesResponse_Frame:
			err = c.frame(report.Frame, last)
			last = report.Frame.GetNumber()
		case *driverv1.FramesResponse_Event:
			err = c.event(report.Event)
		default:
			err = fmt.Errorf("%w: a report of neither kind", ErrImpossible)
		}
		if err != nil {
			c.fail(fmt.Errorf("host: %w", err))
			return
		}
	}
}

// width is how many channels the driver's frames have.
func (c *Client) width() int {
	if c.channels != nil {
		return len(c.channels.places)
	}
	return len(c.layout.Channels)
}

func (c *Client) frame(w *driverv1.Frame, last uint64) error {
	switch {
	case w == nil || w.AtUs == nil:
		return fmt.Errorf("%w: a frame without its instant", ErrImpossible)
	case len(w.Counts) != c.width():
		return fmt.Errorf("%w: a frame of %d channels, the driver told of %d", ErrImpossible, len(w.Counts), c.width())
	case w.Number <= last:
		return fmt.Errorf("%w: frame %d after frame %d", ErrImpossible, w.Number, last)
	}
	c.pipe.read.Store(w.Records)
	f := &drivers.Frame{At: c.clock.here(drivers.Instant(*w.AtUs)), Echo: w.Number, Counts: c.channels.counts(w.Counts)}
	c.dropped.Add(newest(c.frames, f))
	return nil
}

func (c *Client) event(w *driverv1.Event) error {
	if w == nil {
		return fmt.Errorf("%w: an empty event", ErrImpossible)
	}
	e, err := eventFromWire(w, c.width())
	if err != nil {
		return err
	}
	e.Breach.Channel = c.channels.channel(e.Breach.Channel)
	e.At = c.clock.here(e.At)
	c.dropped.Add(newest(c.events, e))
	return nil
}

// newest puts v into a channel of which the caller is the only sender, and
// makes room by taking out the oldest. It returns how many it took.
func newest[T any](ch chan T, v T) (dropped uint64) {
	for {
		select {
		case ch <- v:
			return dropped
		default:
		}
		select {
		case <-ch:
			dropped++
		default: // the reader was quicker
		}
	}
}

// offset maps a driver's clock to ours. What reached us quickest tells the
// difference of the clocks best; all else was held up on its way by as much as
// it seems later. Clocks drift, so the difference may rise by 200 ppm: far more
// than quartz does (common practice, no source).
type offset struct {
	now   func() drivers.Instant
	known bool
	least drivers.Span    // ours less theirs
	since drivers.Instant // ours, when least was set
}

const driftPerSecond = 200 * drivers.Microsecond

// here returns their instant by our clock; it is never in the future.
func (o *offset) here(theirs drivers.Instant) drivers.Instant {
	now := o.now()
	seen := now.Sub(theirs)
	if whole := now.Sub(o.since) / drivers.Second; o.known && whole > 0 {
		o.least += whole * driftPerSecond
		o.since = o.since.Add(whole * drivers.Second)
	}
	if !o.known || seen <= o.least {
		o.known, o.least, o.since = true, seen, now
	}
	return theirs.Add(o.least)
}
