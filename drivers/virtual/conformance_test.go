package virtual_test

import (
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

func config() virtual.Config {
	return virtual.Config{
		Bench: virtual.WorkshopBench(), Article: virtual.DefaultArticle(),
		Seed: 7, Start: 1_700_000_000_000_000,
	}
}

func open(t *testing.T, c virtual.Config) *virtual.Bench {
	t.Helper()
	b, err := virtual.New(c)
	require.NoError(t, err)
	return b
}

func hang(t *testing.T, b *virtual.Bench) func(drivertest.Role) {
	return func(r drivertest.Role) {
		require.NoError(t, b.Inject(virtual.Fault{
			Kind: virtual.DriverHangs, Device: virtual.Device(r), When: virtual.Trigger{On: virtual.AfterStart},
		}))
		b.Advance(b.Now() + 1)
	}
}

// The contract of drivers, over the virtual bench in virtual time.
func TestConformance(t *testing.T) {
	drivertest.Run(t, func(t *testing.T) *drivertest.Fixture {
		b := open(t, config())
		return &drivertest.Fixture{
			Set: b.Set(), Bench: virtual.WorkshopBench(), Hang: hang(t, b),
			Advance: func(d drivers.Span) { b.Advance(b.Now().Add(d)) },
		}
	})
}

// The same through the face that follows a clock, from several goroutines.
func TestConformanceRealtime(t *testing.T) {
	drivertest.Run(t, func(t *testing.T) *drivertest.Fixture {
		c := config()
		b := open(t, c)
		var clock atomic.Int64
		clock.Store(int64(c.Start))
		r := virtual.NewRealtime(b, func() drivers.Instant { return drivers.Instant(clock.Load()) })
		return &drivertest.Fixture{
			Set: r.Set(), Bench: virtual.WorkshopBench(), Concurrent: true, Hang: hang(t, b),
			Advance: func(d drivers.Span) { clock.Add(int64(d)) },
		}
	})
}
