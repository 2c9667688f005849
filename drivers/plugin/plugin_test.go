package plugin

import (
	"context"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	ms      = drivers.Millisecond
	patient = 20 * time.Second
)

// fake is a device that remembers what it was told.
type fake struct {
	serial string
	mu     sync.Mutex
	told   []string
	beat   atomic.Int32
}

func (f *fake) tell(s string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told = append(f.told, s)
	return nil
}

func (f *fake) last() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.told[len(f.told)-1]
}

func (f *fake) Halt(context.Context) error { return f.tell("halt") }
func (f *fake) Identify(context.Context) (drivers.Identity, error) {
	return drivers.Identity{Maker: "slipway", Model: "fake", Serial: f.serial}, nil
}

type fakeSupply struct{ fake }

func (s *fakeSupply) Arm(_ context.Context, p drivers.Protection) (drivers.Protection, error) {
	return p, s.tell("arm")
}
func (s *fakeSupply) Set(context.Context, drivers.Setpoint) error { return s.tell("set") }
func (s *fakeSupply) Read(context.Context) (drivers.Reading, error) {
	return drivers.Reading{Voltage: 100, Current: 200, Beat: s.beat.Add(1)}, nil
}

type fakeBox struct{ fake }

func (b *fakeBox) Switch(context.Context, drivers.Contactors) error { return b.tell("switch") }
func (b *fakeBox) Read(context.Context) (drivers.BoxReading, error) {
	return drivers.BoxReading{Link: 300, Beat: b.beat.Add(1)}, nil
}

// testBench is a whole bench, of which the plugin has supply and box.
func testBench() drivers.Bench {
	plug := drivers.Wire{Driver: Driver, Address: "unix:/x"}
	return drivers.Bench{
		Name:    "quay-1",
		Monitor: drivers.MonitorSpec{Cells: 1, Period: 50 * ms, CellStep: 1, CurrentStep: 1, TempStep: 1},
		Supply:  drivers.PowerSpec{Wire: plug, VoltageMax: 60 * drivers.Volt, CurrentMax: 20 * drivers.Ampere, VoltageStep: 1000, CurrentStep: 1000},
		Load:    drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Box:     drivers.BoxSpec{Wire: plug, LinkStep: 1000}, Meter: drivers.MeterSpec{VoltageStep: 1},
		Lease: 500 * ms,
	}
}

// served is a plugin that runs in this process at an address.
type served struct {
	path   string
	supply *fakeSupply
	box    *fakeBox
	stop   func()
}

func serve(t *testing.T, path, serial string, change func(*host.Config)) *served {
	t.Helper()
	s := &served{path: path, supply: &fakeSupply{fake{serial: serial}}, box: &fakeBox{fake{serial: "B-1"}}}
	lis, err := net.Listen("unix", path)
	require.NoError(t, err)
	c := host.Config{Bench: testBench(), Part: true, Set: drivers.Set{Supply: s.supply, Box: s.box}, Listener: lis, Scheduling: ms}
	if change != nil {
		change(&c)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- host.Serve(ctx, c) }()
	s.stop = sync.OnceFunc(func() {
		cancel()
		require.NoError(t, <-done)
	})
	t.Cleanup(s.stop)
	return s
}

func socket(t *testing.T) string { return filepath.Join(t.TempDir(), "s") }

func openAt(t *testing.T, path string, change func(*Options)) (*Plugin, error) {
	t.Helper()
	o := Options{Address: "unix:" + path, Bench: testBench(), Roles: []host.Role{host.RoleSupply, host.RoleBox}}
	if change != nil {
		change(&o)
	}
	p, err := Open(t.Context(), o)
	if err == nil {
		t.Cleanup(p.Close)
	}
	return p, err
}

func await(t *testing.T, what string, holds func() bool) {
	t.Helper()
	require.Eventually(t, holds, patient, 5*time.Millisecond, what)
}

// energise arms, closes a contactor and switches the supply on.
func energise(ctx context.Context, s drivers.Set) error {
	_, err := s.Supply.Arm(ctx, drivers.Protection{VoltageMax: drivers.Volt, CurrentMax: drivers.Ampere})
	return errors.Join(err, s.Box.Switch(ctx, drivers.BoxNegative), s.Supply.Set(ctx, drivers.Setpoint{On: true}))
}

// One plugin serves several roles; nothing of it is on when it is opened; what
// is read comes from its frames (INV-06).
func TestOpen(t *testing.T) {
	s := serve(t, socket(t), "S-1", nil)
	p, err := openAt(t, s.path, nil)
	require.NoError(t, err)
	require.Equal(t, "halt", s.supply.last())
	require.Equal(t, "halt", s.box.last())
	set := p.Set()
	require.Nil(t, set.Load)
	require.Nil(t, set.Monitor)
	require.Nil(t, set.Meter)
	id, err := set.Supply.Identify(t.Context())
	require.NoError(t, err)
	require.Equal(t, "S-1", id.Serial)
	r, err := set.Supply.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, [2]int32{100, 200}, [2]int32{r.Voltage, r.Current})
	b, err := set.Box.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, [2]int32{300, drivers.NoReading}, [2]int32{b.Link, b.Current})

	// INV-08: not before it was armed.
	require.ErrorIs(t, set.Supply.Set(t.Context(), drivers.Setpoint{On: true}), drivers.ErrRefused)
	require.NoError(t, energise(t.Context(), set))
	require.Equal(t, "set", s.supply.last())
	require.NoError(t, set.Supply.Halt(t.Context()))
	require.Equal(t, "halt", s.supply.last())
	require.NoError(t, set.Box.Halt(t.Context()))
	require.Equal(t, "halt", s.box.last())

	require.NoError(t, energise(t.Context(), set))
	p.Close()
	_, err = set.Supply.Read(t.Context())
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
	await(t, "the end of its lease halts everything", func() bool { return s.supply.last() == "halt" && s.box.last() == "halt" })
}

// The lease goes on only while the host has one, and calls (INV-02).
func TestLeaseNeedsHost(t *testing.T) {
	s := serve(t, socket(t), "S-1", nil)
	var alive atomic.Bool
	alive.Store(true)
	p, err := openAt(t, s.path, func(o *Options) { o.Alive = alive.Load })
	require.NoError(t, err)
	set := p.Set()
	touch := func() drivers.Reading {
		r, err := set.Supply.Read(t.Context())
		require.NoError(t, err)
		return r
	}
	require.NoError(t, energise(t.Context(), set))
	for end := time.Now().Add(1200 * time.Millisecond); time.Now().Before(end); {
		require.Zero(t, touch().State&drivers.PowerLeaseOut, "its lease ran out in contact")
		<-time.After(20 * time.Millisecond)
	}
	require.Equal(t, "set", s.supply.last())

	// Nobody calls.
	await(t, "an end without contact", func() bool { return s.supply.last() == "halt" })
	await(t, "its being shown", func() bool { return touch().State&drivers.PowerLeaseOut != 0 })
	require.ErrorIs(t, set.Supply.Set(t.Context(), drivers.Setpoint{On: true}), drivers.ErrLease)

	// The host's lease is gone. A box has no arming of its own: it closes again
	// once the host has a lease, and the supply still wants to be armed.
	require.NoError(t, energise(t.Context(), set))
	alive.Store(false)
	await(t, "an end without the host's lease", func() bool { touch(); return s.supply.last() == "halt" })
	await(t, "contactors open", func() bool { return s.box.last() == "halt" })
	require.ErrorIs(t, set.Box.Switch(t.Context(), drivers.BoxNegative), drivers.ErrLease)
	alive.Store(true)
	require.NoError(t, set.Box.Switch(t.Context(), drivers.BoxNegative))
	require.ErrorIs(t, set.Supply.Set(t.Context(), drivers.Setpoint{On: true}), drivers.ErrRefused)
}

// A plugin that went and came back is safe until the host is armed anew; one
// that comes back as another device does not come back (INV-06).
func TestComesBack(t *testing.T) {
	path := socket(t)
	s := serve(t, path, "S-1", nil)
	var armed atomic.Uint64
	armed.Store(1)
	p, err := openAt(t, path, func(o *Options) { o.Armed = armed.Load })
	require.NoError(t, err)
	set := p.Set()
	require.NoError(t, energise(t.Context(), set))
	s.stop()
	<-p.Lost()
	_, err = set.Box.Read(t.Context())
	require.ErrorIs(t, err, drivers.ErrNoAnswer)

	back := func() bool { _, err := set.Box.Read(t.Context()); return err == nil }
	s = serve(t, path, "S-1", nil)
	await(t, "its return", back)
	require.ErrorIs(t, set.Box.Switch(t.Context(), drivers.BoxNegative), drivers.ErrLease)
	require.ErrorIs(t, set.Supply.Set(t.Context(), drivers.Setpoint{On: true}), drivers.ErrRefused)
	require.Equal(t, "halt", s.box.last())
	armed.Store(2)
	await(t, "leave to close a contactor", func() bool { return set.Box.Switch(t.Context(), drivers.BoxNegative) == nil })
	s.stop()

	<-p.Lost()
	serve(t, path, "S-2", nil)
	await(t, "word of the other device", func() bool {
		_, err := set.Box.Read(t.Context())
		require.ErrorIs(t, err, drivers.ErrNoAnswer)
		return strings.Contains(err.Error(), "came back as")
	})
}

// What cannot serve this bench is refused with what is wrong.
func TestOpenRefuses(t *testing.T) {
	path := socket(t)
	serve(t, path, "S-1", nil)
	for name, tc := range map[string]struct {
		change func(*Options)
		kind   error
		want   string
	}{
		"another device": {func(o *Options) { o.Expect = map[host.Role]drivers.Identity{host.RoleSupply: {Serial: "S-9"}} },
			drivers.ErrIdentity, `supply: wrong device: its serial is "S-1", the bench file says "S-9"`},
		"a role that it has not": {func(o *Options) { o.Roles = append(o.Roles, host.RoleMeter) },
			host.ErrImpossible, "it serves supply, box and no meter"},
		"another step": {func(o *Options) { o.Bench.Supply.CurrentStep = 3000 },
			host.ErrImpossible, "supply_current comes at 1000/1+0, the bench file says 3000/1+0"},
		"a lease that is too long": {func(o *Options) { o.Bench.Lease = 400 * ms },
			host.ErrImpossible, "its lease is 500 ms, the bench file's 400 ms"},
		"one that reads too seldom": {func(o *Options) { o.Bench.Monitor.Period = 49 * ms },
			host.ErrImpossible, "it sends a frame every 50 ms, the bench file's period is 49 ms"},
		"no roles":  {func(o *Options) { o.Roles = nil }, nil, "no role is asked of it"},
		"no role":   {func(o *Options) { o.Roles = []host.Role{host.RoleNone} }, nil, "there is no bench"},
		"not there": {func(o *Options) { o.Address += "x" }, drivers.ErrNoAnswer, "no such file"},
		"no bench":  {func(o *Options) { o.Bench.Monitor.Cells = 0 }, nil, "no cell channels"},
		"no such program": {func(o *Options) { o.Address = "exec:no-such-driver" },
			exec.ErrNotFound, "no-such-driver"},
		"not a driver": {func(o *Options) { o.Address = "exec:echo 'hello there'" }, host.ErrHandshake, `"hello there"`},
		"another version": {func(o *Options) { o.Address = "exec:echo rigwarden-driver 7 ready unix:/x" },
			host.ErrVersion, "driver speaks another version: 7"},
		"one that says why": {func(o *Options) { o.Address = `exec:echo 'rigwarden-driver 1 failed "no supply at port 3"'` },
			host.ErrStart, "no supply at port 3"},
		"one that dies": {func(o *Options) { o.Address = `exec:sh -c 'echo no port >&2; exit 3'` }, host.ErrHandshake, "no port"},
	} {
		t.Run(name, func(t *testing.T) {
			// The device learns of an end a moment after it: until then the stream
			// of the try before is still its one stream.
			var err error
			await(t, "the plugin free of the try before", func() bool {
				var p *Plugin
				p, err = openAt(t, path, tc.change)
				require.Nil(t, p)
				return err == nil || !strings.Contains(err.Error(), "another lease stream")
			})
			require.ErrorContains(t, err, tc.want)
			if tc.kind != nil {
				require.ErrorIs(t, err, tc.kind)
			}
		})
	}
	// Nothing of all that is left: it can be opened still.
	await(t, "the plugin free again", func() bool { _, err := openAt(t, path, nil); return err == nil })
	_, err := os.Stat(path)
	require.NoError(t, err)
}

// Roles at one address are opened as one plugin.
func TestWanted(t *testing.T) {
	b := testBench()
	b.Supply.Expect.Serial = "S-1"
	b.Meter.Driver, b.Meter.Address = Driver, "exec:meter"
	b.Load.Driver, b.Load.Address = "scpi", "unix:/x"
	got := Wanted(b)
	require.Len(t, got, 2)
	require.Equal(t, "unix:/x", got[0].Address)
	require.Equal(t, []host.Role{host.RoleSupply, host.RoleBox}, got[0].Roles)
	require.Equal(t, "S-1", got[0].Expect[host.RoleSupply].Serial)
	require.Equal(t, "exec:meter", got[1].Address)
	require.Equal(t, []host.Role{host.RoleMeter}, got[1].Roles)
}
