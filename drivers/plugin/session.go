package plugin

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
)

// session is one life of a plugin.
type session struct {
	p      *Plugin
	client *host.Client
	set    drivers.Set
	heard  atomic.Int64 // when the latest frame came
	// free says that the plugin's lease may be renewed: it was opened by the
	// host's start, or the host was armed since.
	free    atomic.Bool
	armings uint64
	// armed says which of supply and load were armed in this life.
	armed [2]atomic.Bool
}

// openTimeout bounds starting or reaching a plugin, unless ctx does.
const openTimeout = 15 * time.Second

// dial starts the plugin or reaches it.
func dial(ctx context.Context, t target, o host.Options) (s *session, err error) {
	o.StartTimeout = openTimeout
	s = &session{}
	if t.command == nil {
		s.client, err = host.Connect(ctx, t.network, t.place, o)
		return s, err
	}
	s.client, err = host.Start(ctx, host.Command(exec.Command(t.command[0], t.command[1:]...)), o)
	return s, err
}

// limits never trip: the host that opens the plugin has the tripwire, over the
// whole bench. In a plugin a breach would have to last an hour.
func limits() host.TripwireLimits {
	const wide = 4_000_000_000 // 4 kV, 4 kA in uV and uA
	return host.TripwireLimits{CellMax: wide, TempMax: wide, CurrentMax: wide, Persistence: drivers.Hour, Silence: drivers.Hour}
}

// fits refuses a plugin whose lease is of no use, and one that reads more seldom
// than the bench file says: the times after which a lost instrument or a breach is
// noticed count on the bench's period.
func (s *session) fits() error {
	d := s.client.Describe()
	if most := s.p.o.Bench.Lease; most > 0 && d.Lease > most {
		return fmt.Errorf("%w: its lease is %d ms, the bench file's %d ms; a plugin's may not be longer",
			host.ErrImpossible, d.Lease/drivers.Millisecond, most/drivers.Millisecond)
	}
	if most := s.p.o.Bench.Monitor.Period; most > 0 && d.Period > most {
		return fmt.Errorf("%w: it sends a frame every %d ms, the bench file's period is %d ms; a plugin's may not be longer",
			host.ErrImpossible, d.Period/drivers.Millisecond, most/drivers.Millisecond)
	}
	return host.CheckLease(d.Lease, d.Period, d.Scheduling)
}

// begin takes over the plugin's devices.
func (s *session) begin(ctx context.Context) (err error) {
	if s.set, err = s.client.Instruments(ctx, limits(), s.alive); err != nil {
		return err
	}
	if d := s.client.Describe(); s.set.Box != nil && d.LinkPeriod < d.Period {
		// The host may want its readings at the link period at any time.
		if err := s.client.Fast(ctx, true); err != nil && !errors.Is(err, host.ErrAbsent) {
			return err
		}
	}
	return nil
}

// touchPeriods is how many periods the host may leave the plugin alone before
// its lease is no longer renewed.
const touchPeriods = 3

// alive is asked on every frame whether it renews the lease.
func (s *session) alive() bool {
	o, now := &s.p.o, s.p.o.Now()
	s.heard.Store(int64(now))
	if s.p.proving.Load() > 0 {
		return true // behind open contactors, and the host is waiting for it
	}
	alive := o.Alive()
	if !alive || o.Armed != nil && o.Armed() != s.armings {
		s.free.Store(true)
	}
	quiet := now.Sub(drivers.Instant(s.p.contact.Load()))
	return alive && s.free.Load() && quiet <= s.touchSpan()
}

func (s *session) touchSpan() drivers.Span {
	return touchPeriods * max(s.p.o.Bench.Monitor.Period, s.client.Describe().Period)
}

// Who gives no frame for so long is hung: longer than its lease, so that it had
// the time to halt by itself.
const (
	hungLeases  = 2
	hungPeriods = 10
	hungLeast   = 2 * drivers.Second
)

// errHung: the plugin is there and does nothing.
var errHung = errors.New("it sent no frame")

// watch returns why the plugin was lost, or nil at the end of ctx.
func (s *session) watch(ctx context.Context) error {
	d := s.client.Describe()
	most := max(hungLeases*d.Lease, hungPeriods*d.Period, hungLeast)
	tick := time.NewTicker(time.Duration(d.Period) * time.Microsecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-s.client.Lost():
			return err
		case <-tick.C:
			if quiet := s.p.o.Now().Sub(drivers.Instant(s.heard.Load())); quiet > most {
				return fmt.Errorf("%w for %d ms", errHung, quiet/drivers.Millisecond)
			}
		}
	}
}

// closeTimeout is how long a plugin may take to halt everything and end. One
// that hangs had its time: the sooner another drives its devices safe the
// better.
const (
	closeTimeout     = 3 * time.Second
	closeHungTimeout = 100 * time.Millisecond
)

// close ends the session: everything is halted, a child ends or is killed.
func (s *session) close(within time.Duration) {
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	// That a child had to be killed is no news: it was lost, or the host ends.
	_ = s.client.Close(ctx)
}
