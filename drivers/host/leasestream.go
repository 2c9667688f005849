package host

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/keepalive"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// A driver that is reached at an address looks after a peer from whom nothing
// comes: idle lease streams are legal, dead ones must make room.
var leaseKeepalive = []grpc.ServerOption{
	grpc.KeepaliveParams(keepalive.ServerParameters{Time: 2 * time.Second, Timeout: time.Second}),
	grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: time.Second, PermitWithoutStream: true}),
}

// Lease takes the lease records of one stream, until it ends.
func (s *service) Lease(stream grpc.BidiStreamingServer[driverv1.LeaseRequest, driverv1.LeaseResponse]) error {
	if s.c.Stdin != nil {
		return toStatus(fmt.Errorf("lease records come on standard input here: %w", drivers.ErrRefused))
	}
	epoch, ok := s.k.lend()
	if !ok {
		return toStatus(fmt.Errorf("another lease stream is open: %w", drivers.ErrRefused))
	}
	defer s.k.giveBack()
	if err := stream.Send(&driverv1.LeaseResponse{Epoch: epoch, Records: s.pipe.done.load()}); err != nil {
		return err
	}
	err := s.pipe.read(&recordReader{stream: stream})
	if errors.Is(err, ErrRecord) {
		err = fmt.Errorf("%w: %w", ErrImpossible, err)
	}
	return toStatus(err)
}

// recordReader reads the bytes of a lease stream's messages.
type recordReader struct {
	stream interface {
		Recv() (*driverv1.LeaseRequest, error)
	}
	rest []byte
}

func (r *recordReader) Read(p []byte) (int, error) {
	if len(r.rest) == 0 {
		m, err := r.stream.Recv()
		if err != nil {
			return 0, err
		}
		if len(m.Records) == 0 || len(m.Records)%RecordSize != 0 {
			return 0, fmt.Errorf("%w: a message of %d bytes; whole records of %d would be right", ErrRecord, len(m.Records), RecordSize)
		}
		r.rest = m.Records
	}
	n := copy(p, r.rest)
	r.rest = r.rest[n:]
	return n, nil
}

// lend gives the lease to a new stream, if nobody has it, and returns the
// newest epoch so far. Every instrument needs arming anew.
func (k *keeper) lend() (epoch uint64, ok bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.unheld || k.ended {
		return 0, false
	}
	k.unheld, k.armed = false, [2]bool{}
	return k.lease.Epoch(), true
}

// giveBack halts everything at the end of a stream. No lease begins until
// there is another.
func (k *keeper) giveBack() {
	k.mu.Lock()
	k.unheld = true
	k.mu.Unlock()
	k.leaseOut.Store(k.haltAll())
}

// streamBacklog is how many records wait for a slow stream. Renewals are held
// back long before (backlogMax).
const streamBacklog = 2 * backlogMax

// leaseStream is the sending side: a pipe to a driver that is no child. Writing
// never waits.
type leaseStream struct {
	records chan [RecordSize]byte
	closed  chan struct{}
	close   sync.Once
	failed  atomic.Bool
}

func newLeaseStream() *leaseStream {
	return &leaseStream{records: make(chan [RecordSize]byte, streamBacklog), closed: make(chan struct{})}
}

// Write takes one record.
func (s *leaseStream) Write(b []byte) (int, error) {
	if s.failed.Load() {
		return 0, errors.New("the lease stream has ended")
	}
	select {
	case <-s.closed:
		return 0, io.ErrClosedPipe
	default:
	}
	select {
	case s.records <- [RecordSize]byte(b):
		return len(b), nil
	default:
		return 0, errPipeFull
	}
}

// Close ends the stream, which halts everything.
func (s *leaseStream) Close() error {
	s.close.Do(func() { close(s.closed) })
	return nil
}

// run sends until Close; what waits goes in one message, so that a halt among
// it is obeyed first.
func (s *leaseStream) run(stream grpc.BidiStreamingClient[driverv1.LeaseRequest, driverv1.LeaseResponse]) {
	defer s.failed.Store(true)
	for {
		select {
		case r := <-s.records:
			if stream.Send(&driverv1.LeaseRequest{Records: s.gather(r[:])}) != nil {
				return // Wait tells why
			}
		case <-s.closed:
			// An error means that the stream is over already.
			_ = stream.CloseSend()
			return
		case <-stream.Context().Done():
			return
		}
	}
}

func (s *leaseStream) gather(first []byte) []byte {
	b := append(make([]byte, 0, RecordSize), first...)
	for len(b) < chunk*RecordSize {
		select {
		case r := <-s.records:
			b = append(b, r[:]...)
		default:
			return b
		}
	}
	return b
}

// Connect reaches a driver that runs already and serves at an address (network
// unix or tcp), and takes its lease; another holder of it is ErrRefused.
// Everything else is as with Start: Close ends the lease, not the driver.
func Connect(ctx context.Context, network, address string, o Options) (*Client, error) {
	if o.StartTimeout == 0 {
		o.StartTimeout = 15 * time.Second
	}
	layout, err := o.layout()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, o.StartTimeout)
	defer cancel()
	records := newLeaseStream()
	c := newClient(&Child{Stdin: records}, layout, o)
	if err := c.take(ctx, network, address, records, o); err != nil {
		return nil, fmt.Errorf("%sdriver at %s:%s: %w", o.bench(), network, address, err)
	}
	if err := c.greet(ctx, o); err != nil {
		c.abandon()
		return nil, fmt.Errorf("%sdriver at %s:%s: %w", o.bench(), network, address, err)
	}
	return c, nil
}

// take connects and opens the lease stream in place of a child.
func (c *Client) take(ctx context.Context, network, address string, records *leaseStream, o Options) error {
	if err := c.connect(network, address, o.Dial); err != nil {
		return err
	}
	life, end := context.WithCancel(context.Background())
	// Until the driver has answered, the caller's patience holds.
	stop := context.AfterFunc(ctx, end)
	stream, err := c.rpc.Lease(life)
	var first *driverv1.LeaseResponse
	if err == nil {
		first, err = stream.Recv()
	}
	if !stop() {
		err = errors.Join(ctx.Err(), err)
	}
	if err != nil {
		end()
		c.conn.Close()
		return fmt.Errorf("lease: %w", fromStatus(err))
	}
	c.base = first.Epoch
	c.pipe.sent.Store(first.Records)
	c.pipe.read.Store(first.Records)
	c.child.Kill = func() error { end(); return nil }
	c.child.Wait = func() error {
		defer end()
		_, err := stream.Recv()
		switch {
		case err == io.EOF:
			return nil
		case err == nil:
			return fmt.Errorf("%w: it answered the lease stream twice", ErrImpossible)
		}
		return fromStatus(err)
	}
	c.work.Go(func() { records.run(stream) })
	c.work.Go(c.wait)
	return nil
}
