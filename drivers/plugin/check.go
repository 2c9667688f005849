package plugin

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/host"
)

// CheckOptions of Check.
type CheckOptions struct {
	Address string
	// Bench says what the plugin's instruments can do, and Roles which of its
	// are meant. nil: what the plugin tells of itself.
	Bench *drivers.Bench
	Roles []host.Role
	// Energise permits the checks that switch something on. Whoever permits it
	// answers for what is connected: a source of voltage that takes the current,
	// within the instruments' ranges.
	Energise bool
	// Current is what the suite lets flow; 0: a tenth of the range.
	Current drivers.Microamps
	// Limit bounds each check; 0: a minute.
	Limit time.Duration
	// Begin, where set, is told of each check before it begins.
	Begin func(c drivertest.Check, number, of int)
}

// Report is what Check found.
type Report struct {
	Address string   `json:"address"`
	Devices []Device `json:"devices"`
	// Period is the time between the plugin's frames, Lease the longest lease
	// that it grants.
	Period  drivers.Span        `json:"period_us"`
	Lease   drivers.Span        `json:"lease_us"`
	Results []drivertest.Result `json:"results"`
}

// Device is one role of a plugin.
type Device struct {
	Role string `json:"role"`
	drivers.Identity
}

// Count returns how many checks had an outcome.
func (r *Report) Count(o drivertest.Outcome) (n int) {
	for _, c := range r.Results {
		if c.Outcome == o {
			n++
		}
	}
	return n
}

// Checker runs the conformance suite over a plugin, in real time: it is
// started, or its lease taken, anew for every check.
type Checker struct {
	o     CheckOptions
	told  host.Description
	bench drivers.Bench
	roles []host.Role
	lease drivers.Span // after which everything must be off
}

// Run runs the whole suite.
func (c *Checker) Run(ctx context.Context) *Report {
	r := &Report{Address: c.o.Address, Period: c.told.Period, Lease: c.told.Lease}
	suite := drivertest.Assessment{Open: c.Open, Energise: c.o.Energise, Limit: c.o.Limit, Begin: c.o.Begin}
	for _, role := range c.roles {
		r.Devices = append(r.Devices, Device{role.String(), c.told.Identities[role]})
		suite.Roles = append(suite.Roles, drivertest.Role(role.String()))
	}
	r.Results = suite.Run(ctx)
	return r
}

// NewChecker asks the plugin once what it is. An error says why it cannot be
// checked at all.
func NewChecker(ctx context.Context, o CheckOptions) (*Checker, error) {
	t, err := parseAddress(o.Address)
	if err != nil {
		return nil, err
	}
	d, err := meet(ctx, t, host.Options{Any: true})
	if err != nil {
		return nil, fmt.Errorf("plugin %s: %w", o.Address, err)
	}
	c := &Checker{o: o, told: d, bench: d.Told, roles: o.Roles}
	if len(c.roles) == 0 {
		c.roles = slices.Sorted(maps.Keys(d.Identities))
	}
	if o.Bench != nil {
		// That the plugin does not fit the file is told once, not by each check.
		c.bench = *o.Bench
		if _, err := meet(ctx, t, host.Options{Bench: c.bench, Roles: c.roles}); err != nil {
			return nil, fmt.Errorf("plugin %s: %w", o.Address, err)
		}
	}
	for _, r := range c.roles {
		if _, ok := d.Identities[r]; !ok {
			return nil, fmt.Errorf("plugin %s: %w: it serves no %s", o.Address, host.ErrImpossible, r)
		}
	}
	c.lease = d.Lease + (touchPeriods+2)*max(c.bench.Monitor.Period, d.Period)
	for _, p := range []struct {
		role host.Role
		spec *drivers.PowerSpec
	}{{host.RoleSupply, &c.bench.Supply}, {host.RoleLoad, &c.bench.Load}} {
		if slices.Contains(c.roles, p.role) && (p.spec.VoltageMax <= 0 || p.spec.CurrentMax <= 0) {
			return nil, fmt.Errorf("plugin %s: %w: it does not tell what its %s can do (voltage_max_uv, current_max_ua); a bench file may say it in its place",
				o.Address, host.ErrImpossible, p.role)
		}
	}
	return c, nil
}

// meet opens the plugin and asks what it is.
func meet(ctx context.Context, t target, o host.Options) (host.Description, error) {
	s, err := dial(ctx, t, o)
	if err != nil {
		return host.Description{}, err
	}
	defer s.close(closeTimeout)
	return s.client.Describe(), nil
}

// Open makes the fixture of one check. end halts everything and makes calls
// that still hang return.
func (c *Checker) Open(ctx context.Context) (f *drivertest.Fixture, end func(), err error) {
	p, err := newPlugin(Options{Address: c.o.Address, Bench: c.bench, Roles: c.roles})
	if err != nil {
		return nil, nil, err
	}
	p.trusted, p.any = true, c.o.Bench == nil
	if err := p.open(ctx); err != nil {
		return nil, nil, err
	}
	f = &drivertest.Fixture{Set: p.set, Bench: c.bench, Concurrent: true, Current: c.o.Current, Lease: c.lease,
		Advance: func(d drivers.Span) { advance(ctx, d) }}
	f.Connect = func() error { return c.connected(ctx, &p.set) }
	return f, func() { p.Close() }, nil
}

// advance lets real time pass.
func advance(ctx context.Context, d drivers.Span) {
	t := time.NewTimer(time.Duration(d) * time.Microsecond)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// leastShare is the part of its range that an instrument must see connected
// before the suite lets current flow into it.
const leastShare = 100

// connected looks for the source that the person connected.
func (c *Checker) connected(ctx context.Context, set *drivers.Set) error {
	p, spec := set.Supply, &c.bench.Supply
	if p == nil {
		p, spec = set.Load, &c.bench.Load
	}
	r, err := p.Read(ctx)
	if err != nil {
		return err
	}
	if volts := drivers.Microvolts(r.Voltage) * spec.VoltageStep; r.Voltage == drivers.NoReading || volts < spec.VoltageMax/leastShare {
		return fmt.Errorf("%w: it sees no source of voltage to let current flow into; a battery within its range would be right", drivertest.ErrSkip)
	}
	return nil
}
