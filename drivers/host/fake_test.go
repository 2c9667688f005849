package host

import (
	"context"
	"fmt"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/test/bufconn"

	"github.com/rigwarden/rigwarden/drivers"
)

// heard is one call that a fake device got, with the time since the start.
type heard struct {
	at   time.Duration
	what string
}

// fake is the part that all fake devices share: it writes down what it is told,
// and can be made to hang or to fail.
type fake struct {
	mu    sync.Mutex
	start time.Time
	log   []heard
	// hang makes the named calls wait for release, whatever their context says.
	hang    map[string]bool
	release chan struct{}
	fail    map[string]error
	beat    atomic.Int32
}

func (f *fake) call(op, what string) error {
	f.mu.Lock()
	hang, err := f.hang[op], f.fail[op]
	if op != "read" {
		f.log = append(f.log, heard{time.Since(f.start), what})
	}
	f.mu.Unlock()
	if hang {
		<-f.release
	}
	if err == nil && op == "read" {
		f.beat.Add(1)
	}
	return err
}

func (f *fake) set(op string, hang bool, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.hang[op], f.fail[op] = hang, err
}

// heardSince returns what the device was told at d or later.
func (f *fake) heardSince(d time.Duration) []heard {
	f.mu.Lock()
	defer f.mu.Unlock()
	var list []heard
	for _, h := range f.log {
		if h.at >= d {
			list = append(list, h)
		}
	}
	return list
}

func (f *fake) Halt(context.Context) error { return f.call("halt", "halt") }

func (f *fake) identify(serial string) (drivers.Identity, error) {
	return drivers.Identity{Maker: "slipway", Model: "fake", Serial: serial, Firmware: "1"}, f.call("identify", "identify")
}

// lapse is what a fake does by itself once nobody has spoken to it for a while:
// it switches off. With after 0, or broken, it does not.
type lapse struct {
	mu     sync.Mutex
	after  time.Duration
	broken bool
	heard  time.Time
	on     int32 // state bits of what is on
	out    bool  // it has switched off by itself since it was last armed
	offAt  time.Time
}

// touch is the beginning of every call.
func (l *lapse) touch() {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	if l.on != 0 && l.after > 0 && !l.broken && now.Sub(l.heard) >= l.after {
		l.on, l.out, l.offAt = 0, true, l.heard.Add(l.after)
	}
	l.heard = now
}

func (l *lapse) put(on int32) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.on = on
}

func (l *lapse) state() (on int32, out bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.on, l.out
}

type fakePower struct {
	fake
	lapse
	current atomic.Int32 // counts
	deaf    atomic.Bool  // acknowledges a Set and does nothing
	lies    atomic.Int32 // state bits that it shows on top
	reads   atomic.Int32 // how often it was read
}

func (p *fakePower) Halt(ctx context.Context) error {
	p.touch()
	err := p.fake.Halt(ctx)
	if err == nil {
		p.put(0)
	}
	return err
}

func (p *fakePower) Identify(context.Context) (drivers.Identity, error) { return p.identify("P-1") }

func (p *fakePower) Arm(_ context.Context, q drivers.Protection) (drivers.Protection, error) {
	p.touch()
	p.alter(func(l *lapse) { l.after, l.out = duration(q.CommTimeout), false })
	return q, p.call("arm", fmt.Sprintf("arm %d uV %d uA %d us", q.VoltageMax, q.CurrentMax, q.CommTimeout))
}

func (p *fakePower) Set(_ context.Context, s drivers.Setpoint) error {
	p.touch()
	err := p.call("set", fmt.Sprintf("set %d uA %d uV %v", s.Current, s.Voltage, s.On))
	if err == nil && s.On && !p.deaf.Load() {
		p.put(drivers.PowerOn)
	}
	return err
}

func (p *fakePower) Read(context.Context) (drivers.Reading, error) {
	p.touch()
	p.reads.Add(1)
	err := p.call("read", "")
	state, out := p.state()
	if out {
		state |= drivers.PowerLeaseOut
	}
	return drivers.Reading{Voltage: 80_000, Current: p.current.Load(), State: state | p.lies.Load(), Beat: p.beat.Load()}, err
}

// alter changes the lapse under its lock.
func (l *lapse) alter(change func(*lapse)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	change(l)
}

type fakeBox struct {
	fake
	lapse
	current atomic.Int32 // counts of 10 mA
}

func (b *fakeBox) Identify(context.Context) (drivers.Identity, error) { return b.identify("B-1") }

func (b *fakeBox) Switch(_ context.Context, c drivers.Contactors) error {
	b.touch()
	err := b.call("switch", fmt.Sprintf("switch %d", c))
	if err == nil {
		b.put(int32(c))
	}
	return err
}

func (b *fakeBox) Halt(ctx context.Context) error {
	b.touch()
	err := b.fake.Halt(ctx)
	if err == nil {
		b.put(0)
	}
	return err
}

func (b *fakeBox) Read(context.Context) (drivers.BoxReading, error) {
	b.touch()
	err := b.call("read", "")
	state, _ := b.state()
	return drivers.BoxReading{Link: 80_000, Current: b.current.Load(), State: state, Beat: b.beat.Load()}, err
}

type fakeMonitor struct {
	fake
	cell    atomic.Int32 // counts of 150 uV, of every cell
	current atomic.Int32 // counts of 10 mA
	cells   atomic.Int32 // how many it sends
}

func (m *fakeMonitor) Identify(context.Context) (drivers.Identity, error) { return m.identify("M-1") }

func (m *fakeMonitor) Bleed(_ context.Context, words []int32) error {
	return m.call("bleed", fmt.Sprintf("bleed %v", words))
}

func (m *fakeMonitor) Read(_ context.Context, r *drivers.MonitorReading) error {
	err := m.call("read", "")
	r.Cells, r.Temps, r.Bleeding = r.Cells[:0], r.Temps[:0], r.Bleeding[:0]
	for range m.cells.Load() {
		r.Cells = append(r.Cells, m.cell.Load())
	}
	r.Temps = append(r.Temps, 2982, 2983)
	r.Bleeding = append(r.Bleeding, 0)
	r.Current, r.Beat = m.current.Load(), m.beat.Load()
	return err
}

type fakeMeter struct{ fake }

func (m *fakeMeter) Identify(context.Context) (drivers.Identity, error) { return m.identify("V-1") }

func (m *fakeMeter) Read(context.Context) (drivers.Reading, error) {
	err := m.call("read", "")
	return drivers.Reading{Voltage: 79_000, Beat: m.beat.Load()}, err
}

// rig is a host over fake devices, and a client of it, joined in memory. In a
// synctest bubble its times are exact.
type rig struct {
	t       *testing.T
	start   time.Time
	supply  *fakePower
	load    *fakePower
	box     *fakeBox
	monitor *fakeMonitor
	meter   *fakeMeter
	client  *Client
	config  Config
	bench   drivers.Bench
	stdin   *io.PipeWriter
	served  chan error
	release chan struct{}
}

// newRig builds the devices; open serves them.
func newRig(t *testing.T) *rig {
	r := &rig{t: t, start: time.Now(), served: make(chan error, 1), bench: testBench(), release: make(chan struct{}),
		supply: &fakePower{}, load: &fakePower{}, box: &fakeBox{}, monitor: &fakeMonitor{}, meter: &fakeMeter{}}
	for _, f := range r.fakes() {
		f.start, f.release = r.start, r.release
		f.hang, f.fail = map[string]bool{}, map[string]error{}
	}
	r.monitor.cell.Store(22_000) // 3.3 V
	r.monitor.cells.Store(3)
	r.config.Set = drivers.Set{Supply: r.supply, Load: r.load, Box: r.box, Monitor: r.monitor, Meter: r.meter}
	r.config.Scheduling = ms
	return r
}

func (r *rig) fakes() []*fake {
	return []*fake{&r.supply.fake, &r.load.fake, &r.box.fake, &r.monitor.fake, &r.meter.fake}
}

// child serves the rig in this process in place of a child.
func (r *rig) child() (*Child, func(context.Context, string, string) (net.Conn, error)) {
	in, out := io.Pipe()
	handIn, handOut := io.Pipe()
	lis := bufconn.Listen(1 << 20)
	r.stdin = out
	r.config.Bench, r.config.Stdin, r.config.Listener = r.bench, in, lis
	done := make(chan error, 1)
	ctx, kill := context.WithCancel(context.Background())
	go func() {
		s, err := open(ctx, r.config)
		if err != nil {
			lis.Close()
			writeFailed(handOut, err)
		} else {
			writeReady(handOut, "unix:memory")
			err = s.run(ctx)
		}
		in.Close()
		done <- err
		r.served <- err
	}()
	child := &Child{Stdin: out, Stdout: handIn, Wait: func() error { return <-done },
		Kill: func() error { kill(); handOut.CloseWithError(io.EOF); return nil }}
	return child, func(ctx context.Context, _, _ string) (net.Conn, error) { return lis.DialContext(ctx) }
}

// tryOpen starts host and client and returns what kept them from starting.
func (r *rig) tryOpen() (err error) {
	child, dial := r.child()
	r.client, err = Start(context.Background(), func() (*Child, error) { return child, nil }, Options{Bench: r.bench, Dial: dial})
	return err
}

// open starts host and client; both end with the test.
func (r *rig) open() *rig {
	r.t.Helper()
	require.NoError(r.t, r.tryOpen())
	r.t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		close(r.release)
		require.NoError(r.t, r.client.Close(ctx))
	})
	return r
}

func protection() drivers.Protection {
	return drivers.Protection{VoltageMax: 90 * drivers.Volt, CurrentMax: 42 * drivers.Ampere, CommTimeout: drivers.Second}
}

// arm arms in an epoch and demands that it worked.
func (r *rig) arm(epoch uint64) {
	r.t.Helper()
	s, l, err := r.client.Arm(r.t.Context(), epoch, protection(), protection(), testLimits())
	require.NoError(r.t, err)
	require.Equal(r.t, [2]drivers.Protection{protection(), protection()}, [2]drivers.Protection{s, l})
}

func amps(n drivers.Microamps) drivers.Setpoint {
	return drivers.Setpoint{Current: n * drivers.Ampere, Voltage: 87 * drivers.Volt, On: true}
}

// energise arms, closes the contactors and charges at 20 A.
func (r *rig) energise(epoch uint64) {
	r.t.Helper()
	r.arm(epoch)
	require.NoError(r.t, r.client.Switch(r.t.Context(), epoch, drivers.BoxNegative|drivers.BoxPositive))
	require.NoError(r.t, r.client.Set(r.t.Context(), epoch, true, amps(20)))
	r.monitor.current.Store(2000)
	r.box.current.Store(2000)
}

// now is the time since the start, as the devices' logs count it.
func (r *rig) now() time.Duration { return time.Since(r.start) }

// drain forgets what was received so far.
func (r *rig) drain() {
	for {
		select {
		case <-r.client.Frames():
		case <-r.client.Events():
		default:
			return
		}
	}
}

// keep renews the lease from every frame until the returned function is called.
func (r *rig) keep(epoch uint64) (stop func()) {
	quit, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case f := <-r.client.Frames():
				r.client.Renew(epoch, f.Echo, drivers.Second)
			case <-quit:
				return
			}
		}
	}()
	return func() { close(quit); <-done }
}

// pass lets fake time pass, in a synctest bubble, and then everything that it
// brought about happen.
func pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}
