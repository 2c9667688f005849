package host

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// Options of a Client.
type Options struct {
	// Bench is the bench that the child was told to hold: its frames must
	// follow the layout of this one.
	Bench drivers.Bench
	// Roles, where set, are those of the bench that the driver must serve; it
	// may serve more, and need not serve others. Its channels are found by kind
	// and index, their scales converted exactly; frames follow the layout of the
	// whole bench, with no reading where a channel is not the driver's.
	Roles []Role
	// Any takes whatever roles and channels the driver has; Bench and Roles are
	// not looked at. Description.Told then says what it is.
	Any bool
	// Now is the clock to which frames' instants are mapped; nil: a Clock.
	Now func() drivers.Instant
	// StartTimeout bounds the child's start up to its handshake; 0: 15 s.
	StartTimeout time.Duration
	// Buffer is how many frames and events wait for a slow reader before the
	// oldest goes; 0: 64.
	Buffer int
	// Dial reaches the address of the handshake; nil: net.Dialer.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}

// ErrClosed: the client was closed.
var ErrClosed = errors.New("host's client is closed")

// Client is the daemon's side of a host. Its methods may be called from any
// goroutine.
//
// A command is never overtaken by a renewal or halt that was sent before it:
// the host obeys those first. Commands for one device go one at a time.
type Client struct {
	child    *Child
	base     uint64 // the newest epoch before this client
	conn     *grpc.ClientConn
	rpc      driverv1.DriverServiceClient
	pipe     *leasePipe
	bench    drivers.Bench
	layout   *drivers.Layout
	channels *channelMap // nil: frames follow the layout as they come
	describe Description
	clock    offset // the receiver's alone
	now      func() drivers.Instant

	frames  chan *drivers.Frame
	events  chan Event
	dropped atomic.Uint64

	cancel  context.CancelFunc // ends the stream
	lost    chan error
	ended   chan struct{} // closed with lost
	lose    sync.Once
	closing atomic.Bool
	gone    chan struct{} // the child is no more
	work    sync.WaitGroup
}

// Description is what a host tells of its bench.
type Description struct {
	Bench      string
	Identities map[Role]drivers.Identity
	// Period is the time between frames, LinkPeriod the same while fast.
	Period, LinkPeriod drivers.Span
	// Lease is the longest lease that the host grants.
	Lease drivers.Span
	// Scheduling is the 99.9 % of scheduling delays that it measured at start.
	Scheduling drivers.Span
	// Call bounds its calls to a device; LostAfter is how many periods of
	// silence make a device lost.
	Call      drivers.Span
	LostAfter int
	// Told is the bench as far as the driver told of it: steps of its readings,
	// what its supply and load can do, its period and lease.
	Told drivers.Bench

	layout *drivers.Layout
}

// Start starts a host and returns once it holds its wires, has driven every
// device safe (INV-06) and sends frames. What kept it from starting is in the
// error: ErrStart carries the child's own reason, ErrHandshake and ErrVersion
// what it printed instead. Cancelling ctx gives up the start only.
func Start(ctx context.Context, spawn Spawn, o Options) (*Client, error) {
	if o.StartTimeout == 0 {
		o.StartTimeout = 15 * time.Second
	}
	layout, err := o.layout()
	if err != nil {
		return nil, err
	}
	child, err := spawn()
	if err != nil {
		return nil, err
	}
	c := newClient(child, layout, o)
	c.work.Go(c.wait)
	ctx, cancel := context.WithTimeout(ctx, o.StartTimeout)
	defer cancel()
	if err := c.open(ctx, o); err != nil {
		c.abandon()
		says := said(child)
		if strings.Contains(err.Error(), says) {
			says = ""
		}
		return nil, fmt.Errorf("%shost: %w%s", o.bench(), err, says)
	}
	return c, nil
}

// layout is the one that the client's frames follow; nil: the driver's own.
func (o *Options) layout() (*drivers.Layout, error) {
	if o.Any {
		return nil, nil
	}
	layout, err := o.Bench.Layout()
	if err != nil {
		return nil, fmt.Errorf("bench %s: %w", o.Bench.Name, err)
	}
	return layout, nil
}

// bench begins an error.
func (o *Options) bench() string {
	if o.Bench.Name == "" {
		return ""
	}
	return "bench " + o.Bench.Name + ": "
}

func newClient(child *Child, layout *drivers.Layout, o Options) *Client {
	if o.Now == nil {
		o.Now = Clock(time.Now())
	}
	if o.Buffer <= 0 {
		o.Buffer = 64
	}
	return &Client{
		child: child, pipe: newLeasePipe(child.Stdin), bench: o.Bench, layout: layout, clock: offset{now: o.Now}, now: o.Now,
		frames: make(chan *drivers.Frame, o.Buffer), events: make(chan Event, o.Buffer),
		lost: make(chan error, 1), ended: make(chan struct{}), gone: make(chan struct{}),
	}
}

// said is what the child wrote to its standard error, for the end of an error.
func said(child *Child) string {
	if child.Says == nil {
		return ""
	}
	if text := child.Says(); text != "" {
		return fmt.Sprintf("; it says: %s", text)
	}
	return ""
}

// open shakes hands, connects and waits for the stream.
func (c *Client) open(ctx context.Context, o Options) error {
	network, address, err := c.shake(ctx)
	if err != nil {
		return err
	}
	if err := c.connect(network, address, o.Dial); err != nil {
		return err
	}
	return c.greet(ctx, o)
}

// greet asks the driver what it is and subscribes to its frames.
func (c *Client) greet(ctx context.Context, o Options) error {
	answer, err := c.rpc.Describe(ctx, &driverv1.DescribeRequest{})
	if err != nil {
		return fmt.Errorf("describe: %w", fromStatus(err))
	}
	if c.describe, err = descriptionFromWire(answer); err != nil {
		return err
	}
	switch {
	case o.Any:
		c.layout, c.bench = c.describe.layout, c.describe.Told
		err = c.describe.whole()
	case o.Roles != nil:
		c.channels, err = c.describe.match(c.layout, o.Roles)
	default:
		err = sameLayout(answer.Channels, c.layout)
	}
	if err != nil {
		return err
	}
	return c.subscribe()
}

// shake reads the handshake, which may never come.
func (c *Client) shake(ctx context.Context) (network, address string, err error) {
	type result struct {
		network, address string
		err              error
	}
	done := make(chan result, 1)
	// The reader ends with the child, whom abandon kills.
	c.work.Go(func() {
		var r result
		r.network, r.address, r.err = readHandshake(c.child.Stdout)
		done <- r
	})
	select {
	case r := <-done:
		if r.err != nil && !errors.Is(r.err, ErrStart) && !errors.Is(r.err, ErrVersion) {
			return "", "", errors.Join(r.err, c.ending())
		}
		return r.network, r.address, r.err
	case <-ctx.Done():
		return "", "", fmt.Errorf("%w: nothing came in time: %w", ErrHandshake, ctx.Err())
	}
}

// ending says how the child ended, if it does so in a moment.
func (c *Client) ending() error {
	select {
	case err := <-c.lost:
		return err
	case <-time.After(time.Second):
		return nil
	}
}

func (c *Client) connect(network, address string, dial func(context.Context, string, string) (net.Conn, error)) error {
	if dial == nil {
		dial = (&net.Dialer{}).DialContext
	}
	var err error
	// A child's socket lies in a folder that only this user may enter; who else
	// may reach an address is the workshop's network's affair.
	c.conn, err = grpc.NewClient("passthrough:///"+address,
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithNoProxy(), grpc.WithDisableServiceConfig(),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return dial(ctx, network, address) }))
	if err != nil {
		return fmt.Errorf("connect to %s: %w", address, err)
	}
	c.rpc = driverv1.NewDriverServiceClient(c.conn)
	return nil
}

// subscribe opens the stream; the host's header says that it is in place.
func (c *Client) subscribe() error {
	ctx, cancel := context.WithCancel(context.Background())
	c.cancel = cancel
	stream, err := c.rpc.Frames(ctx, &driverv1.FramesRequest{})
	if err == nil {
		_, err = stream.Header()
	}
	if err != nil {
		return fmt.Errorf("frames: %w", fromStatus(err))
	}
	c.work.Go(func() { c.receive(stream) })
	return nil
}

// abandon ends everything after a failed start.
func (c *Client) abandon() {
	c.closing.Store(true)
	c.child.Stdin.Close()
	if c.cancel != nil {
		c.cancel()
	}
	c.child.Kill()
	c.work.Wait()
	if c.conn != nil {
		c.conn.Close()
	}
}

// wait notices the child's end.
func (c *Client) wait() {
	err := c.child.Wait()
	close(c.gone)
	if err == nil {
		err = errors.New("it ended")
	}
	c.fail(fmt.Errorf("host or driver is gone: %w%s", err, said(c.child)))
}

// fail tells once that the host is lost.
func (c *Client) fail(err error) {
	c.lose.Do(func() {
		if c.closing.Load() {
			err = ErrClosed
		}
		c.lost <- err
		close(c.lost)
		close(c.ended)
	})
}

// Describe returns what the host told of itself at the start.
func (c *Client) Describe() Description { return c.describe }

// Paths are the worst times of the bench under the given tripwire, with what
// the host measured of its own scheduling.
func (c *Client) Paths(wire TripwireLimits) []Path {
	d := &c.describe
	return Paths(&c.bench, Timing{Scheduling: d.Scheduling, Call: d.Call, LostAfter: d.LostAfter,
		Silence: wire.Silence, Persistence: wire.Persistence})
}

// Terms tell how the bench's lease is derived; see LeaseTerms.
func (c *Client) Terms(margins ...Margin) (Terms, error) {
	return LeaseTerms(&c.bench, c.describe.Scheduling, margins...)
}

// Frames gives every reading, each in its own memory. A reader that is too
// slow loses the oldest, never the newest: the numbers (Frame.Echo) rise by one
// per frame, so what was lost shows as a gap, and Dropped counts it. Frame.At
// is the instant at which the host completed the reading, mapped to the
// client's clock: a frame that was held up on its way looks as old as it is.
// The channel is never closed; see Lost.
func (c *Client) Frames() <-chan *drivers.Frame { return c.frames }

// Events gives what the host did or noticed by itself, under the same rule.
func (c *Client) Events() <-chan Event { return c.events }

// Dropped counts frames and events that a slow reader lost on this side.
func (c *Client) Dropped() uint64 { return c.dropped.Load() }

// Lost gives one error when the host is gone or can no longer be understood,
// and is then closed. Whatever the reason, its lease is no longer renewed.
// After Close the error is ErrClosed.
func (c *Client) Lost() <-chan error { return c.lost }

// Renew extends the lease to d after the reading with number echo (Frame.Echo
// of a fresh frame inside its limits). It never waits. An error means that the
// renewal was not sent: the lease runs out by itself.
func (c *Client) Renew(epoch, echo uint64, d drivers.Span) error {
	if err := c.pipe.renew(epoch, echo, d); err != nil {
		return fmt.Errorf("renew the lease: %w", err)
	}
	return nil
}

// Halt switches supply and load off by the quickest way, without waiting, and
// begins the epoch: commands of older ones are refused from then on. Halted
// asks whether the devices have been told. An error means that the record did
// not reach the host, which ends the lease soon; Halted takes another way and
// is worth trying.
func (c *Client) Halt(epoch uint64) error {
	if err := c.pipe.halt(epoch); err != nil {
		c.fail(fmt.Errorf("halt did not reach the host: %w", err))
		return fmt.Errorf("halt: %w", err)
	}
	return nil
}

// Close tells the host to halt everything and waits for its end, at most until
// ctx is over; then it kills the process. It may be called twice.
func (c *Client) Close(ctx context.Context) error {
	c.closing.Store(true)
	c.child.Stdin.Close()
	var err error
	select {
	case <-c.gone:
	case <-ctx.Done():
		err = fmt.Errorf("bench %s: host did not end by itself: %w", c.bench.Name, ctx.Err())
		c.child.Kill()
	}
	c.cancel()
	c.work.Wait()
	c.conn.Close()
	return err
}
