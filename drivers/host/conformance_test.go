package host

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// hostedBench is a virtual bench without timeouts of its own: a host is never
// silent, so that the suite could not prove them through it.
func hostedBench() drivers.Bench {
	b := virtual.WorkshopBench()
	b.Supply.CommTimeout, b.Load.CommTimeout, b.Box.Heartbeat = 0, 0, 0
	return b
}

// wideLimits never trip on a healthy bench.
func wideLimits() TripwireLimits {
	l := testLimits()
	l.CurrentMax = 100 * drivers.Ampere
	return l
}

// hosted is a fixture over a virtual bench behind host, gRPC and client.
func hosted(t *testing.T, whole bool) *drivertest.Fixture {
	clock := Clock(time.Now())
	v, err := virtual.New(virtual.Config{Bench: hostedBench(), Article: virtual.DefaultArticle(), Seed: 7, Start: clock()})
	require.NoError(t, err)
	rt := virtual.NewRealtime(v, clock)
	r := newRig(t)
	r.bench, r.config.Set, r.config.Now = hostedBench(), rt.Set(), clock
	if whole {
		r.config.Sample, r.config.Next, r.config.OnFast = rt.Frame, rt.Next, rt.Fast
	}
	r.open()
	set, err := r.client.Instruments(t.Context(), wideLimits(), func() bool { return true })
	require.NoError(t, err)
	return &drivertest.Fixture{
		Set: set, Bench: hostedBench(), Concurrent: true,
		Advance: func(d drivers.Span) { pass(duration(d)) },
	}
}

// The contract of drivers holds for a bench behind a host as it does for the
// bench itself, read device by device and in whole frames.
func TestConformance(t *testing.T) {
	for name, whole := range map[string]bool{"device by device": false, "whole frames": true} {
		t.Run(name, func(t *testing.T) {
			checked := 0
			for _, c := range drivertest.Checks() {
				t.Run(c.Name, func(t *testing.T) {
					var err error
					synctest.Test(t, func(t *testing.T) { err = c.Do(hosted(t, whole)) })
					if errors.Is(err, drivertest.ErrSkip) {
						t.Skip(err)
					}
					require.NoError(t, err, c.Doc)
					checked++
				})
			}
			// Left out: the timeouts (two silences, one heartbeat) and hanging.
			require.Equal(t, len(drivertest.Checks())-4, checked)
		})
	}
}
