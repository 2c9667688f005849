package host

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Config is what Serve needs.
type Config struct {
	Bench drivers.Bench
	// Set are the instruments. A role that is nil reads as "no reading" and
	// refuses commands.
	Set drivers.Set
	// Sample, where set, takes a whole frame at once instead of reading each
	// device: it fills f.Counts, whose length is the layout's, and reports
	// false where the frame was lost on its way. A bench whose time the caller
	// owns passes it. Calls never overlap.
	Sample func(f *drivers.Frame) (ok bool)
	// OnFast, where set beside Sample, is told before the first sample at the
	// link period, and before the first one that is not.
	OnFast func(on bool)
	// Next, where set beside Sample, tells after each sample when the next is
	// due; without it samples are taken a period apart. It keeps the host in
	// step with a bench that makes its frames at instants of its own. All three
	// are called from one goroutine.
	Next func() drivers.Instant
	// Part says that the program holds only some of a bench's instruments, as a
	// plugin does: no monitor is demanded, frames carry only the channels of the
	// roles in Set, and the tripwire watches only those. Of Bench, the monitor's
	// period, the lease and what describes the instruments in Set are used.
	Part bool
	// Alive, where set, is told of the lease.
	Alive *Alive
	// Allow, where set, is asked before each arming, before anything is armed;
	// what it returns refuses it. It has AllowTime. What it reads is beside the
	// frames: an insulation monitor.
	Allow func(context.Context) error
	// Stdin brings lease records; its end halts everything and ends Serve. A
	// part may leave it nil: the records then come on Lease streams, one after
	// the other, and the end of each halts everything and not Serve.
	Stdin io.Reader
	// Listener takes the gRPC connections. Serve closes it.
	Listener net.Listener
	// Now reads a monotonic clock; nil: the process's own. Timers run on the
	// real clock, which must be the same.
	Now func() drivers.Instant
	// CallTimeout bounds every command to a device; 0: 200 ms. A device that
	// has not taken a halt by then is told again.
	CallTimeout drivers.Span
	// LostAfter is how many monitor periods a device may stay silent before it
	// counts as lost; 0: 3.
	LostAfter int
	// Scheduling is the measured 99.9 % of scheduling delays (Scheduling); the
	// lease must be longer than three periods and it together.
	Scheduling drivers.Span
	// Linger bounds how long Serve waits, after the end of Stdin, for devices
	// to take their halt; 0: 10 s.
	Linger drivers.Span

	layout *drivers.Layout
}

// What a host does that is not told otherwise.
const (
	callDefault = 200 * drivers.Millisecond
	lostDefault = 3
)

// readShare is the part of a sampling period within which devices must answer.
const readShare = 2

// prepare fills the defaults and reports all that is wrong.
func (c *Config) prepare() error {
	if c.Now == nil {
		c.Now = Clock(time.Now())
	}
	if c.CallTimeout == 0 {
		c.CallTimeout = callDefault
	}
	if c.LostAfter == 0 {
		c.LostAfter = lostDefault
	}
	if c.Linger == 0 {
		c.Linger = 10 * drivers.Second
	}
	layout, err := c.Bench.Layout()
	if c.Part {
		layout, err = partLayout(&c.Bench, rolesOf(&c.Set))
	}
	if err != nil {
		return fmt.Errorf("bench %s: %w", c.Bench.Name, err)
	}
	c.layout = layout
	var wrong []error
	bad := func(format string, a ...any) {
		wrong = append(wrong, fmt.Errorf("bench %s: "+format, append([]any{c.Bench.Name}, a...)...))
	}
	if c.Stdin == nil && !c.Part || c.Listener == nil {
		bad("the host needs its standard input for the lease and a listener for commands")
	}
	if c.Bench.Monitor.Period <= 0 {
		bad("monitor period %d us; above 0 would be right", c.Bench.Monitor.Period)
	}
	if c.Bench.Box.LinkPeriod < 0 || c.Bench.Box.LinkPeriod > c.Bench.Monitor.Period {
		bad("link period %d us; 0 (the monitor's) up to the monitor's %d us would be right", c.Bench.Box.LinkPeriod, c.Bench.Monitor.Period)
	}
	if c.Bench.Box.OpeningTime < 0 || c.Bench.Box.OpeningCurrent < 0 {
		bad("opening time %d us, opening current %d uA; neither may be under 0", c.Bench.Box.OpeningTime, c.Bench.Box.OpeningCurrent)
	}
	if err := CheckLease(c.Bench.Lease, c.Bench.Monitor.Period, c.Scheduling); err != nil {
		bad("%w", err)
	}
	switch {
	case c.Part && (c.Sample != nil || len(rolesOf(&c.Set)) == 0):
		bad("a part of a bench samples its own devices, and has at least one")
	case !c.Part && c.Set.Monitor == nil && c.Sample == nil:
		bad("no cell monitor; without one nothing may be energised")
	}
	return errors.Join(wrong...)
}

// period is the time between frames.
func (c *Config) period(fast bool) drivers.Span {
	if fast && c.Bench.Box.LinkPeriod > 0 {
		return c.Bench.Box.LinkPeriod
	}
	return c.Bench.Monitor.Period
}

// Clock returns a monotonic clock anchored to the wall clock once, at start: a
// stepped wall clock never moves it.
func Clock(start time.Time) func() drivers.Instant {
	anchor := drivers.Instant(start.UnixMicro())
	return func() drivers.Instant { return anchor.Add(drivers.Span(time.Since(start).Microseconds())) }
}

// duration turns a span into what timers take.
func duration(s drivers.Span) time.Duration { return time.Duration(s) * time.Microsecond }
