package bench_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// fakeHost is a host in this process: the virtual bench in (fake) real time,
// the commands passed straight on, every renewal and halt remembered.
type fakeHost struct {
	rt     *virtual.Realtime
	now    func() drivers.Instant
	frames chan *drivers.Frame
	events chan host.Event
	lost   chan error
	stop   context.CancelFunc
	work   sync.WaitGroup

	mu      sync.Mutex
	epoch   uint64
	renewed []drivers.Instant
	// mute stops frames; hang makes the box's driver never answer.
	mute, hang bool
	closed     bool
	// proof is how long arming takes, while the supply is left alone.
	proof   time.Duration
	resting bool
	layout  *drivers.Layout
	beat    int32
}

func (h *fakeHost) run(ctx context.Context) {
	h.rt.Do(func(b *virtual.Bench) { h.layout = b.Layout() })
	for echo := uint64(1); ; echo++ {
		timer := time.NewTimer(time.Duration(h.rt.Next().Sub(h.now())) * time.Microsecond)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return
		}
		f := &drivers.Frame{Counts: make([]int32, len(h.layout.Channels)), Echo: echo}
		ok := h.rt.Frame(f)
		h.mu.Lock()
		mute := h.mute
		h.leaveAlone(f)
		h.mu.Unlock()
		if ok && !mute {
			f.Echo = echo
			h.frames <- f
		}
	}
}

// leaveAlone shows the supply as a host does that reads it no longer: no
// readings, and a counter that stands still.
func (h *fakeHost) leaveAlone(f *drivers.Frame) {
	at := h.layout.Find(drivers.SupplyBeat)
	if !h.resting {
		h.beat = f.Counts[at]
		return
	}
	for _, k := range []drivers.Kind{drivers.SupplyVoltage, drivers.SupplyCurrent, drivers.SupplyState} {
		f.Counts[h.layout.Find(k)] = drivers.NoReading
	}
	f.Counts[at] = h.beat
}

func (h *fakeHost) with(fn func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	fn()
}

func (h *fakeHost) refused(epoch uint64) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if epoch < h.epoch {
		return fmt.Errorf("epoch %d is over", epoch)
	}
	return nil
}

func (h *fakeHost) Arm(ctx context.Context, epoch uint64, supply, load drivers.Protection, _ host.TripwireLimits) (s, l drivers.Protection, err error) {
	set := h.rt.Set()
	h.with(func() { h.resting = h.proof > 0 })
	defer h.with(func() { h.resting = false })
	select {
	case <-time.After(h.proof):
	case <-ctx.Done():
		return s, l, ctx.Err()
	}
	if s, err = set.Supply.Arm(ctx, supply); err == nil {
		l, err = set.Load.Arm(ctx, load)
	}
	return s, l, err
}

func (h *fakeHost) Set(ctx context.Context, epoch uint64, charging bool, p drivers.Setpoint) error {
	if err := h.refused(epoch); err != nil {
		return err
	}
	if charging {
		return h.rt.Set().Supply.Set(ctx, p)
	}
	return h.rt.Set().Load.Set(ctx, p)
}

func (h *fakeHost) Switch(ctx context.Context, epoch uint64, closed drivers.Contactors) error {
	h.mu.Lock()
	hang := h.hang
	h.mu.Unlock()
	if hang {
		<-ctx.Done()
		return ctx.Err()
	}
	if err := h.refused(epoch); err != nil && closed != 0 {
		return err
	}
	return h.rt.Set().Box.Switch(ctx, closed)
}

func (h *fakeHost) Bleed(ctx context.Context, epoch uint64, words []int32) error {
	return h.rt.Set().Monitor.Bleed(ctx, words)
}

func (h *fakeHost) Fast(_ context.Context, on bool) error { h.rt.Fast(on); return nil }

func (h *fakeHost) Renew(_, _ uint64, _ drivers.Span) error {
	h.with(func() { h.renewed = append(h.renewed, h.now()) })
	return nil
}

func (h *fakeHost) Halt(epoch uint64) error {
	h.with(func() { h.epoch = max(h.epoch, epoch) })
	set := h.rt.Set()
	return errors.Join(set.Supply.Halt(context.Background()), set.Load.Halt(context.Background()))
}

func (h *fakeHost) Halted(context.Context, uint64) error { return nil }
func (h *fakeHost) Frames() <-chan *drivers.Frame        { return h.frames }
func (h *fakeHost) Events() <-chan host.Event            { return h.events }
func (h *fakeHost) Lost() <-chan error                   { return h.lost }

func (h *fakeHost) Close(context.Context) error {
	h.stop()
	h.work.Wait()
	h.with(func() { h.closed = true })
	return nil
}

func (h *fakeHost) lastRenewal() (t drivers.Instant, n int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if n = len(h.renewed); n > 0 {
		t = h.renewed[n-1]
	}
	return t, n
}

// keepJournal keeps lines, and can be told to block or fail.
type keepJournal struct {
	mu      sync.Mutex
	lines   []string
	pending drivers.Instant
	block   chan struct{} // commits wait for it when set
	fail    error
}

func (j *keepJournal) Frame(f *drivers.Frame) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.pending == 0 {
		j.pending = f.At
	}
	return j.fail
}

func (j *keepJournal) add(line string) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.lines = append(j.lines, line)
	return j.fail
}

func (j *keepJournal) Line(_ uint64, _ drivers.Instant, line string) error { return j.add(line) }

func (j *keepJournal) Commit() error {
	j.mu.Lock()
	block := j.block
	j.mu.Unlock()
	if block != nil {
		<-block
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	j.pending = 0
	return j.fail
}

func (j *keepJournal) Pending() drivers.Instant {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.pending
}

func (j *keepJournal) MarkEnergised(_ uint64, _ drivers.Instant, _ uint64, line string) error {
	return j.add(line)
}
func (j *keepJournal) MarkSafe() error { return nil }
func (j *keepJournal) Trip(_ uint64, _ drivers.Instant, line, _ string) error {
	return j.add(line)
}
func (j *keepJournal) Urgent(_ uint64, _ drivers.Instant, line string) error { return j.add(line) }

func (j *keepJournal) has(part string) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, l := range j.lines {
		if strings.Contains(l, part) {
			return true
		}
	}
	return false
}

// liveBench is a live bench over a fake host in a bubble of fake time.
type liveBench struct {
	t       *testing.T
	live    *bench.Live
	rig     *virtual.Realtime
	now     func() drivers.Instant
	skip    drivers.Span // added to the loop's clock: a stall
	mu      sync.Mutex
	hosts   []*fakeHost
	journal *keepJournal
	ended   chan bench.Ending
	tell    func() // where set: called before a run's end is told
}

func newLiveBench(t *testing.T) *liveBench {
	l := &liveBench{t: t, journal: &keepJournal{}, ended: make(chan bench.Ending, 1)}
	began := time.Now()
	real := func() drivers.Instant {
		return drivers.Instant(1_790_000_000_000_000).Add(drivers.Span(time.Since(began) / time.Microsecond))
	}
	l.now = func() drivers.Instant {
		l.mu.Lock()
		defer l.mu.Unlock()
		return real().Add(l.skip)
	}
	b := l.bench()
	v, err := virtual.New(virtual.Config{Bench: b.Bench, Article: virtual.DefaultArticle(), Seed: 1, Start: real()})
	require.NoError(t, err)
	l.rig = virtual.NewRealtime(v, real)
	open := func(context.Context) (bench.Host, error) {
		set := l.rig.Set()
		// A host drives everything safe before it offers itself (INV-06).
		if err := errors.Join(set.Supply.Halt(t.Context()), set.Load.Halt(t.Context()), set.Box.Halt(t.Context())); err != nil {
			return nil, err
		}
		ctx, cancel := context.WithCancel(context.Background())
		h := &fakeHost{rt: l.rig, now: real, frames: make(chan *drivers.Frame, 64), events: make(chan host.Event, 64), lost: make(chan error, 1), stop: cancel}
		h.work.Go(func() { h.run(ctx) })
		l.mu.Lock()
		l.hosts = append(l.hosts, h)
		l.mu.Unlock()
		return h, nil
	}
	l.live, err = bench.NewLive(t.Context(), b.Bench, bench.Options{Name: "quay-1"}, l.now, open)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.live.Close()) })
	return l
}

func (l *liveBench) bench() *profiles.Bench {
	src, err := profiles.LibraryBench("quay-1")
	require.NoError(l.t, err)
	b, problems := profiles.ParseBench("quay-1.yaml", src)
	require.Empty(l.t, problems)
	return b
}

func (l *liveBench) start() {
	src, err := profiles.LibraryModule("KW-01")
	require.NoError(l.t, err)
	m, problems := profiles.ParseModule("KW-01.yaml", src)
	require.Empty(l.t, problems)
	src, err = profiles.LibraryProfile("charge")
	require.NoError(l.t, err)
	p, problems := profiles.ParseProfile("charge.yaml", src)
	require.Empty(l.t, problems)
	plan, problems := profiles.Compile(p, m, l.bench())
	require.Empty(l.t, problems)
	require.NoError(l.t, l.live.Start(l.t.Context(), bench.StartRequest{
		Run: "R1", Plan: plan, Journal: l.journal, Who: "tester",
		Finished: func(e bench.Ending) {
			if l.tell != nil {
				l.tell()
			}
			l.ended <- e
		},
	}))
}

func (l *liveBench) host() *fakeHost {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.hosts[len(l.hosts)-1]
}

// until waits, in fake time, for a status that ok accepts.
func (l *liveBench) until(what string, limit time.Duration, ok func(bench.Status) bool) bench.Status {
	l.t.Helper()
	ch, end := l.live.Subscribe()
	defer end()
	timer := time.NewTimer(limit)
	defer timer.Stop()
	for {
		select {
		case s := <-ch:
			if ok(s) {
				return s
			}
		case <-timer.C:
			require.FailNow(l.t, "not in time", "%s within %s: %+v", what, limit, l.live.Status().View)
		}
	}
}

func (l *liveBench) charging() {
	l.until("charging", time.Minute, func(s bench.Status) bool {
		return s.View.Phase == machine.PhaseRunning && s.View.Direction == machine.Charging && s.View.StepSpan > 3*drivers.Second
	})
}

func (l *liveBench) phase(p machine.Phase) bench.Status {
	l.t.Helper()
	return l.until(string(p), time.Minute, func(s bench.Status) bool { return s.View.Phase == p })
}

// zero asks the plant itself whether current flows.
func (l *liveBench) zero() (zero bool) {
	l.rig.Do(func(b *virtual.Bench) {
		_, zero = b.ZeroSince()
	})
	return zero
}

// TestLiveStop: a run over a host in real time, stopped by a person: zero
// current, contactors open, the lease renewed while it ran and not afterwards.
func TestLiveStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		l.start()
		l.charging()
		require.ErrorIs(t, l.live.Start(t.Context(), bench.StartRequest{}), bench.ErrBusy)
		_, n := l.host().lastRenewal()
		require.Greater(t, n, 20, "each good frame renews the lease")
		require.NoError(t, l.live.Command(t.Context(), machine.VerbStop, "tester", "enough"))
		e := <-l.ended
		require.Equal(t, machine.OutcomeStopped, e.Outcome)
		require.True(t, l.zero())
		at, _ := l.host().lastRenewal()
		l.until("a minute later", 2*time.Minute, func(s bench.Status) bool { return s.View.At > e.At.Add(drivers.Minute) })
		later, _ := l.host().lastRenewal()
		require.LessOrEqual(t, int64(later.Sub(e.At)), int64(drivers.Millisecond), "INV-06: no renewal after the end")
		require.GreaterOrEqual(t, later, at)
	})
}

// TestLiveProof: arming may take as long as it takes to prove two communication
// timeouts by silence. Meanwhile an instrument that nobody reads is no lost
// device and trips nothing; what takes longer than that is refused.
func TestLiveProof(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		spec := l.bench().Bench
		most := time.Duration(host.ArmTime(&spec)) * time.Microsecond
		require.Greater(t, most, 2*2*time.Second, "the shipped bench declares 2 s of silence for both")
		l.host().with(func() { l.host().proof = most })
		from := l.now()
		l.start()
		l.charging()
		require.Greater(t, int64(l.now().Sub(from)), most.Microseconds())
		require.NoError(t, l.live.Command(t.Context(), machine.VerbStop, "tester", ""))
		require.Equal(t, machine.OutcomeStopped, (<-l.ended).Outcome)

		l.host().with(func() { l.host().proof = most + time.Second })
		l.start()
		e := <-l.ended
		require.Equal(t, machine.OutcomeRefused, e.Outcome)
		require.Contains(t, e.Reason, "arm failed: context deadline exceeded")
	})
}

// TestLiveHostDies: the host's death trips; another host drives everything safe,
// its frames prove zero current, and a person clears the latch (INV-04, INV-05,
// INV-06).
func TestLiveHostDies(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		l.start()
		l.charging()
		dead := l.host()
		dead.with(func() { dead.mute = true })
		dead.lost <- errors.New("signal: killed")
		l.phase(machine.PhaseLatched)
		e := <-l.ended
		require.Equal(t, machine.OutcomeTripped, e.Outcome)
		require.Contains(t, e.Trip, "signal: killed")
		require.True(t, e.Cleared)
		require.True(t, l.zero())
		require.NotSame(t, dead, l.host(), "another host was started")
		require.ErrorIs(t, l.live.Start(t.Context(), bench.StartRequest{}), bench.ErrLatched)
		require.ErrorIs(t, l.live.Command(t.Context(), machine.VerbAcknowledge, "tester", ""), bench.ErrNoReason)
		require.NoError(t, l.live.Command(t.Context(), machine.VerbAcknowledge, "tester", "host replaced"))
		require.Empty(t, l.live.Status().Latched)
	})
}

// TestLiveOpened: contactors that the host opened under current, after it halted
// everything by itself, count against their breaking rating (INV-03), in the
// run's record and to people; an opening with nothing closed does not.
func TestLiveOpened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		l.start()
		opened := host.Event{Kind: host.EventOpened, Role: host.RoleBox, Breach: host.Breach{Channel: -1, Value: 20_000_000, Limit: 1_000_000}}
		l.host().events <- opened // nothing was closed yet
		l.charging()
		require.False(t, l.journal.has("opened at="))
		l.host().events <- host.Event{Kind: host.EventLeaseOut, Breach: host.Breach{Channel: -1}, Text: "the lease ran out; everything was halted"}
		l.host().events <- opened
		l.phase(machine.PhaseLatched)
		require.True(t, l.journal.has("opened at="))
		require.True(t, l.journal.has("contactors opened at 20.000 A, above the opening current of 1.000 A; breaking rating 200.000 A: check for welds before the next use"))
	})
}

// TestLiveSilence: a host that is alive and sends nothing ends in a trip within
// the stale limit and a turn of the loop (INV-02).
func TestLiveSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		l.start()
		l.charging()
		h := l.host()
		h.with(func() { h.mute = true })
		from := l.now()
		s := l.phase(machine.PhaseTripped)
		require.LessOrEqual(t, int64(s.View.At.Sub(from)), int64(700*drivers.Millisecond))
		require.Contains(t, s.View.Cause, "no frame")
		h.with(func() { h.mute = false })
		l.phase(machine.PhaseLatched)
	})
}

// TestLiveSlowStore: a disk that hangs delays no halt, and ends the run before
// more than a second of frames is at risk (INV-07, INV-14).
func TestLiveSlowStore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		l.start()
		l.charging()
		release := make(chan struct{})
		l.journal.mu.Lock()
		l.journal.block = release
		l.journal.mu.Unlock()
		from := l.now()
		s := l.phase(machine.PhaseTripped)
		require.Contains(t, s.View.Cause, "unstored frame")
		// A second, the commit before the hang, and a turn of the loop.
		require.LessOrEqual(t, int64(s.View.At.Sub(from)), int64(1700*drivers.Millisecond))
		l.phase(machine.PhaseLatched)
		require.True(t, l.zero())
		close(release)
		require.Equal(t, machine.OutcomeTripped, (<-l.ended).Outcome)
	})
}

// TestLiveHungDevice: a box whose driver hangs does not delay the halt of the
// supply.
func TestLiveHungDevice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		l.start()
		l.charging()
		h := l.host()
		h.with(func() { h.hang = true })
		from := l.now()
		require.NoError(t, l.live.Command(t.Context(), machine.VerbStop, "tester", ""))
		l.until("zero current", time.Minute, func(bench.Status) bool { return l.zero() })
		require.LessOrEqual(t, int64(l.now().Sub(from)), int64(300*drivers.Millisecond))
		l.phase(machine.PhaseTripped) // the box does not open
		h.with(func() { h.hang = false })
		l.phase(machine.PhaseLatched)
	})
}

// TestLiveStall: a loop that stood still for more than half a lease trips
// instead of renewing on what it saw before.
func TestLiveStall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		l.start()
		l.charging()
		l.mu.Lock()
		l.skip = 600 * drivers.Millisecond
		l.mu.Unlock()
		s := l.phase(machine.PhaseTripped)
		require.Contains(t, s.View.Cause, "clock jumped by")
		l.phase(machine.PhaseLatched)
		require.True(t, l.journal.has("clock_jump"))
	})
}

// TestLiveClose: closing a bench stops its run first, safe and recorded.
func TestLiveClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLiveBench(t)
		l.start()
		l.charging()
		require.NoError(t, l.live.Close())
		e := <-l.ended
		require.Equal(t, machine.OutcomeStopped, e.Outcome)
		require.Equal(t, "stopped by shutdown", e.Reason)
		require.True(t, l.zero())
		require.True(t, l.host().closed)
		require.ErrorIs(t, l.live.Command(context.Background(), machine.VerbStop, "tester", ""), bench.ErrClosed)
	})
}
