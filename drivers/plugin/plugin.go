package plugin

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
)

// Driver is the name by which a bench file asks for a plugin (drivers.Wire).
const Driver = "plugin"

// Options of Open.
type Options struct {
	// Address is exec:COMMAND ARGS (words parted by blanks, quotes as in a
	// shell), unix:/path or tcp:host:port.
	Address string
	// Bench is the whole bench; the plugin's channels must be among its.
	Bench drivers.Bench
	// Roles are those that the bench file gives this plugin.
	Roles []host.Role
	// Expect is what the devices must say of themselves (ErrIdentity); empty
	// parts, and roles that are not there, are not compared.
	Expect map[host.Role]drivers.Identity
	// Now is the host's clock; nil: host.Clock.
	Now func() drivers.Instant
	// Alive says whether the host's own lease is alive (host.Alive.Now). It is
	// called on every frame and must not wait. nil: always.
	Alive func() bool
	// Armed counts the host's armings (host.Alive.Armed): a plugin that was
	// opened again gets no lease before it rose, or Alive said no. nil: only
	// the latter counts.
	Armed func() uint64
}

// Wanted returns what to open for a bench: one entry for each address that its
// file gives the driver "plugin", with all roles that are reached there.
func Wanted(b drivers.Bench) []Options {
	var list []Options
	for _, w := range []struct {
		role host.Role
		wire *drivers.Wire
	}{
		{host.RoleSupply, &b.Supply.Wire}, {host.RoleLoad, &b.Load.Wire}, {host.RoleBox, &b.Box.Wire},
		{host.RoleMonitor, &b.Monitor.Wire}, {host.RoleMeter, &b.Meter.Wire},
	} {
		if w.wire.Driver != Driver {
			continue
		}
		i := slices.IndexFunc(list, func(o Options) bool { return o.Address == w.wire.Address })
		if i < 0 {
			i = len(list)
			list = append(list, Options{Address: w.wire.Address, Bench: b, Expect: map[host.Role]drivers.Identity{}})
		}
		list[i].Roles = append(list[i].Roles, w.role)
		list[i].Expect[w.role] = w.wire.Expect
	}
	return list
}

// Plugin is an opened plugin. Its methods may be called from any goroutine.
type Plugin struct {
	o      Options
	target target
	set    drivers.Set
	// any takes what the plugin has, in place of Bench and Roles.
	any bool
	// trusted leaves it to the plugin to refuse what was not armed: the suite
	// wants to see that it does.
	trusted bool

	now     atomic.Pointer[session]
	why     atomic.Pointer[string] // while there is no session
	contact atomic.Int64           // when the host last called
	proving atomic.Int32           // proofs of silence under way
	lost    chan struct{}

	cancel context.CancelFunc
	done   chan struct{}
}

// Open starts or reaches the plugin and returns once it serves every role asked
// for, has driven its devices safe and sends frames. What is wrong is in the
// error: host.ErrStart, host.ErrHandshake, host.ErrVersion and
// host.ErrImpossible of the program, host.ErrLeaseShort of its lease,
// drivers.ErrRefused where somebody else holds it, drivers.ErrIdentity and
// drivers.ErrNoAnswer of its devices.
func Open(ctx context.Context, o Options) (*Plugin, error) {
	p, err := newPlugin(o)
	if err != nil {
		return nil, err
	}
	if err := p.open(ctx); err != nil {
		return nil, err
	}
	return p, nil
}

// open begins the plugin's first life.
func (p *Plugin) open(ctx context.Context) error {
	first, err := p.connect(ctx, nil)
	if err != nil {
		return err
	}
	p.now.Store(first)
	p.set = p.devices()
	var work context.Context
	work, p.cancel = context.WithCancel(context.Background())
	go p.keep(work, first)
	return nil
}

func newPlugin(o Options) (*Plugin, error) {
	t, err := parseAddress(o.Address)
	if err != nil {
		return nil, err
	}
	if o.Now == nil {
		o.Now = host.Clock(time.Now())
	}
	if o.Alive == nil {
		o.Alive = func() bool { return true }
	}
	if len(o.Roles) == 0 {
		return nil, fmt.Errorf("plugin %s: no role is asked of it", o.Address)
	}
	for _, r := range o.Roles {
		if r < host.RoleSupply || r > host.RoleMeter {
			return nil, fmt.Errorf("plugin %s: there is no %s", o.Address, r)
		}
	}
	p := &Plugin{o: o, target: t, lost: make(chan struct{}, 1), done: make(chan struct{})}
	p.touch()
	return p, nil
}

// Set returns the plugin's devices: exactly the roles asked for. Every call
// after a loss answers drivers.ErrNoAnswer until the plugin is back.
func (p *Plugin) Set() drivers.Set { return p.set }

// Lost receives each time that the plugin was lost, one waiting at most.
func (p *Plugin) Lost() <-chan struct{} { return p.lost }

// Close halts everything that the plugin holds, ends it if it was started here,
// and waits for its end, at most a few seconds.
func (p *Plugin) Close() {
	p.cancel()
	<-p.done
}

// Pauses before a lost plugin is opened again, doubling.
const (
	firstPause = 250 * time.Millisecond
	lastPause  = 15 * time.Second
)

// keep watches the plugin, and opens it again when it is lost.
func (p *Plugin) keep(ctx context.Context, s *session) {
	defer close(p.done)
	told := s.client.Describe().Identities
	for {
		why := s.watch(ctx)
		text := "it was closed"
		if why != nil {
			text = why.Error()
		}
		p.why.Store(&text)
		p.now.Store(nil)
		if why != nil {
			select {
			case p.lost <- struct{}{}:
			default:
			}
		}
		within := closeTimeout
		if errors.Is(why, errHung) {
			within = closeHungTimeout
		}
		s.close(within)
		if s = p.again(ctx, told); s == nil {
			return
		}
		p.touch()
		p.now.Store(s)
	}
}

// again opens the plugin until it is there, or returns nil at the end of ctx.
// It must be the same device as at first.
func (p *Plugin) again(ctx context.Context, told map[host.Role]drivers.Identity) *session {
	for pause := firstPause; ; pause = min(2*pause, lastPause) {
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return nil
		}
		s, err := p.connect(ctx, told)
		if err == nil {
			return s
		}
		text := err.Error()
		p.why.Store(&text)
	}
}

// connect opens one session. told is nil at first, and then what the devices
// said of themselves before.
func (p *Plugin) connect(ctx context.Context, told map[host.Role]drivers.Identity) (*session, error) {
	s, err := dial(ctx, p.target, host.Options{Bench: p.o.Bench, Roles: p.o.Roles, Any: p.any, Now: p.o.Now})
	if err != nil {
		return nil, fmt.Errorf("plugin %s: %w", p.o.Address, err)
	}
	s.p = p
	s.heard.Store(int64(p.o.Now()))
	// A plugin that came back waits for a new lease of the host's (INV-06).
	s.free.Store(told == nil)
	if p.o.Armed != nil {
		s.armings = p.o.Armed()
	}
	if err := errors.Join(s.fits(), s.identity(told)); err != nil {
		s.close(closeTimeout)
		return nil, fmt.Errorf("plugin %s: %w", p.o.Address, err)
	}
	p.touch() // opening may have taken long
	if err := s.begin(ctx); err != nil {
		s.close(closeTimeout)
		return nil, fmt.Errorf("plugin %s: %w", p.o.Address, err)
	}
	return s, nil
}

// identity compares what the devices say with what was expected, and with what
// they said before.
func (s *session) identity(told map[host.Role]drivers.Identity) error {
	var wrong []error
	said := s.client.Describe().Identities
	for _, r := range slices.Sorted(maps.Keys(said)) {
		if err := s.p.o.Expect[r].Check(said[r]); err != nil {
			wrong = append(wrong, fmt.Errorf("%s: %w", r, err))
		}
		if before, ok := told[r]; ok && before != said[r] {
			wrong = append(wrong, fmt.Errorf("%s: %w: it was %+v and came back as %+v", r, drivers.ErrIdentity, before, said[r]))
		}
	}
	return errors.Join(wrong...)
}

// touch notes that the host calls.
func (p *Plugin) touch() { p.contact.Store(int64(p.o.Now())) }

// session returns the plugin as it is now, or that it is gone.
func (p *Plugin) session(role host.Role) (*session, error) {
	p.touch()
	if s := p.now.Load(); s != nil {
		return s, nil
	}
	return nil, fmt.Errorf("%s: plugin %s: %w: %s", role, p.o.Address, drivers.ErrNoAnswer, *p.why.Load())
}
