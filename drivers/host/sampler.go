package host

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Sweeper is a monitor that tells when it has a new reading. A monitor on a bus
// sends by its own clock; reading it by another would find readings up to a
// period old.
type Sweeper interface {
	Swept() <-chan struct{}
}

// sampler reads all devices into frames, one per period, checks each against
// the tripwire and only then sends it. It waits for no device longer than a
// share of the period, and for nobody else at all.
type sampler struct {
	c       *Config
	k       *keeper
	send    func(*drivers.Frame)
	readers []*reader
	answers chan answer
	wire    atomic.Pointer[Tripwire]
	fast    atomic.Bool
	wake    chan struct{}
	// swept receives when the monitor has a new sweep; nil: it does not tell.
	// A frame is then made at once, so that a breach is seen when it arrives, and
	// the meter is read beside the taps that it is compared with; but never within
	// half a period of the one that the sweep before made: a monitor that floods
	// must not flood the instruments, the daemon and the store.
	swept <-chan struct{}

	looks   looks         // what was seen of the state words
	paused  atomic.Uint32 // bit per role: leave it alone
	resting atomic.Uint32 // bit per role: it is being left alone
	absent  func(Role)    // told of each device that stopped answering

	frame   drivers.Frame // its counts are the sampler's scratch
	sensors [2]sensor
	round   uint64       // of reading
	nextAt  atomic.Int64 // when the bench makes its next frame, 0: not told
	// sampledAt is when the whole bench's sampler says it measured, 0: not told.
	sampledAt atomic.Int64
}

// sensor is one measurement of the article's current.
type sensor struct {
	at, beat int // positions; at is -1 where the bench has none
	last     int32
	moved    drivers.Instant // start of the reading in which beat moved
	ever     bool
}

func newSampler(c *Config, k *keeper, send func(*drivers.Frame)) *sampler {
	s := &sampler{c: c, k: k, send: send, wake: make(chan struct{}, 1), absent: func(Role) {}}
	s.looks.init(c.layout)
	if m, ok := c.Set.Monitor.(Sweeper); ok && c.Sample == nil {
		s.swept = m.Swept()
	}
	s.readers = readers(c, s)
	s.answers = make(chan answer, len(s.readers))
	s.frame.Counts = make([]int32, len(c.layout.Channels))
	l := c.layout
	s.sensors = [2]sensor{
		{at: l.Find(drivers.ModuleCurrent), beat: l.Find(drivers.MonitorBeat)},
		{at: l.Find(drivers.BoxCurrent), beat: l.Find(drivers.BoxBeat)},
	}
	return s
}

// hurry makes the sampler look at its period anew. It never waits.
func (s *sampler) hurry() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// setFast asks for frames at the link period, or no longer.
func (s *sampler) setFast(on bool) {
	s.fast.Store(on)
	s.hurry()
}

func (s *sampler) hurried() bool { return s.fast.Load() || s.k.opener.active.Load() }

// span is the present time between frames. An opening in progress wants the
// current measured soon.
func (s *sampler) span() drivers.Span {
	return s.c.period(s.hurried())
}

func (s *sampler) run(ctx context.Context) {
	start := s.c.Now()
	for _, r := range s.readers {
		r.answered = start
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	due := start
	var early drivers.Instant // the first for another sweep's frame
	sweep := false            // the next frame is one
	for {
		select {
		case <-timer.C:
			start = s.c.Now()
			s.take(ctx, start)
			due = s.next(start, due)
			if sweep {
				sweep, early = false, start.Add(s.span()/2)
			}
		case <-s.swept:
			if s.hurried() {
				break // frames come faster than the monitor anyway
			}
			sweep = true
			due = min(due, max(early, s.c.Now()))
		case <-s.wake:
			due = min(due, max(start.Add(s.span()), s.c.Now()))
		case <-ctx.Done():
			return
		}
		timer.Reset(duration(due.Sub(s.c.Now())))
	}
}

// next is when the next frame is due: on the grid, but never in a burst after a
// delay; or when the bench says that it makes it, from half a period on and
// within two.
func (s *sampler) next(start, due drivers.Instant) drivers.Instant {
	span := s.span()
	if at := s.nextAt.Swap(0); at != 0 {
		return min(max(drivers.Instant(at), start.Add(span/2)), start.Add(2*span))
	}
	if s.swept != nil && !s.hurried() {
		// The monitor's next sweep makes the next frame; this is for when it does
		// not come.
		return start.Add(span + span/sweepGrace)
	}
	return max(due.Add(span), s.c.Now())
}

// sweepGrace is the part of a period by which a monitor's sweep may come late
// before a frame is made without it.
const sweepGrace = 4

// take takes one frame.
func (s *sampler) take(ctx context.Context, start drivers.Instant) {
	s.collect()
	s.rest(start)
	s.read(ctx, s.span()/readShare)
	f := &s.frame
	f.Echo++
	f.At = s.stamp(f.At)
	complete := s.compose(f)
	s.trip(f, complete)
	s.current(f, start)
	s.notice(f.At)
	if complete {
		s.looks.note(f, start)
		s.k.sent(f.Echo, f.At)
		s.send(f)
	}
}

// stamp is when the frame being made was measured. Where one sampler knows it, its
// word counts: the goroutines that hand a frame on may be late by more than the
// link's time constant on a busy machine, and a rise that is timed by them is none.
// It can only be told older than now, and never older than the frame before.
func (s *sampler) stamp(before drivers.Instant) drivers.Instant {
	now := s.c.Now()
	if at := drivers.Instant(s.sampledAt.Swap(0)); at > before && at < now {
		return at
	}
	return now
}

// read asks every idle reader and waits for these, at most for wait. Readers
// that are still busy from an earlier round are not waited for.
func (s *sampler) read(ctx context.Context, wait drivers.Span) {
	s.round++
	s.collect()
	open := 0
	for _, r := range s.readers {
		if !r.busy && !r.resting {
			r.busy, r.asked = true, s.round
			open++
			r.ask <- struct{}{} // has room: it was idle
		}
	}
	late := time.NewTimer(duration(wait))
	defer late.Stop()
	for open > 0 {
		select {
		case a := <-s.answers:
			a.r.accept(a)
			if a.r.asked == s.round {
				open--
			}
		case <-late.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

// collect takes answers that came too late for their round, so that their
// readers are asked again; nobody else might ever look for them.
func (s *sampler) collect() {
	for {
		select {
		case a := <-s.answers:
			a.r.accept(a)
		default:
			return
		}
	}
}

// compose fills the frame from what the readers know. It reports false where
// there is no frame at all.
func (s *sampler) compose(f *drivers.Frame) bool {
	for i := range f.Counts {
		f.Counts[i] = drivers.NoReading
	}
	for _, r := range s.readers {
		if s.c.Sample != nil && (r.busy || r.asked != s.round || r.err != nil) {
			return false
		}
		switch {
		case r.ever && r.err == nil && f.At.Sub(r.answered) <= s.c.Bench.Monitor.Period:
			for i, at := range r.at {
				f.Counts[at] = r.values[i]
			}
		case r.ever: // its counter stands still
			last := len(r.at) - 1
			f.Counts[r.at[last]] = r.values[last]
		}
	}
	if s.k.leaseOut.Load() {
		for _, k := range [...]drivers.Kind{drivers.SupplyState, drivers.LoadState} {
			if at := s.c.layout.Find(k); at >= 0 && f.Counts[at] != drivers.NoReading {
				f.Counts[at] |= drivers.PowerLeaseOut
			}
		}
	}
	return true
}

// trip runs the tripwire, and acts on a breach before anybody hears of it.
func (s *sampler) trip(f *drivers.Frame, complete bool) {
	wire := s.wire.Load()
	if wire == nil {
		return
	}
	var b Breach
	var hit bool
	if complete {
		b, hit = wire.Check(f)
	} else {
		b, hit = wire.Missing(f.At)
	}
	if !hit {
		return
	}
	s.k.haltAll()
	s.wire.CompareAndSwap(wire, nil) // said once; the next arming sets another
	s.k.report(Event{Kind: EventBreach, At: f.At, Echo: f.Echo, Breach: b, Text: s.describe(b)})
}

func (s *sampler) describe(b Breach) string {
	what := "the frame"
	if b.Channel >= 0 {
		what = s.c.layout.Channels[b.Channel].Name()
	}
	if b.Unknown {
		return fmt.Sprintf("%s gave nothing new for %d ms, %d ms are allowed; everything was halted",
			what, b.Value/int64(drivers.Millisecond), b.Limit/int64(drivers.Millisecond))
	}
	unit := map[drivers.Kind]string{drivers.CellVoltage: "uV", drivers.Temperature: "mK"}[s.c.layout.Channels[b.Channel].Kind]
	if unit == "" {
		unit = "uA"
	}
	return fmt.Sprintf("%s at %d %s, the absolute limit is %d %s; everything was halted", what, b.Value, unit, b.Limit, unit)
}

// current tells the opener what the frame knows of the current. A reading is
// fresh if its device's counter moved in a frame begun after everything was
// halted, and too old once the counter stood still for two periods.
func (s *sampler) current(f *drivers.Frame, start drivers.Instant) {
	since := drivers.Instant(s.k.opener.since.Load())
	var out flow
	for i := range s.sensors {
		n := &s.sensors[i]
		if n.at < 0 || n.beat < 0 || f.Counts[n.beat] == drivers.NoReading {
			continue
		}
		if beat := f.Counts[n.beat]; !n.ever || beat != n.last {
			n.last, n.moved, n.ever = beat, start, true
		}
		if f.Counts[n.at] == drivers.NoReading || start.Sub(n.moved) > 2*s.c.Bench.Monitor.Period {
			continue
		}
		state := flowOld
		if n.moved > since {
			state = flowFresh
		}
		amps := s.c.layout.Channels[n.at].Scale.Value(f.Counts[n.at])
		amps = max(amps, -amps)
		switch {
		case state > out.state:
			out = flow{state, drivers.Microamps(amps)}
		case state == out.state:
			out.amps = max(out.amps, drivers.Microamps(amps))
		}
	}
	s.k.opener.tell(out)
}

// notice tells which devices stopped answering, and which are back.
func (s *sampler) notice(now drivers.Instant) {
	limit := drivers.Span(s.c.LostAfter) * s.c.Bench.Monitor.Period
	for _, r := range s.readers {
		heard := max(r.answered, r.rested)
		lost := !r.resting && now.Sub(heard) > limit
		if lost == r.lost || r.resting {
			continue
		}
		r.lost = lost
		e := Event{Kind: EventDeviceBack, At: now, Role: r.role, Breach: Breach{Channel: -1}, Text: "answers again"}
		if lost {
			s.k.lost(r.role)
			s.absent(r.role)
			e.Kind, e.Text = EventDeviceLost, fmt.Sprintf("no answer for %d ms", now.Sub(heard)/drivers.Millisecond)
			if r.err != nil {
				e.Text += ": " + r.err.Error()
			}
		} else {
			s.k.back(r.role)
		}
		s.k.report(e)
	}
}
