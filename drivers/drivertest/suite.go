package drivertest

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Fixture is a bench to check. Roles that Set leaves nil are not checked.
type Fixture struct {
	Set   drivers.Set
	Bench drivers.Bench
	// Advance lets time pass on the bench without contact to its instruments.
	Advance func(drivers.Span)
	// Concurrent says that calls may come from several goroutines at once.
	Concurrent bool
	// Hang makes a device stop answering; nil: the fixture cannot.
	Hang func(Role)
	// Connect makes a path for current through supply and load where there is
	// no contactor box to do it; nil: none, and currents are not checked.
	Connect func() error
	// Lease is how long the devices stay energised without contact where that is
	// not the instruments' own doing: a plugin, whose lease takes in everything
	// behind it. It stands in place of the communication timeout and the
	// heartbeat; 0: those are checked.
	Lease drivers.Span
	// Current is what the suite lets flow; 0: a tenth of the supply's range.
	Current drivers.Microamps
	// Deadline bounds each call in real time; 0: 5 s.
	Deadline time.Duration
}

// Role names a device.
type Role string

// Roles.
const (
	RoleSupply  Role = "supply"
	RoleLoad    Role = "load"
	RoleBox     Role = "box"
	RoleMonitor Role = "monitor"
	RoleMeter   Role = "meter"
)

// Check is one demand of the contract.
type Check struct {
	Name string
	// Doc is what is demanded, one sentence.
	Doc string
	// Do returns nil when the bench meets it, an error that wraps ErrSkip when
	// the fixture offers no way to tell. Each call needs a fresh fixture.
	Do func(*Fixture) error
}

// ErrSkip marks a check that says nothing about this fixture.
var ErrSkip = errors.New("not checked")

func skip(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrSkip, fmt.Sprintf(format, args...))
}

// Checks lists the suite in order.
func Checks() []Check {
	var list []Check
	list = append(list, commonChecks...)
	for _, role := range []Role{RoleSupply, RoleLoad} {
		for _, c := range powerChecks {
			list = append(list, Check{
				Name: string(role) + "/" + c.name, Doc: c.doc,
				Do: func(f *Fixture) error {
					p := f.power(role)
					if p.Power == nil {
						return skip("there is no %s", role)
					}
					return c.do(f, p)
				},
			})
		}
	}
	list = append(list, boxChecks...)
	return append(list, monitorChecks...)
}

// Tester is what Run needs of *testing.T; the suite itself stays free of test
// libraries, for commands to use.
type Tester[T any] interface {
	Helper()
	Run(name string, f func(T)) bool
	Fatalf(format string, args ...any)
	Skipf(format string, args ...any)
}

// Run runs every check as a subtest, each over a fixture of its own. open ends
// what it opened through t.Cleanup.
func Run[T Tester[T]](t T, open func(t T) *Fixture) {
	t.Helper()
	for _, c := range Checks() {
		t.Run(c.Name, func(t T) {
			switch err := c.Do(open(t)); {
			case errors.Is(err, ErrSkip):
				t.Skipf("%v", err)
			case err != nil:
				t.Fatalf("%s\ndemanded: %s", err, c.Doc)
			}
		})
	}
}

// call gives f a context with the fixture's deadline.
func (f *Fixture) call(do func(ctx context.Context) error) error {
	limit := f.Deadline
	if limit == 0 {
		limit = 5 * time.Second
	}
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	return do(ctx)
}

// period is the pace at which run keeps in touch.
func (f *Fixture) period() drivers.Span {
	p := f.Bench.Monitor.Period
	if p <= 0 {
		p = 100 * drivers.Millisecond
	}
	return p
}

// silence is how long a device stays energised without contact; own is its own
// timeout, 0: it has none.
func (f *Fixture) silence(own drivers.Span) drivers.Span {
	if f.Lease > 0 {
		return f.Lease
	}
	return own
}

// run lets time pass in contact with every instrument, so that no timeout runs
// out.
func (f *Fixture) run(d drivers.Span) error {
	for d > 0 {
		step := min(d, f.period())
		f.Advance(step)
		d -= step
		if err := f.touch(); err != nil {
			return err
		}
	}
	return nil
}

// touch reads every instrument once.
func (f *Fixture) touch() error {
	for _, r := range f.roles() {
		if _, err := f.beat(r); err != nil {
			return err
		}
	}
	return nil
}

// roles lists the roles that are there.
func (f *Fixture) roles() []Role {
	var list []Role
	for _, r := range []struct {
		role  Role
		there bool
	}{
		{RoleSupply, f.Set.Supply != nil}, {RoleLoad, f.Set.Load != nil}, {RoleBox, f.Set.Box != nil},
		{RoleMonitor, f.Set.Monitor != nil}, {RoleMeter, f.Set.Meter != nil},
	} {
		if r.there {
			list = append(list, r.role)
		}
	}
	return list
}

// beat reads a device and returns its counter.
func (f *Fixture) beat(r Role) (beat int32, err error) {
	err = f.call(func(ctx context.Context) (err error) {
		beat, err = f.read(ctx, r)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("%s: read: %w", r, err)
	}
	return beat, nil
}

func (f *Fixture) read(ctx context.Context, r Role) (int32, error) {
	switch r {
	case RoleSupply, RoleLoad:
		v, err := f.power(r).Read(ctx)
		return v.Beat, err
	case RoleBox:
		v, err := f.Set.Box.Read(ctx)
		return v.Beat, err
	case RoleMonitor:
		var v drivers.MonitorReading
		err := f.Set.Monitor.Read(ctx, &v)
		return v.Beat, err
	}
	v, err := f.Set.Meter.Read(ctx)
	return v.Beat, err
}

func (f *Fixture) identify(ctx context.Context, r Role) (drivers.Identity, error) {
	switch r {
	case RoleSupply, RoleLoad:
		return f.power(r).Identify(ctx)
	case RoleBox:
		return f.Set.Box.Identify(ctx)
	case RoleMonitor:
		return f.Set.Monitor.Identify(ctx)
	}
	return f.Set.Meter.Identify(ctx)
}

// halter returns a device that can be made safe, nil for a meter.
func (f *Fixture) halter(r Role) drivers.Halter {
	switch r {
	case RoleSupply:
		return f.Set.Supply
	case RoleLoad:
		return f.Set.Load
	case RoleBox:
		return f.Set.Box
	case RoleMonitor:
		return f.Set.Monitor
	}
	return nil
}

// refused demands an error of a kind.
func refused(what string, err, want error) error {
	switch {
	case err == nil:
		return fmt.Errorf("%s: accepted; want %q", what, want)
	case !errors.Is(err, want):
		return fmt.Errorf("%s: %w; want %q", what, err, want)
	}
	return nil
}
