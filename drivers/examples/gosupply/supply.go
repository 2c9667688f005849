package main

import (
	"context"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// The article: a battery behind a resistance.
const (
	battery    = 50 * drivers.Volt
	resistance = 100_000 // uOhm
)

// measuring is the time between the instrument's measurements.
const measuring = 10 * time.Millisecond

// supply pretends to be an instrument. A driver of a real one would ask it over
// its wire at each of these methods, and answer with what it said.
type supply struct {
	spec   *drivers.PowerSpec
	record io.Writer

	mu    sync.Mutex
	armed bool
	limit drivers.Protection
	set   drivers.Setpoint
	since time.Time // of the first reading

	// The instrument's own timeout: it goes off when nobody speaks to it.
	timer  *time.Timer
	spoken time.Time
	silent bool
}

// spokenTo is called under the lock by whatever reaches the instrument.
func (s *supply) spokenTo() {
	if s.spec.CommTimeout == 0 || s.limit.CommTimeout == 0 {
		return
	}
	if s.timer != nil {
		s.timer.Stop()
	}
	s.spoken = time.Now()
	timeout := time.Duration(s.limit.CommTimeout) * time.Microsecond
	s.timer = time.AfterFunc(timeout, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.set.On && time.Since(s.spoken) >= timeout {
			s.silent, s.armed = true, false
			s.put(drivers.Setpoint{}) // what fails is the record, which is looked at
		}
	})
}

var _ drivers.Power = (*supply)(nil)

func (s *supply) Identify(ctx context.Context) (drivers.Identity, error) {
	return drivers.Identity{Maker: "slipway", Model: "gosupply", Serial: "GS-01", Firmware: "1"}, ctx.Err()
}

// Halt switches off. It is called at the start, on every halt, and when the
// lease is lost; it must never wait for another call.
func (s *supply) Halt(context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.spokenTo()
	return s.put(drivers.Setpoint{})
}

// Arm sets the instrument's own limits and reads them back, rounded to the safe
// side.
func (s *supply) Arm(ctx context.Context, p drivers.Protection) (drivers.Protection, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return drivers.Protection{}, err
	}
	v := min(p.VoltageMax, s.spec.VoltageMax)
	c := min(p.CurrentMax, s.spec.CurrentMax)
	s.limit = drivers.Protection{VoltageMax: v - v%s.spec.VoltageStep, CurrentMax: c - c%s.spec.CurrentStep,
		CommTimeout: min(p.CommTimeout, s.spec.CommTimeout)}
	s.armed, s.silent = true, false
	s.spokenTo()
	return s.limit, nil
}

func (s *supply) Set(ctx context.Context, p drivers.Setpoint) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	s.spokenTo()
	if !p.On {
		p = drivers.Setpoint{}
	}
	switch {
	case p.On && s.silent:
		return fmt.Errorf("it went off by itself: %w", drivers.ErrLease)
	case p.On && !s.armed:
		return fmt.Errorf("it was never armed: %w", drivers.ErrRefused)
	case p.Current < 0 || p.Voltage < 0 || p.On && (p.Current > s.limit.CurrentMax || p.Voltage > s.limit.VoltageMax):
		return fmt.Errorf("%v at %v is beyond the armed %v at %v: %w", p.Current, p.Voltage, s.limit.CurrentMax, s.limit.VoltageMax, drivers.ErrRefused)
	}
	return s.put(p)
}

// put is what the output does; the record says it at once.
func (s *supply) put(p drivers.Setpoint) error {
	if s.set == p {
		return nil
	}
	s.set = p
	_, err := fmt.Fprintf(s.record, "%d %d\n", time.Now().UnixMicro(), s.current()/1000)
	return err
}

// current is what flows: the setpoint, or less where the voltage bound holds.
func (s *supply) current() drivers.Microamps {
	if !s.set.On || s.set.Voltage <= battery {
		return 0
	}
	return min(s.set.Current, drivers.Microamps(int64(s.set.Voltage-battery)*1_000_000/resistance))
}

func (s *supply) Read(ctx context.Context) (drivers.Reading, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return drivers.Reading{}, err
	}
	s.spokenTo()
	if s.since.IsZero() {
		s.since = time.Now()
	}
	amps := s.current()
	volts := battery + drivers.Microvolts(int64(amps)*resistance/1_000_000)
	r := drivers.Reading{Voltage: int32(volts / s.spec.VoltageStep), Current: int32(amps / s.spec.CurrentStep),
		Beat: int32(time.Since(s.since) / measuring)}
	if s.silent {
		r.State |= drivers.PowerLeaseOut
	}
	if s.set.On {
		r.State |= drivers.PowerOn
		if amps < s.set.Current {
			r.State |= drivers.PowerVoltage
		}
	}
	return r, nil
}
