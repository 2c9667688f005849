package host

import (
	"context"
	"errors"
	"io"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/test/bufconn"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// part is a plugin of a supply and a box that is reached at an address: its
// lease comes on streams.
type partRig struct {
	*rig
	lis *bufconn.Listener
}

func newPart(t *testing.T) *partRig {
	p := &partRig{rig: newRig(t), lis: bufconn.Listen(1 << 20)}
	p.config.Bench, p.config.Listener, p.config.Part = p.bench, p.lis, true
	p.config.Set = drivers.Set{Supply: p.supply, Box: p.box}
	ctx, stop := context.WithCancel(context.Background())
	go func() { p.served <- Serve(ctx, p.config) }()
	t.Cleanup(func() {
		close(p.release)
		stop()
		require.NoError(t, <-p.served)
	})
	return p
}

func (p *partRig) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	return p.lis.DialContext(ctx)
}

func (p *partRig) connect() (*Client, error) {
	return Connect(p.t.Context(), "unix", "memory", Options{Bench: p.bench, Roles: []Role{RoleSupply, RoleBox}, Dial: p.dial})
}

func (p *partRig) open() *Client {
	p.t.Helper()
	c, err := p.connect()
	require.NoError(p.t, err)
	p.client = c
	return c
}

func (p *partRig) close(c *Client) {
	p.t.Helper()
	require.NoError(p.t, c.Close(p.t.Context()))
}

// armPart arms the supply of a part and lets it give 20 A.
func (p *partRig) energise(epoch uint64) {
	p.t.Helper()
	s, _, err := p.client.rpcArm(p.t.Context(), epoch, true)
	require.NoError(p.t, err)
	require.Equal(p.t, protection(), s)
	require.NoError(p.t, p.client.Set(p.t.Context(), epoch, true, amps(20)))
}

// rpcArm arms the supply, or no instrument at all.
func (c *Client) rpcArm(ctx context.Context, epoch uint64, supply bool) (s drivers.Protection, answer *driverv1.ArmResponse, err error) {
	r := &driverv1.ArmRequest{Epoch: epoch, AfterRecords: c.pipe.sent.Load(), Tripwire: tripwireToWire(testLimits())}
	if supply {
		r.Supply = protectionToWire(protection())
	}
	if answer, err = c.rpc.Arm(ctx, r); err != nil || !supply {
		return s, answer, fromStatus(err)
	}
	s, err = protectionFromWire(answer.Supply, "supply")
	return s, answer, err
}

// A part of a bench serves without a monitor; its counts stand where the whole
// bench has them.
func TestPartFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPart(t)
		c := p.open()
		defer p.close(c)
		f := <-c.Frames()
		l := testLayout(t)
		require.Len(t, f.Counts, len(l.Channels))
		for i, ch := range l.Channels {
			mine := roleOf(ch.Kind) == RoleSupply || roleOf(ch.Kind) == RoleBox
			require.Equal(t, mine, f.Counts[i] != drivers.NoReading, ch.Name())
		}
		require.EqualValues(t, 80_000, f.Counts[l.Find(drivers.SupplyVoltage)])
		require.Equal(t, p.bench.Supply.VoltageMax, c.Describe().Told.Supply.VoltageMax)
	})
}

// The lease on a stream is the lease on standard input: a renewal quotes a young
// frame, its end halts at once, without it everything is halted (INV-02).
func TestLeaseStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPart(t)
		c := p.open()
		p.energise(1)
		stop := p.keep(1)
		pass(5 * time.Second)
		said := p.supply.heardSince(0)
		require.Equal(t, []heard{{0, "halt"}}, said[:1])
		require.Equal(t, "set 20000000 uA 87000000 uV true", said[len(said)-1].what)

		// No renewal: off one lease after the last frame that was quoted.
		stop()
		from := p.now()
		pass(1500 * tms)
		got := p.supply.heardSince(from)
		require.Len(t, got, 1)
		require.Equal(t, "halt", got[0].what)
		require.LessOrEqual(t, got[0].at-from, time.Second)
		require.ErrorIs(t, c.Set(t.Context(), 1, true, amps(20)), drivers.ErrLease)

		// The end of the stream: at once.
		p.energise(2)
		pass(tms)
		from = p.now()
		p.close(c)
		got = p.supply.heardSince(from)
		require.Equal(t, []heard{{from, "halt"}}, got)
	})
}

// While one stream is open a second is refused; when it is gone the next goes
// on above its epochs, and needs to arm anew (INV-06, INV-08).
func TestLeaseStreamsFollowEachOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPart(t)
		first := p.open()
		_, err := p.connect()
		require.ErrorIs(t, err, drivers.ErrRefused)
		require.ErrorContains(t, err, "another lease stream is open")
		p.energise(41)
		require.NoError(t, first.Halt(42))
		require.NoError(t, first.Renew(42, (<-first.Frames()).Echo, drivers.Second))
		pass(200 * tms)
		p.close(first)

		second := p.open()
		defer p.close(second)
		require.EqualValues(t, 42, second.base)
		require.EqualValues(t, 2, second.pipe.sent.Load())
		_, _, err = second.rpcArm(t.Context(), 41, true)
		require.ErrorIs(t, err, ErrEpoch)
		// A lease alone does not energise what was armed for somebody else.
		_, _, err = second.rpcArm(t.Context(), 43, false)
		require.NoError(t, err)
		require.ErrorIs(t, second.Set(t.Context(), 43, true, amps(20)), drivers.ErrRefused)
		require.NoError(t, second.Halt(44)) // the third record of all
		p.energise(44)
	})
}

// A driver at an address energises for nobody who holds no stream, and halts
// everything where what comes on it is not a record.
func TestLeaseStreamMisused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPart(t)
		c := newClient(&Child{Stdin: newLeaseStream()}, testLayout(t), Options{})
		require.NoError(t, c.connect("unix", "memory", p.dial))
		defer c.conn.Close()
		_, _, err := c.rpcArm(t.Context(), 1, true)
		require.ErrorIs(t, err, drivers.ErrLease)
		require.ErrorContains(t, err, "no lease stream is open")

		for what, b := range map[string][]byte{
			"nothing": {}, "half a record": make([]byte, RecordSize/2), "another thing": make([]byte, RecordSize),
		} {
			stream, err := c.rpc.Lease(t.Context())
			require.NoError(t, err)
			first, err := stream.Recv()
			require.NoError(t, err)
			epoch := first.Epoch + 1
			_, _, err = c.rpcArm(t.Context(), epoch, true)
			require.NoError(t, err)
			require.NoError(t, c.Set(t.Context(), epoch, true, amps(20)))
			pass(time.Millisecond)
			from := p.now()
			require.NoError(t, stream.Send(&driverv1.LeaseRequest{Records: b}))
			_, err = stream.Recv()
			require.ErrorIs(t, fromStatus(err), ErrImpossible, what)
			require.ErrorContains(t, err, "not a lease record", what)
			synctest.Wait()
			require.Equal(t, []heard{{from, "halt"}}, p.supply.heardSince(from), what)
		}
	})
}

// Under a child's standard input there is no stream to be had.
func TestLeaseStreamOfChild(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		stream, err := r.client.rpc.Lease(t.Context())
		require.NoError(t, err)
		_, err = stream.Recv()
		require.ErrorIs(t, fromStatus(err), drivers.ErrRefused)
	})
}

// Renewals that queued in front of a halt do not hold it up: they come in one
// message, and halts are obeyed first.
func TestLeaseStreamGathers(t *testing.T) {
	s := newLeaseStream()
	p := newLeasePipe(s)
	for range 3 {
		require.NoError(t, p.renew(1, 7, drivers.Second))
	}
	require.NoError(t, p.halt(2))
	first := <-s.records
	b := s.gather(first[:])
	require.Len(t, b, 4*RecordSize)
	last, err := DecodeRecord(b[3*RecordSize:])
	require.NoError(t, err)
	require.Equal(t, Record{Kind: RecordHalt, Epoch: 2}, last)

	for range streamBacklog {
		_, err = s.Write(first[:])
		require.NoError(t, err)
	}
	_, err = s.Write(first[:])
	require.ErrorIs(t, err, errPipeFull)
	require.NoError(t, s.Close())
	require.NoError(t, s.Close())
	_, err = s.Write(first[:])
	require.ErrorIs(t, err, io.ErrClosedPipe)
}

// A part needs devices, and a whole bench its monitor.
func TestPartConfig(t *testing.T) {
	c := Config{Bench: testBench(), Listener: bufconn.Listen(1), Scheduling: ms, Part: true}
	require.ErrorContains(t, c.prepare(), "has at least one")
	c.Set.Supply = &fakePower{}
	require.NoError(t, c.prepare())
	c.Part = false
	require.ErrorContains(t, c.prepare(), "no cell monitor")
	require.ErrorContains(t, c.prepare(), "standard input for the lease")
}

// The tripwire of a part watches the channels that it has, and knows of no
// silent monitor.
func TestPartTripwire(t *testing.T) {
	b := testBench()
	l, err := partLayout(&b, []Role{RoleBox})
	require.NoError(t, err)
	w, err := NewTripwire(l, testLimits(), 0)
	require.NoError(t, err)
	f := &drivers.Frame{At: drivers.Instant(drivers.Hour), Counts: make([]int32, len(l.Channels))}
	_, hit := w.Check(f)
	require.False(t, hit)
	f.Counts[l.Find(drivers.BoxCurrent)] = -4501 // 45.01 A
	breach, hit := w.Check(f)
	require.True(t, hit)
	require.Equal(t, Breach{Channel: l.Find(drivers.BoxCurrent), Value: -45_010_000, Limit: -45_000_000}, breach)
}

// Alive follows the host's lease.
func TestAlive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		a := &Alive{}
		require.False(t, a.Now())
		require.Zero(t, a.Armed())
		r.config.Alive = a
		r.open()
		require.False(t, a.Now())
		r.arm(1)
		require.True(t, a.Now())
		require.EqualValues(t, 1, a.Armed())
		pass(1001 * tms)
		require.False(t, a.Now())
		r.arm(2)
		require.True(t, a.Now())
		require.EqualValues(t, 2, a.Armed())
	})
}

// Listen serves a part at an address until it is told to end.
func TestListen(t *testing.T) {
	path := t.TempDir() + "/s"
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	r := newRig(t)
	go func() {
		done <- Listen(ctx, "unix:"+path, func(context.Context) (Config, error) {
			return Config{Bench: r.bench, Set: drivers.Set{Supply: r.supply}, Scheduling: ms}, nil
		})
	}()
	var c *Client
	require.Eventually(t, func() bool {
		var err error
		c, err = Connect(t.Context(), "unix", path, Options{Any: true})
		return err == nil
	}, 10*time.Second, 10*time.Millisecond)
	require.Equal(t, map[Role]drivers.Identity{RoleSupply: {Maker: "slipway", Model: "fake", Serial: "P-1", Firmware: "1"}}, c.Describe().Identities)
	require.NoError(t, c.Close(t.Context()))
	stop()
	require.NoError(t, <-done)

	require.ErrorContains(t, Listen(t.Context(), "udp:1", nil), "unix:/path or tcp:host:port")
	failed := errors.New("no such instrument")
	require.ErrorIs(t, Listen(t.Context(), "unix:"+path, func(context.Context) (Config, error) { return Config{}, failed }), failed)
}
